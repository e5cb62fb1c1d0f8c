"""Tables of the light of a block of labelled passes: statistics of a showing of some passes are computed from them.

A draw shows half of the passes, and hundreds of draws repeat the same passes. So extremes, crossings and the order of
noise are measured once for every pass and gap of the block. For a showing, only the two half gaps at its ends are
measured again. Results are equal to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from teachlab.light.edge_time import EDGE_SHARE
from teachlab.light.lasting_extremes import HELD_EVALUATIONS, Hold, highs
from teachlab.light.shown.level_crossings import LevelCrossings
from teachlab.light.shown.ordered_values import OrderedValues
from teachlab.light.windows import Windows
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import ranges_of
from teachlab.sensor.running_extremes import running_max, running_min

if TYPE_CHECKING:
    from teachlab.light.stretches import Evaluated
    from teachlab.model.recording import Light

Heights = NDArray[np.float64]
Places = NDArray[np.int64]
Where = NDArray[np.intp]
T = TypeVar("T")

AT_ONCE = 1 << 16
"""Number of evaluations that are processed together."""
SAMPLED = 48
"""Number of passes and gaps from which the bins of values are derived."""


@dataclass(frozen=True, slots=True, eq=False)
class DisjointStretches:
    """Ascending, disjoint, non-empty stretches ``[start, stop)`` of a block, evaluations."""

    start: Places
    stop: Places

    @classmethod
    def of(cls, start: Places, stop: Places) -> DisjointStretches:
        """Return the stretches without the empty ones."""
        some = stop > start
        return cls(start[some], stop[some])

    def rows(self, start: Places, stop: Places) -> Where:
        """Return the row of each of the other stretches; −1 where it is not in the table."""
        if self.start.size == 0:
            return np.full(start.size, -1)
        at = np.searchsorted(self.start, start).clip(max=self.start.size - 1)
        return np.where((self.start[at] == start) & (self.stop[at] == stop), at, -1)

    def groups(self, first: int = 0) -> Iterator[tuple[int, int]]:
        """Iterate over runs of stretches that lie within `AT_ONCE` evaluations, or one longer one."""
        while first < self.start.size:
            last = int(np.searchsorted(self.stop, self.start[first] + AT_ONCE, side="right"))
            yield first, max(last, first + 1)
            first = max(last, first + 1)


class EventTable:
    """Tables of a block of labelled passes; each is made at the first request.

    Parameters
    ----------
    evaluated : Evaluated
        The block.
    start, stop : ndarray of int64, shape (passes,), evaluations
        Passes ``[start, stop)`` that may be shown.
    detect : ndarray of bool, shape (passes,)
    border : int, evaluations
        How far windows reach beyond passes.
    """

    def __init__(
        self, evaluated: Evaluated, start: Places, stop: Places, detect: NDArray[np.bool_], border: int
    ) -> None:
        self._evaluated, self._detect, self._border = evaluated, detect, border
        self._passes = DisjointStretches(start, stop)
        self._made: dict[tuple[object, ...], Any] = {}
        self._known: dict[tuple[int, int], dict[Any, Any]] = {}

    def known(self, first: int, last: int) -> dict[Any, Any]:
        """Return what is already known of a stretch."""
        return self._known.setdefault((first, last), {})

    def serves(self, first: int) -> bool:
        """Whether a stretch that starts there is held like the block: it must begin with a valid evaluation."""
        return self._evaluated.kept and not bool(np.isnan(self._evaluated.at(np.array([first])))[0])

    @cached_property
    def strongest(self) -> float:
        """Largest absolute light; NaN counts as none."""
        return max((float(np.fmax.reduce(np.abs(levels), initial=0.0)) for _, levels in self._read()), default=0.0)

    def _read(self) -> Iterator[tuple[int, Heights]]:
        for first in range(0, self._evaluated.stop, AT_ONCE):
            yield first, self._evaluated.read(first, min(first + AT_ONCE, self._evaluated.stop))

    @cached_property
    def _invalid(self) -> DisjointStretches:
        """Runs of invalid evaluations."""
        starts: list[int] = []
        stops: list[int] = []
        open_ = False
        for first, levels in self._read():
            invalid = np.isnan(levels)
            # With the state at the end of the piece before in front, a run that crosses the border stays one run.
            turns = np.flatnonzero(np.diff(invalid, prepend=open_)) + first
            for at in turns.tolist():
                (stops if open_ else starts).append(at)
                open_ = not open_
        stops += [self._evaluated.stop] if open_ else []
        return DisjointStretches(np.array(starts, np.int64), np.array(stops, np.int64))

    @cached_property
    def _void(self) -> DisjointStretches:
        """Runs of void evaluations: the sixth invalid one in a row and later ones."""
        return DisjointStretches.of(self._invalid.start + HELD_EVALUATIONS, self._invalid.stop)

    def clean(self, start: Places, stop: Places) -> NDArray[np.bool_]:
        """Return which stretches hold at least one evaluation and no void one."""
        # So many void runs end at or before the start, and so many begin before the stop: equal numbers mean that none
        # lies within.
        after = np.searchsorted(self._void.stop, start, side="right")
        before = np.searchsorted(self._void.start, stop, side="left")
        out: NDArray[np.bool_] = (stop > start) & (after >= before)
        return out

    def light(self, sign: int, first: int, last: int) -> Heights:
        """Return light, objects upwards; NaN where invalid."""
        out: Heights = sign * self._evaluated.read(first, last)
        return out

    def height(self, sign: int, first: int, last: int) -> Heights:
        """Return held light, objects upwards."""
        light = self.light(sign, first, last)
        invalid = np.isnan(light)
        if not invalid.any():
            return light
        # A stretch that begins with invalid light holds the value from before it.
        if invalid[0]:
            light[0] = sign * self._evaluated.at(self._valid_before(np.array([first])))[0]
            invalid[0] = np.isnan(light[0])
        held = Hold().push(light, invalid)
        return held if held.size else np.zeros(light.size)

    def height_at(self, sign: int, places: Places) -> Heights:
        """Return held light at some places, objects upwards."""
        return sign * self._evaluated.at(self._valid_before(places) if self._invalid.start.size else places)

    def _valid_before(self, places: Places) -> Places:
        """Return the valid evaluation that supplies the value of each place."""
        runs = self._invalid
        at = np.searchsorted(runs.start, places, side="right") - 1
        inside = (at >= 0) & (places < runs.stop[at])
        # Places before the first valid evaluation take its value.
        before = np.where(runs.start[at] > 0, runs.start[at] - 1, runs.stop[at].clip(max=self._evaluated.stop - 1))
        return np.where(inside, before, places)

    @property
    def evaluations(self) -> int:
        """How many evaluations the block has."""
        return self._evaluated.stop

    def thinned(self, first: int, last: int, every: int) -> Light:
        """Return every n-th valid evaluation of a stretch, in the stored type if all are valid."""
        if not self._invalid.start.size:
            return self._evaluated.stored(first, last, every)
        levels = self._evaluated.read(first, last)
        return levels[~np.isnan(levels)][::every]

    def once(self, make: Callable[..., T], *key: Any) -> T:
        """Return the result of a function for a key; it is computed once."""
        known = (make.__name__, *key)
        if known not in self._made:
            self._made[known] = make(*key)
        out: T = self._made[known]
        return out

    @cached_property
    def _windows(self) -> Windows:
        truth = Truth.from_arrays(self._passes.start, self._passes.stop)
        return Windows.of(truth, Clock(self._evaluated.stop, 1.0, 1.0), border=self._border)

    @cached_property
    def gaps(self) -> DisjointStretches:
        """Gaps between the windows, without void time."""
        found = self._windows
        some = self.clean(found.gap_start, found.gap_stop)
        return DisjointStretches(found.gap_start[some], found.gap_stop[some])

    @cached_property
    def windows(self) -> DisjointStretches:
        """Windows of passes, without void time."""
        found = self._windows
        some = self.clean(found.start, found.stop)
        return DisjointStretches(found.start[some], found.stop[some])

    @cached_property
    def shown(self) -> DisjointStretches:
        """The detect passes whose windows hold no void time."""
        some = self._detect & self.clean(self._windows.start, self._windows.stop)
        return DisjointStretches(self._passes.start[some], self._passes.stop[some])

    def extremes(self, sign: int, start: Places, stop: Places, hold: int) -> Heights:
        """Return the highest light of stretches that lasts a given time; measured results are kept."""
        keys, values = self._made.get(("extremes", sign, hold), (np.empty(0, np.int64), np.empty(0)))
        # One number for each stretch: a stop is at most the length of the block, so no two stretches have the same.
        wanted = start * (self._evaluated.stop + 1) + stop
        at = np.searchsorted(keys, wanted)
        new = np.flatnonzero(keys[at.clip(max=keys.size - 1)] != wanted) if keys.size else np.arange(wanted.size)
        if new.size:
            found = self._measured(sign, DisjointStretches(start[new], stop[new]), hold)
            keys, values = np.concatenate((keys, wanted[new])), np.concatenate((values, found))
            order = np.argsort(keys, kind="stable")
            keys, values = keys[order], values[order]
            self._made["extremes", sign, hold] = keys, values
            at = np.searchsorted(keys, wanted)
        out: Heights = values[at]
        return out

    def _measured(self, sign: int, some: DisjointStretches, hold: int) -> Heights:
        few = some.start.size <= 2
        out = []
        for a, b in ((k, k + 1) for k in range(some.start.size)) if few else some.groups():
            first, last = int(some.start[a]), int(some.stop[b - 1])
            out.append(highs(self.height(sign, first, last), some.start[a:b] - first, some.stop[a:b] - first, hold))
        return np.concatenate(out)

    def ordered(self, sign: int, what: Values, among: str) -> OrderedValues:
        """Return the table of values of all gaps, or of all passes that are to be detected."""
        return self.once(self._ordered, sign, what, among)

    def _ordered(self, sign: int, what: Values, among: str) -> OrderedValues:
        some: DisjointStretches = getattr(self, among)

        def scan() -> Iterator[tuple[Heights, Where]]:
            for a, b in some.groups():
                first = int(some.start[a])
                values, size = what.of(self, sign, first, some.start[a:b], some.stop[a:b])
                yield values, np.repeat(np.arange(a, b), size)

        few = {*np.linspace(0, some.start.size - 1, SAMPLED).astype(int).tolist()} if some.start.size else set()
        parts = [what.alone(self, sign, some.start[k], some.stop[k]) for k in sorted(few)]
        sample = np.concatenate(parts) if parts else np.empty(0)
        return OrderedValues(some.start.size, scan, sample, what.expected(sample) if sample.size else ())

    def crossings(self, sign: int, among: str, hold: int) -> tuple[DisjointStretches, LevelCrossings]:
        """Return where windows or gaps cross levels for a given time, and which of them are in the table."""
        return self.once(self._crossings, sign, among, hold)

    def _crossings(self, sign: int, among: str, hold: int) -> tuple[DisjointStretches, LevelCrossings]:
        every: DisjointStretches = getattr(self, among)
        inside = every.stop + hold - 1 <= self._evaluated.stop
        some = DisjointStretches(every.start[inside], every.stop[inside])

        def light() -> Iterator[Heights]:
            for a, b in some.groups():
                first = int(some.start[a])
                lasting = running_max(self.height(sign, first, int(some.stop[b - 1]) + hold - 1), hold)
                for k in range(a, b):
                    yield lasting[some.start[k] - first : some.stop[k] - first]

        return some, LevelCrossings(light())


@dataclass(frozen=True, slots=True)
class Values:
    """Kind of values to be ordered: light, differences of neighbours, or ranges within a number of evaluations.

    Parameters
    ----------
    name : str
    span : int, evaluations
    """

    name: str
    span: int = 0

    def of(self, table: EventTable, sign: int, first: int, start: Places, stop: Places) -> tuple[Heights, Places]:
        """Return the values of stretches from `first` on, concatenated, and the number of values of each."""
        last = int(stop[-1])
        start, stop = start - first, stop - first
        if self.name == "difference":
            light = table.light(sign, first, last)
            return _between_valid(np.diff(light), start, stop - 1)
        light = table.height(sign, first, last)
        if "range" in self.name:
            if light.size < self.span:
                return np.empty(0), np.zeros(start.size, np.int64)
            light = running_max(light, self.span) - running_min(light, self.span)
            # In the middle of a gap, at least one edge away from the passes, or anywhere in it.
            away = 0 if self.name == "whole range" else self.span
            start, stop = start + away, stop - away - self.span + 1
        stop = np.maximum(start, stop)
        return light[ranges_of(start, stop)], stop - start

    def alone(self, table: EventTable, sign: int, start: np.int64, stop: np.int64) -> Heights:
        """Return the values of one stretch."""
        return self.of(table, sign, int(start), np.array([start]), np.array([stop]))[0]

    def expected(self, sample: Heights) -> list[float]:
        """Return approximate values of the order statistics that will be requested."""
        if "range" in self.name:
            return [float(np.quantile(sample, EDGE_SHARE))]
        middle = float(np.median(sample))
        if self.name == "height":
            return [middle]
        away = float(np.median(np.abs(sample - middle)))
        return [middle - away, middle, middle + away]


def _between_valid(difference: Heights, start: Places, stop: Places) -> tuple[Heights, Places]:
    """Return the differences of valid neighbours in stretches, and the number of differences of each."""
    values, size = difference[ranges_of(start, stop)], stop - start
    valid = ~np.isnan(values)
    if not valid.all():
        row = np.repeat(np.arange(start.size), size)
        values, size = values[valid], np.bincount(row[valid], minlength=start.size)
    return values, size
