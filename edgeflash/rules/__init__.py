"""The validation rules, their catalogue, and the judgement made with them. Pure."""
