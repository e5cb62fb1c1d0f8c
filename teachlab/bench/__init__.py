"""Strategies × recordings × draws."""
