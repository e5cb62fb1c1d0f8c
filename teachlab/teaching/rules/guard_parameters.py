"""The two parameters that every guard has, declared once."""

from __future__ import annotations

from teachlab.teaching.parameters import about

POSITION, SHARE = 0.5, 0.01
"""Usual values of phi and a."""
ABOUT_POSITION = about(
    "distance of the level from the background guard", unit="share of the distance", above=0, below=1
)
"""phi: how far from the background guard to the object guard a level lies."""
ABOUT_SHARE = about("events that may lie beyond a guard", unit="share of the events", at_least=0, below=0.5)
"""a: how many passes may stay short of the object guard, and how many gaps reach beyond the background's."""
