"""Levels that move with the background light: one setting row by row, or many settings together, both exact.

`reference` is the state and the rules of one setting. `row_by_row` is the plain way through update intervals. `members`
does the same for many settings as arrays. `agreement` finds what all of them are certain to do. `family` takes all of
them through a recording.
"""

from teachlab.sensor.following.family import Followers
from teachlab.sensor.following.members import family_of
from teachlab.sensor.output import Followed

__all__ = ["Followed", "Followers", "family_of"]
