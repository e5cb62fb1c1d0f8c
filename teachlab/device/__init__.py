"""The sensor itself: what its logged output shows about its setting, and whether a replay agrees with it."""
