"""The demonstration: simulated analyzers, a real gateway, and a screen that shows both at work."""
