"""teachlab: evidence for taught light-sensor thresholds."""

__version__ = "0.1.0"
