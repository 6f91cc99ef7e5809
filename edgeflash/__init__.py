"""Gateway between online flash point analyzers and the control system."""

__version__ = "0.1.0"
