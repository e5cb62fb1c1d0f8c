"""Measuring light in passes and gaps: windows, extremes, noise, edge time, event statistics."""
