"""Beyond one machine: sealed days shipped to a store, collected into shared tables, asked there."""
