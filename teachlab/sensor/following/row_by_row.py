"""One setting that follows, row by row.

An interval whose extremes reach no level is decided by three numbers; only the others are walked, evaluation by
evaluation.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.arrays import Floats
from teachlab.model.following_and_window import Follow, FollowingSetting
from teachlab.sensor.clock import Clock, delay_evaluations
from teachlab.sensor.edges import Edges, TwoState, joined
from teachlab.sensor.output import Followed

if TYPE_CHECKING:
    from teachlab.sensor.following.rows import Rows


class Follower:
    """A comparator whose levels follow the background, at its place between two intervals.

    `first`: state of the first valid evaluation; None before it.
    `state`: whether the comparator is light.
    `free_from` (evaluations): evaluations before this one are frozen.
    `hold` (evaluations): how long an object freezes the reference after it was last seen.
    `held`: edges so far.
    """

    def __init__(self, setting: FollowingSetting, clock: Clock) -> None:
        self.reference = FollowedReference(setting, clock)
        self.first: bool | None = None
        self.state = False
        self.free_from = 0
        self._light_on = setting.light_on
        self._freeze = setting.freeze
        self.hold = min(clock.delay(setting.freeze_hold_ms), clock.count + 1)  # a longer hold never ends
        self._every = setting.update_evaluations
        self._edges: list[int] = []
        self._joined: list[Edges] = []
        self.held = 0

    def run(self, rows: Rows) -> None:
        """Go through whole intervals."""
        at = range(rows.start, rows.start + rows.evaluations, rows.every)
        columns = (rows.sound, rows.low, rows.high, rows.total)
        for k, (begin, is_sound, low, high, total) in enumerate(zip(at, *(c.tolist() for c in columns), strict=True)):
            if is_sound and self.first is not None and self._whole(begin, low, high, total):
                continue
            self.walk(begin, rows.light[k])

    def walk(self, begin: int, light: Floats) -> None:
        """Walk through an interval, or the part of it at the end of the record."""
        counted = present = 0
        total = present_total = 0.0
        for at, x in enumerate(light.tolist(), begin):
            if math.isnan(x):
                continue
            self._compare(at, x)
            if self._freeze and self.state is self._light_on:
                self.free_from = at + 1 + self.hold
            if math.isinf(x):  # it switches the comparator, but no mean can take it
                continue
            present += 1
            present_total += x
            free = not self._freeze or at >= self.free_from
            if free and abs(x - self.reference.value) < self.reference.near:
                counted += 1
                total += x
        if light.size == self._every:
            self.reference.update(begin + light.size, counted, total, present, present_total)

    def take(self, edges: Edges, state: bool) -> None:
        """Take edges that were found elsewhere, and the state after them."""
        self._join()
        self._joined.append(edges)
        self.held += edges.size
        self.state = state

    def light_state(self) -> TwoState:
        """Return the comparator's state so far: true is light."""
        self._join()
        return TwoState(bool(self.first), joined(self._joined))

    def _whole(self, begin: int, low: float, high: float, total: float) -> bool:
        """Decide an interval of finite light by its extremes and sum; return whether that was possible."""
        reference, size = self.reference, self._every
        # While all light stays on one side of both levels and of all borders, the evaluations count alike, all or none
        # of them: then extremes and sum say what a walk would. Most intervals of a line are of that kind.
        if low < reference.off if self.state else high >= reference.on:
            return False
        stop = begin + size
        counted = size
        if self._freeze:
            if self.state is self._light_on:
                self.free_from = stop + self.hold
                counted = 0
            elif self.free_from >= stop:
                counted = 0
            elif self.free_from > begin:  # frozen for a part of it: only a walk knows what counts
                return False
        if counted and not (high - reference.value < reference.near and reference.value - low < reference.near):
            return False
        reference.update(stop, counted, total if counted else 0.0, size, total)
        return True

    def _compare(self, at: int, x: float) -> None:
        if self.first is None:
            self.first = self.state = x >= self.reference.on
        elif x < self.reference.off if self.state else x >= self.reference.on:
            self.state = not self.state
            self._edges.append(at)
            self.held += 1

    def _join(self) -> None:
        if self._edges:
            self._joined.append(np.array(self._edges, np.int64))
            self._edges = []


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

        `at`: first evaluation of the next interval.
        `counted`, `present`: evaluations that count, and all finite ones.
        `total`, `present_total` (recording units): their sums, in the order of the evaluations.
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
