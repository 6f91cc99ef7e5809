"""The signal check: the way of each point to the control system, proved with test values."""
