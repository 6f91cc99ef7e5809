"""The commands. No logic: they read words, call a room and print."""
