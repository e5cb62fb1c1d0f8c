"""Tables of the light of a block of labelled passes: statistics of a showing of some passes are computed from them.

A draw shows half of the passes, and hundreds of draws repeat the same passes. So extremes, crossings and the order of
noise are measured once for every pass and gap of the block. For a showing, only the two half gaps at its ends are
measured again. Results are equal to the last bit. The light itself is not kept: each table reads it once, so a block
may be of any length.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar
from weakref import proxy

import numpy as np
from numpy.typing import NDArray

from teachlab.light.edge_time import EDGE_SHARE
from teachlab.light.lasting_extremes import Hold, highs
from teachlab.light.shown.level_crossings import LevelCrossings
from teachlab.light.shown.ordered_values import FEW_BINS, MANY_BINS, OrderedValues
from teachlab.light.shown.pass_heights import outside_passes, pass_heights
from teachlab.light.shown.smallest_steps import smallest_steps
from teachlab.light.windows import Windows
from teachlab.model.arrays import Flags, Where
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import pieces
from teachlab.sensor.output import VOID_FROM
from teachlab.sensor.running_extremes import running_max, running_min

if TYPE_CHECKING:
    from teachlab.light.stretches import Evaluated, SeenLight

Heights = NDArray[np.float64]
Places = NDArray[np.int64]
T = TypeVar("T")

AT_ONCE = 1 << 16
"""Number of evaluations that are processed together."""
SAMPLED = 48
"""Number of passes and gaps from which the bins of values are derived; four times as many in a long block."""
SAMPLED_PIECE = 1 << 12
"""Of each of them about so many evaluations in the middle are looked at for that."""
LONG = 1 << 25
"""A block of more evaluations is long: its values are ordered in narrower bins."""
MOST_CELLS = 1024
"""Values are counted in at most so many cells of neighbouring stretches."""
KNOWN_PASSES = 1 << 19
"""What is known of showings is kept for so many passes together: about 200 bytes each."""
STEPS_TOGETHER = 128
"""The smallest steps of so many showings are found in one reading."""


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

    `start`, `stop` (shape (passes,), evaluations): passes ``[start, stop)`` that may be shown.
    `detect`: shape (passes,).
    `border` (evaluations): how far windows reach beyond passes.
    `seen`: what the first reading of the block showed.
    `strongest`: largest absolute light; NaN counts as none.
    """

    def __init__(
        self, evaluated: Evaluated, start: Places, stop: Places, detect: Flags, border: int, seen: SeenLight
    ) -> None:
        self._evaluated, self._detect, self._border = evaluated, detect, border
        self._passes = DisjointStretches(start, stop)
        self.strongest = seen.strongest
        self._invalid_start, self._invalid_stop = seen.invalid_start, seen.invalid_stop
        self._expected: list[tuple[int, int]] = []
        self._steps: dict[tuple[int, int], float | None] = {}
        self._made: dict[tuple[object, ...], Any] = {}
        self._known: OrderedDict[tuple[int, int], tuple[int, dict[Any, Any]]] = OrderedDict()

    def known(self, first: int, last: int, passes: int) -> dict[Any, Any]:
        """Return what is already known of a showing of so many passes; of many passes, the last showings are kept."""
        found = self._known[first, last] = self._known.pop((first, last), (passes, {}))
        while len(self._known) > 1 and sum(held for held, _ in self._known.values()) > KNOWN_PASSES:
            self._known.popitem(last=False)
        return found[1]

    def serves(self, first: int) -> bool:
        """Whether a stretch that starts there is held like the block: it must begin with a valid evaluation."""
        return not bool(np.isnan(self._evaluated.read(first, first + 1))[0])

    @cached_property
    def _void(self) -> DisjointStretches:
        """Runs of void evaluations: the sixth invalid one in a row and later ones."""
        return DisjointStretches.of(self._invalid_start + VOID_FROM, self._invalid_stop)

    def clean(self, start: Places, stop: Places) -> Flags:
        """Return which stretches hold at least one evaluation and no void one."""
        # So many void runs end at or before the start, and so many begin before the stop: equal numbers mean that none
        # lies within.
        after = np.searchsorted(self._void.stop, start, side="right")
        before = np.searchsorted(self._void.start, stop, side="left")
        out: Flags = (stop > start) & (after >= before)
        return out

    @property
    def exact(self) -> np.dtype[Any]:
        """Type of floating numbers that holds all of the light exactly."""
        return self._evaluated.exact

    def parts(self, first: int, last: int) -> Iterator[Heights]:
        """Iterate over the light of a stretch in parts, as it is stored; NaN is an invalid evaluation."""
        return (light for _, light in self._evaluated.blocks(first, last))

    def heights(self, sign: int, start: Places, stop: Places) -> Iterator[Heights]:
        """Yield the held light of stretches, objects upwards, in one reading; they begin in time order."""
        for first, levels in zip(start.tolist(), self._evaluated.each(start, stop), strict=True):
            yield self._held(sign * levels, sign, first)

    def pieces(
        self, sign: int, some: DisjointStretches, beyond: int = 0, *, held: bool = True
    ) -> Iterator[tuple[int, int, Heights]]:
        """Iterate over stretches in one reading: rows ``[a, b)`` that lie together, and their light, objects upwards.

        The light goes on for some evaluations beyond the last stretch; held, or NaN where invalid.
        """
        groups = np.array([*some.groups()], np.int64).reshape(-1, 2)
        first, last = some.start[groups[:, 0]], some.stop[groups[:, 1] - 1] + beyond
        for (a, b), at, levels in zip(groups.tolist(), first.tolist(), self._evaluated.each(first, last), strict=True):
            light = sign * levels
            yield a, b, self._held(light, sign, at) if held else light

    def height(self, sign: int, first: int, last: int) -> Heights:
        """Return held light, objects upwards."""
        return self._held(sign * self._evaluated.read(first, last), sign, first)

    def _held(self, light: Heights, sign: int, first: int) -> Heights:
        invalid = np.isnan(light)
        if not invalid.any():
            return light
        # A stretch that begins with invalid light holds the value from before it.
        if invalid[0]:
            at = self._valid_before(first)
            light[0] = sign * self._evaluated.read(at, at + 1)[0]
            invalid[0] = np.isnan(light[0])
        held = Hold().push(light, invalid)
        return held if held.size else np.zeros(light.size)

    def _valid_before(self, first: int) -> int:
        """Return the valid evaluation that supplies the value of an invalid one."""
        run = int(np.searchsorted(self._invalid_start, first, side="right")) - 1
        # Evaluations before the first valid one take its value.
        start = int(self._invalid_start[run])
        return start - 1 if start else min(int(self._invalid_stop[run]), self.evaluations - 1)

    @property
    def evaluations(self) -> int:
        """How many evaluations the block has."""
        return self._evaluated.stop

    def expect(self, showings: Iterable[tuple[int, int]]) -> None:
        """Take note of stretches that will be shown: their smallest steps are found together."""
        self._expected = list(dict.fromkeys((*self._expected, *showings)))

    @property
    def repeated(self) -> bool:
        """Whether any such stretches are known: else tables of what is shown alone take less."""
        return bool(self._expected)

    def step(self, first: int, last: int) -> float | None:
        """Return the smallest step between levels of a stretch, in about `STEP_LEVELS` evenly thinned evaluations."""
        known = self._steps
        if (first, last) not in known:
            others = [one for one in self._expected if one not in known and one != (first, last)]
            known.update(smallest_steps(self._evaluated, [(first, last), *others[: STEPS_TOGETHER - 1]]))
        return known[first, last]

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
    def outside_passes(self) -> DisjointStretches:
        """Stretches between passes that are widened by the border, whatever light they have."""
        start, stop = self._passes.start - self._border, self._passes.stop + self._border
        return DisjointStretches.of(*outside_passes(start, stop, self.evaluations))

    def heights_of_passes(self, sign: int, start: Places, end: Places) -> Heights:
        """Return what `pass_heights` does of some passes of the block, shape (2, passes)."""
        out: Heights = self.once(self._pass_heights, sign)[:, self._passes.rows(start, end)]
        return out

    def _pass_heights(self, sign: int) -> Heights:
        some = self._passes
        parts = [
            np.stack(pass_heights(light, 1, some.start[a:b] - some.start[a], some.stop[a:b] - some.start[a]))
            for a, b, light in self.pieces(sign, some, held=False)
        ]
        return np.concatenate(parts, axis=1)

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
        out = []
        for a, b, height in self.pieces(sign, some):
            first = some.start[a]
            out.append(highs(height, some.start[a:b] - first, some.stop[a:b] - first, hold))
        return np.concatenate(out)

    def cell(self, among: str) -> int:
        """Return how many neighbouring gaps, or passes, are counted together."""
        some: DisjointStretches = getattr(self, among)
        return max(1, -(-some.start.size // MOST_CELLS))

    def ordered(self, sign: int, what: Values, among: str) -> OrderedValues:
        """Return the table of values of all gaps, or of all passes that are to be detected, by `cell`."""
        return self.once(self._ordered, sign, what, among)

    def _ordered(self, sign: int, what: Values, among: str) -> OrderedValues:
        some: DisjointStretches = getattr(self, among)
        size, cell = some.start.size, self.cell(among)
        # The table keeps what is made here: a reference back would be a cycle, and all light would be freed late.
        table = proxy(self)

        def scan() -> Iterator[tuple[Heights, Where]]:
            for a, b, light in table.pieces(sign, some, held=what.held):
                values, sizes = what.of(light, some.start[a:b], some.stop[a:b])
                yield values, np.repeat(np.arange(a, b) // cell, sizes)

        long = self.evaluations > LONG
        few = sorted({*np.linspace(0, size - 1, SAMPLED * (4 if long else 1)).astype(int).tolist()}) if size else []
        start, stop = some.start[few], some.stop[few]
        cut = (stop - start - max(SAMPLED_PIECE, 8 * what.span)).clip(min=0) // 2
        sample = self.values(sign, what, start + cut, stop - cut)
        expected = what.expected(sample) if sample.size else ()
        bins, whole = MANY_BINS if long else FEW_BINS, np.int32 if self.evaluations < 1 << 31 else np.int64
        return OrderedValues(-(-size // cell), scan, sample, expected, bins, whole)

    def values(self, sign: int, what: Values, start: Places, stop: Places) -> Heights:
        """Return the values of ascending, disjoint stretches."""
        some = DisjointStretches(start, stop)
        parts = self.pieces(sign, some, held=what.held)
        found = [what.of(light, start[a:b], stop[a:b])[0] for a, b, light in parts]
        return np.concatenate(found) if found else np.empty(0)

    def crossings(self, sign: int, among: str, hold: int) -> tuple[DisjointStretches, LevelCrossings]:
        """Return where windows or gaps cross levels for a given time, and which of them are in the table."""
        return self.once(self._crossings, sign, among, hold)

    def _crossings(self, sign: int, among: str, hold: int) -> tuple[DisjointStretches, LevelCrossings]:
        every: DisjointStretches = getattr(self, among)
        inside = every.stop + hold - 1 <= self._evaluated.stop
        some = DisjointStretches(every.start[inside], every.stop[inside])

        def light() -> Iterator[Heights]:
            for a, b, height in self.pieces(sign, some, hold - 1):
                lasting, first = running_max(height, hold), some.start[a]
                for k in range(a, b):
                    yield lasting[some.start[k] - first : some.stop[k] - first]

        return some, LevelCrossings(light(), self.exact)


@dataclass(frozen=True, slots=True)
class Values:
    """Kind of values to be ordered: light, held or valid, differences of neighbours, or ranges within some evaluations.

    `span`: evaluations.
    """

    name: str
    span: int = 0

    @property
    def held(self) -> bool:
        """Whether they are values of held light."""
        return self.name not in ("difference", "valid light")

    def of(self, light: Heights, start: Places, stop: Places) -> tuple[Heights, Places]:
        """Return the values of stretches, concatenated, and the number of values of each.

        `light` (recording units): from the beginning of the first stretch on.
        `start`, `stop`: shape (n,), evaluations.
        """
        start, stop = start - start[0], stop - start[0]
        if self.name == "valid light":
            return _valid(light, start, stop)
        if self.name == "difference":
            return _valid(np.diff(light), start, stop - 1)
        if "range" in self.name:
            if light.size < self.span:
                return np.empty(0), np.zeros(start.size, np.int64)
            light = running_max(light, self.span) - running_min(light, self.span)
            # In the middle of a gap, at least one edge away from the passes, or anywhere in it.
            away = 0 if self.name == "whole range" else self.span
            start, stop = start + away, stop - away - self.span + 1
        stop = np.maximum(start, stop)
        return pieces(light, start, stop), stop - start

    def expected(self, sample: Heights) -> list[tuple[float, float, int]]:
        """Return where the order statistics that will be requested are expected, as of `OrderedValues`."""
        if "range" in self.name:
            return [(*_around(sample, EDGE_SHARE), 0)]
        middle = _around(sample, 0.5)
        if self.name == "height":
            return [(*middle, 0)]
        near, far = _around(np.abs(sample - float(np.median(sample))), 0.5)
        # A distance from the median is known to two bins.
        return [(middle[0] - far, middle[1] - near, 2), (*middle, 0), (middle[0] + near, middle[1] + far, 2)]


def _around(sample: Heights, share: float) -> tuple[float, float]:
    """Return a range that holds a quantile, from a sample: four standard deviations of its place to either side."""
    away = 4 * math.sqrt(share * (1 - share) / sample.size)
    low, high = np.quantile(sample, (max(share - away, 0.0), min(share + away, 1.0))).tolist()
    return low, high


def _valid(values: Heights, start: Places, stop: Places) -> tuple[Heights, Places]:
    """Return the values of stretches that are not NaN, and their number in each."""
    values, size = pieces(values, start, stop), stop - start
    valid = ~np.isnan(values)
    if not valid.all():
        row = np.repeat(np.arange(start.size), size)
        values, size = values[valid], np.bincount(row[valid], minlength=start.size)
    return values, size
