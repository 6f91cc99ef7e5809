"""The alarms: what they mean, when they stand, who has acknowledged them."""
