"""Levels that move with the background light: one setting row by row, or many settings together, both exact.

`row_by_row` is the plain way of one setting through update intervals. `members` does the same for many settings as
arrays. `certain` finds what all of them are certain to do. `family` takes all of them through a recording.
"""

from teachlab.sensor.following.family import Followers

__all__ = ["Followers"]
