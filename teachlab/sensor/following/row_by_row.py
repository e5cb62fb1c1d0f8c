"""One setting that follows, row by row.

An interval whose extremes reach no level is decided by three numbers; only the others are walked, evaluation by
evaluation.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from teachlab.sensor.edges import Edges, TwoState, joined
from teachlab.sensor.following.reference import FollowedReference

if TYPE_CHECKING:
    from teachlab.model.following_and_window import FollowingSetting
    from teachlab.sensor.clock import Clock
    from teachlab.sensor.following.rows import Rows, Values


class Follower:
    """A comparator whose levels follow the background, at its place between two intervals.

    Attributes
    ----------
    first : bool or None
        State of the first valid evaluation; None before it.
    state : bool
        Whether the comparator is light.
    free_from : int, evaluations
        Evaluations before this one are frozen.
    hold : int, evaluations
        How long an object freezes the reference after it was last seen.
    held : int
        Edges so far.
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

    def walk(self, begin: int, light: Values) -> None:
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
