"""Wires the rooms together and supervises them; the one place that knows all parts."""
