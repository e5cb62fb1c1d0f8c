"""Windows, events, exact intervals and rates."""
