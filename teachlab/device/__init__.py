"""The sensor itself: what its logged output says about its setting, and whether a replay is this sensor."""
