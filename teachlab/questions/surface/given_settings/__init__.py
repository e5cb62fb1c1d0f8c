"""Given settings, counted together."""
