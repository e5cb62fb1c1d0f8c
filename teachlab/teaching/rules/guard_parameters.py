"""The two parameters of every guard, declared once."""

from __future__ import annotations

from teachlab.teaching.parameters import about

POSITION, SHARE = 0.5, 0.01
"""Usual values of phi and a."""
ABOUT_POSITION = about(
    "distance of the level from the background guard", unit="share of the distance", above=0, below=1
)
"""phi: distance of a level from the background guard, as a share of the distance to the object guard."""
ABOUT_SHARE = about("events that may lie beyond a guard", unit="share of the events", at_least=0, below=0.5)
"""a: how many passes may stay short of the object guard, and how many gaps reach beyond the background's."""
