"""The reference of a following setting, and the levels that follow from it."""

from __future__ import annotations

import math

import numpy as np

from teachlab.model.following_and_window import Follow, FollowingSetting
from teachlab.sensor.clock import Clock, delay_evaluations
from teachlab.sensor.edges import TwoState
from teachlab.sensor.output import Followed

NEVER = 2**62
"""More evaluations than any record holds."""


class FollowedReference:
    """The reference and the levels that follow from it."""

    def __init__(self, setting: FollowingSetting, clock: Clock) -> None:
        self._setting = setting
        every = setting.update_evaluations
        self.constant = setting.time_constant_ms * clock.rate_hz / 1000.0
        slew = setting.slew_per_s
        self.slew = math.inf if slew is None else slew * every / clock.rate_hz
        after = setting.release_after_ms
        self.patience = None if after is None else min(delay_evaluations(after, clock.rate_hz), NEVER)
        self.waited = 0
        self.alarm = False
        self.alarm_edges: list[int] = []
        self.releases: list[int] = []
        self.value = self.lowest = self.highest = setting.reference
        self.on = self.off = self.near = 0.0
        self.place()

    def place(self) -> None:
        """Derive the levels from the value of the reference."""
        s, b = self._setting, self.value
        # Not by the formula: dark + (level − dark) · 1 may round to a neighbour of the level, and a reference that has
        # not moved must switch exactly as the fixed setting does.
        if b == s.reference:
            self.on, self.off = s.on_level, s.off_level
        elif s.follow is Follow.OFFSET:
            moved = b - s.reference
            self.on, self.off = s.on_level + moved, s.off_level + moved
        else:
            ratio = (b - s.dark_level) / (s.reference - s.dark_level)
            self.on = s.dark_level + (s.on_level - s.dark_level) * ratio
            self.off = s.dark_level + (s.off_level - s.dark_level) * ratio
        active = self.on if s.light_on else self.off
        self.near = math.inf if s.guard is None else s.guard * abs(active - b)

    def update(self, at: int, counted: int, total: float, present: int, present_total: float) -> None:
        """Move at the end of an interval.

        Parameters
        ----------
        at : int
            First evaluation of the next interval.
        counted, present : int
            Evaluations that count, and all finite ones.
        total, present_total : float, recording units
            Their sums, in the order of the evaluations.
        """
        if counted:
            self.waited = 0
            # A first-order lag whose time runs only while light counts: n evaluations of it move the reference by n /
            # (n + constant) of the distance.
            step = (total / counted - self.value) * (counted / (counted + self.constant))
            self._set(at, self.value + min(max(step, -self.slew), self.slew))
            return
        self.waited += self._setting.update_evaluations
        if present and self.patience is not None and self.waited >= self.patience:
            self.waited = 0
            self.releases.append(at)
            self._set(at, present_total / present)

    def _set(self, at: int, wanted: float) -> None:
        # Light near the largest number may add up to infinity: the reference then stays where it is.
        if not math.isfinite(wanted):
            return
        s = self._setting
        held = min(max(wanted, s.low_limit), s.high_limit)
        if (held != wanted) is not self.alarm:
            self.alarm = not self.alarm
            self.alarm_edges.append(at)
        if held != self.value:
            self.value = held
            self.lowest, self.highest = min(self.lowest, held), max(self.highest, held)
            self.place()

    def followed(self, evaluations: int) -> Followed:
        """Return what the reference did over the evaluations of the recording."""
        releases, alarm = (np.array(edges, np.int64) for edges in (self.releases, self.alarm_edges))
        return Followed(
            self.value,
            self.lowest,
            self.highest,
            releases[releases < evaluations],
            TwoState(False, alarm[alarm < evaluations]),
        )
