"""Strategies, one per file, and what they may be shown."""
