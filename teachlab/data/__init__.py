"""Recordings in and out, import, quality, split."""
