"""What strategies share: placing levels, hysteresis, effective numbers of events."""
