"""The follower: levels that move with the background light, exact in blocks of evaluations.

Within one update interval the levels stand still, so an interval whose extremes reach no level is decided
by three numbers made in NumPy; only the others are walked through, evaluation by evaluation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Block, Light
from teachlab.model.setting import Polarity
from teachlab.model.setting_kinds import Follow, FollowingSetting
from teachlab.signal.evaluation import Clock, delay_evaluations
from teachlab.signal.twostate import Edges, TwoState
from teachlab.signal.validity import Validity

BATCH = 1 << 17
"""Evaluations made into interval sums at a time, so that the work stays in the cache."""


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """What the reference of a following setting did over one recording.

    Parameters
    ----------
    last, lowest, highest : float, recording units
        The reference at the end, and the extremes of all its values.
    releases : ndarray of int64, shape (n,), evaluations
        First evaluations with a reference that was set anew after nothing had counted for too long.
    alarm : TwoState
        True where the reference is held at a limit that it would have left.
    """

    last: float
    lowest: float
    highest: float
    releases: Edges
    alarm: TwoState


class Reference:
    """The reference and the levels that follow from it.

    Parameters
    ----------
    setting : FollowingSetting
    clock : Clock
        For its times in evaluations.
    """

    def __init__(self, setting: FollowingSetting, clock: Clock) -> None:
        self._setting = setting
        every = setting.update_evaluations
        self._constant = setting.time_constant_ms * clock.rate_hz / 1000.0
        slew = setting.slew_per_s
        self._slew = math.inf if slew is None else slew * every / clock.rate_hz
        after = setting.release_after_ms
        self._patience = None if after is None else delay_evaluations(after, clock.rate_hz)
        self._waited = 0
        self._alarm = False
        self._alarm_edges: list[int] = []
        self._releases: list[int] = []
        self.value = self.lowest = self.highest = setting.reference
        self.on = self.off = self.near = 0.0
        self._place()

    def _place(self) -> None:
        s, b = self._setting, self.value
        if b == s.reference:
            self.on, self.off = s.on_level, s.off_level
        elif s.follow is Follow.OFFSET:
            moved = b - s.reference
            self.on, self.off = s.on_level + moved, s.off_level + moved
        else:
            ratio = (b - s.dark_level) / (s.reference - s.dark_level)
            self.on = s.dark_level + (s.on_level - s.dark_level) * ratio
            self.off = s.dark_level + (s.off_level - s.dark_level) * ratio
        active = self.on if s.polarity is Polarity.LIGHT_ON else self.off
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
            self._waited = 0
            step = (total / counted - self.value) * (counted / (counted + self._constant))
            self._set(at, self.value + min(max(step, -self._slew), self._slew))
            return
        self._waited += self._setting.update_evaluations
        if present and self._patience is not None and self._waited >= self._patience:
            self._waited = 0
            self._releases.append(at)
            self._set(at, present_total / present)

    def _set(self, at: int, wanted: float) -> None:
        if not math.isfinite(wanted):
            return
        s = self._setting
        held = min(max(wanted, s.low_limit), s.high_limit)
        if (held != wanted) is not self._alarm:
            self._alarm = not self._alarm
            self._alarm_edges.append(at)
        if held != self.value:
            self.value = held
            self.lowest, self.highest = min(self.lowest, held), max(self.highest, held)
            self._place()

    def followed(self, evaluations: int) -> Followed:
        """Return what the reference did over the evaluations of the recording."""
        releases, alarm = (np.array(edges, np.int64) for edges in (self._releases, self._alarm_edges))
        return Followed(
            self.value,
            self.lowest,
            self.highest,
            releases[releases < evaluations],
            TwoState(False, alarm[alarm < evaluations]),
        )


class Follower:
    """Streams evaluated light through a comparator whose levels follow the background.

    Parameters
    ----------
    setting : FollowingSetting
    clock : Clock
    """

    def __init__(self, setting: FollowingSetting, clock: Clock) -> None:
        self.reference = Reference(setting, clock)
        self._every = setting.update_evaluations
        self._light_on = setting.polarity is Polarity.LIGHT_ON
        self._freeze = setting.freeze
        self._hold = clock.delay(setting.freeze_hold_ms)
        self._free_from = 0  # evaluations before it are frozen
        self._count = 0
        self._first: bool | None = None
        self._state = False
        self._edges: list[int] = []
        self._validity = Validity()
        self._rest = np.empty(0, np.float64)

    @property
    def first(self) -> bool | None:
        """State of the first valid evaluation; None before it."""
        return self._first

    def can_skip(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch can be passed over: never, the reference must see it."""
        return False

    def must_read(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch must be read: always."""
        return True

    def skip(self, evaluations: int) -> None:
        """Pass over evaluations: `can_skip` allows it never."""
        raise NotImplementedError

    def push(self, light: Light, invalid: NDArray[np.bool_] | None = None) -> None:
        """Take the next evaluations, in the stored type; NaN need not be flagged."""
        block = Block(0, light, invalid)
        self._validity.push(block.invalid_mask(), light.size)
        values = np.concatenate([self._rest, block.as_float()])
        every = self._every
        step = max(BATCH // every, 1) * every
        whole = values.size // every * every
        for a in range(0, whole, step):
            self._intervals(values[a : min(a + step, whole)].reshape(-1, every))
        self._rest = values[whole:].copy()

    def _intervals(self, rows: NDArray[np.float64]) -> None:
        low, high = rows.min(axis=1), rows.max(axis=1)
        sound = np.isfinite(low) & np.isfinite(high)
        with np.errstate(all="ignore"):
            total = 0.0 + np.add.accumulate(rows, axis=1)[:, -1]  # accumulate adds from left to right
        for k, (is_sound, a, b, s) in enumerate(
            zip(sound.tolist(), low.tolist(), high.tolist(), total.tolist(), strict=True)
        ):
            if is_sound and self._first is not None and self._whole(a, b, s):
                continue
            self._walk(rows[k].tolist())

    def _whole(self, low: float, high: float, total: float) -> bool:
        """Decide an interval of finite light by its extremes and sum; return whether that was possible."""
        reference, size = self.reference, self._every
        if low < reference.off if self._state else high >= reference.on:
            return False
        stop = self._count + size
        counted = size
        if self._freeze:
            if self._state is self._light_on:
                self._free_from = stop + self._hold
                counted = 0
            elif self._free_from >= stop:
                counted = 0
            elif self._free_from > self._count:
                return False
        if counted and not (high - reference.value < reference.near and reference.value - low < reference.near):
            return False
        self._count = stop
        reference.update(stop, counted, total if counted else 0.0, size, total)
        return True

    def _walk(self, values: list[float]) -> None:
        """Walk through an interval, evaluation by evaluation."""
        counted = present = 0
        total = present_total = 0.0
        for at, x in enumerate(values, self._count):
            if math.isnan(x):
                continue
            self._compare(at, x)
            if self._freeze and self._state is self._light_on:
                self._free_from = at + 1 + self._hold
            if math.isinf(x):
                continue
            present += 1
            present_total += x
            free = not self._freeze or at >= self._free_from
            if free and abs(x - self.reference.value) < self.reference.near:
                counted += 1
                total += x
        self._count += len(values)
        if len(values) == self._every:
            self.reference.update(self._count, counted, total, present, present_total)

    def _compare(self, at: int, x: float) -> None:
        if self._first is None:
            self._first = self._state = x >= self.reference.on
        elif x < self.reference.off if self._state else x >= self.reference.on:
            self._state = not self._state
            self._edges.append(at)

    def finish(self) -> None:
        """Decide the last, unfinished interval; nothing may be pushed after it."""
        self._walk(self._rest.tolist())
        self._rest = self._rest[:0]

    def light_state(self) -> TwoState:
        """Return the comparator's state so far: true is light."""
        return TwoState(bool(self._first), np.array(self._edges, np.int64))

    def validity(self) -> TwoState:
        """Return which evaluations were invalid so far: true is invalid."""
        return self._validity.state()

    def followed(self) -> Followed:
        """Return what the reference did."""
        return self.reference.followed(self._count)
