"""Common parts of strategies: placing levels, hysteresis, effective numbers of events."""
