"""All pairs of levels, counted in one reading."""
