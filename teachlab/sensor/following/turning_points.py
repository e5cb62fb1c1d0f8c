"""Comparators that follow turning points: many settings through one reading, exactly.

A switch needs light that has moved a given distance from its furthest value so far. So the extremes of a stretch show
whether it can hold a switch: only such stretches are walked evaluation by evaluation. With the extra ``fast``, long
recordings go the same way, compiled.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import cache, cached_property
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from teachlab.model.arrays import Flags, Floats
from teachlab.model.recording import Block, Light
from teachlab.sensor.edges import Edges, TwoState, joined
from teachlab.sensor.following.turning_walk import Now, walk
from teachlab.sensor.validity import Validity

if TYPE_CHECKING:
    from teachlab.model.following_and_window import TurningPointSetting

STRETCH = 64
"""Number of evaluations that are represented by their extremes."""
FIRST_LOOK, LONGEST_LOOK = 16, 4096
"""Stretches examined together for the next one that can hold a switch: few after a switch, more in quiet light."""
FAST_FROM = 20_000_000
"""Once a process has this many evaluations of all settings together, it is worth loading the compiler."""
ULPS = 8
"""Rounding allowed, in units in the last place, where light is compared with a share of the turning point."""


class TurningPoints:
    """Reads evaluated light block by block through comparators that follow turning points, side by side.

    `evaluations`: how many evaluations will come; those of a process decide between the plain and the compiled way.
    `fast`: whether to use the compiled way of the extra ``fast``; default: for much work, if it is installed.

    Examples
    --------
    >>> from teachlab.model.following_and_window import TurningPointSetting
    >>> dips = TurningPoints([TurningPointSetting(unit="mV", background=50, distance=10, polarity="dark-on")])
    >>> dips.push(np.array([50.0, 60, 49, 45, 50, 51, 52]))
    >>> dips.light_state().edges.tolist()
    [2, 5]
    """

    expected: ClassVar[int] = 0
    """Evaluations of all settings together that were announced in this process so far."""

    def __init__(
        self, settings: Sequence[TurningPointSetting], evaluations: int = 0, *, fast: bool | None = None
    ) -> None:
        self._members = [_Member(setting) for setting in settings]
        self._begun = False
        TurningPoints.expected += len(settings) * evaluations
        self._fast = TurningPoints.expected >= FAST_FROM if fast is None else fast
        self._validity = Validity()
        self._count = 0

    @property
    def first(self) -> bool | None:
        """State of the first comparator at its first valid evaluation; None before it."""
        return self._members[0].first

    @property
    def held(self) -> int:
        """How many edges are held for all of them."""
        return sum(member.held for member in self._members)

    def push(self, light: Light, invalid: Flags | None = None) -> None:
        """Take the next evaluations, in the stored type; NaN need not be flagged."""
        block = Block(0, light, invalid)
        self._validity.push(block.invalid_mask(), light.size)
        values, begin = block.as_float(), self._count
        self._count += light.size
        if not self._begun:
            # Before the record, everything was as at its first valid evaluation: an object there is no edge.
            valid = np.flatnonzero(~np.isnan(values))
            if valid.size == 0:
                return
            at, self._begun = int(valid[0]), True
            for member in self._members:
                member.begin(float(values[at]))
            values, begin = values[at + 1 :], begin + at + 1
        compiled = _compiled() if self._fast else None
        turned: dict[bool, _Stretches] = {}
        for member in self._members:
            if member.rise not in turned:
                turned[member.rise] = _Stretches(-values if member.rise else values, begin)
            member.through(turned[member.rise], compiled)

    def light_states(self) -> list[TwoState]:
        """Return the states so far, in the order of the settings: true is light."""
        return [member.light_state() for member in self._members]

    def light_state(self) -> TwoState:
        """Return the state of the first of them."""
        return self._members[0].light_state()

    def validity(self) -> TwoState:
        """Return which evaluations were invalid so far: true is invalid."""
        return self._validity.state()


@cache
def _compiled() -> Callable[..., tuple[Now, int]] | None:
    """Return the compiled way, or None where the extra ``fast`` is not installed."""
    try:
        from teachlab.sensor.following.compiled import walk_turning_points
    except ImportError:
        return None
    return walk_turning_points


class _Stretches:
    """Light turned so that objects dip, with the extremes of every `STRETCH` evaluations; made when needed."""

    def __init__(self, light: Floats, begin: int) -> None:
        self.light, self.begin = light, begin

    @cached_property
    def extremes(self) -> tuple[Floats, Floats]:
        # fmin and fmax ignore NaN, of invalid light.
        whole = self.light.size // STRETCH * STRETCH
        rows, rest = self.light[:whole].reshape(-1, STRETCH), self.light[whole:]
        low, high = (
            np.append(fold.reduce(rows, axis=1), fold.reduce(rest) if rest.size else rest)
            for fold in (np.fmin, np.fmax)
        )
        return low, high


class _Member:
    """One comparator between two blocks; light is turned so that its objects dip."""

    def __init__(self, setting: TurningPointSetting) -> None:
        self.rise = setting.rise
        self.first: bool | None = None
        self.held = 0
        self._now: Now = (False, math.nan, -setting.background if self.rise else setting.background, math.nan)
        self._share = math.nan if setting.share is None else setting.share
        self._rules = (self._share, setting.taught_distance, setting.return_share, setting.dark_level)
        self._edges: list[Edges] = []

    def light_state(self) -> TwoState:
        seen = bool(self.first)  # an object, in the sense of the comparator
        return TwoState(seen if self.rise else not seen, joined(self._edges))

    def begin(self, x: float) -> None:
        """Take the first valid evaluation."""
        light = [-x if self.rise else x]
        self._now, _ = walk(light, 0, self._now, *self._rules, np.empty(1, np.int64))
        self.first = self._now[0]

    def through(self, stretches: _Stretches, compiled: Callable[..., tuple[Now, int]] | None) -> None:
        light, begin = stretches.light, stretches.begin
        if compiled is not None:
            # As many edges as evaluations are possible. What was found is copied, so that this long array is freed at
            # once.
            edges = np.empty(light.size, np.int64)
            self._now, found = compiled(light, *stretches.extremes, STRETCH, begin, self._now, *self._rules, edges)
            self._take(edges[:found].copy())
            return
        low, high = stretches.extremes
        edges, k, look = np.empty(STRETCH, np.int64), 0, FIRST_LOOK
        while k < low.size:
            stop = min(k + look, low.size)
            quiet = self._quiet(low[k:stop], high[k:stop])
            k, look = k + quiet, min(2 * look, LONGEST_LOOK)
            if k < stop:
                part = light[k * STRETCH : (k + 1) * STRETCH].tolist()
                self._now, found = walk(part, begin + k * STRETCH, self._now, *self._rules, edges)
                self._take(edges[:found].copy())
                k, look = k + 1, FIRST_LOOK

    def _take(self, edges: Edges) -> None:
        if edges.size:
            self._edges.append(edges)
            self.held += edges.size

    def _quiet(self, low: Floats, high: Floats) -> int:
        """Skip the stretches before the first one that can hold a switch; return how many were skipped."""
        seen, bottom, top, distance = self._now
        share, taught, back, dark = self._rules
        with np.errstate(invalid="ignore", over="ignore"):
            if seen:
                # Rounding is monotone: no evaluation of a stretch is further above m than its highest is above its
                # lowest.
                lows = np.fmin(bottom, np.fmin.accumulate(low))
                may = high - lows >= back * distance
            else:
                tops = np.fmax(top, np.fmax.accumulate(high))
                may = tops - low > taught
                if share == share:
                    # M − κ(M − dark) rises with M, except for rounding: the highest M of a stretch decides for all of
                    # it.
                    least = tops - share * (tops - dark)
                    slack = ULPS * np.spacing(np.abs(tops) + abs(dark) + np.abs(low))
                    may = (may & (top <= dark)) | ~(low >= least + slack)  # infinite light: walked
        quiet = int(np.argmax(may)) if may.any() else may.size
        if quiet and seen:
            self._now = (seen, float(lows[quiet - 1]), top, distance)
        elif quiet:
            self._now = (seen, bottom, float(tops[quiet - 1]), distance)
        return quiet
