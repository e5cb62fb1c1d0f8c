"""Whether a sensor is fast enough for a line."""
