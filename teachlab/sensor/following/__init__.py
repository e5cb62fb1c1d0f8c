"""Levels that move with the background light: one setting row by row, many settings together, both exact.

`reference` is what one setting remembers and does, `row_by_row` the plain way through update intervals,
`members` the same for many settings as arrays, `agreement` what all of them are certain to do, `family` the way
through a recording for all of them.
"""

from teachlab.sensor.following.family import Followers
from teachlab.sensor.following.members import family_of
from teachlab.sensor.output import Followed

__all__ = ["Followed", "Followers", "family_of"]
