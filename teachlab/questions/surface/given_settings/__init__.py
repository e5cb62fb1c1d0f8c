"""Settings that are given, counted together."""
