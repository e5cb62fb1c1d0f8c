"""The levels at which a surface is counted, and other results of a first reading: extremes and validity."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError
from teachlab.light.noise import Selection
from teachlab.model.memory import need_memory
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Block, Light, Recording
from teachlab.sensor.clock import Clock, no_valid_sample
from teachlab.sensor.comparator import compares_exactly
from teachlab.sensor.edges import TwoState
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.validity import Validity

if TYPE_CHECKING:
    from teachlab.sensor.output import Output

Levels = NDArray[np.float64]
"""Ascending levels, float64, shape (n,), recording units."""

MOST_DISTINCT = 1100
"""Up to this number of distinct levels, all of them are levels of the surface."""
STATED_WHOLE, STATED_INNER = 400, 600
"""If there are more: so many levels are spread evenly over the whole range, and over the range with most light."""
INNER = (0.001, 0.999)
"""Quantiles of the light that bound the inner range, so that one spike does not take all levels."""
LOOKED_AT = 61
"""One evaluation in so many is used for the inner range."""
MOST_LEVELS = 8000
PAIR_BYTES = 100
"""Bytes for a pair of levels while its counts are made."""
"""Ranks are kept as int16, four kinds of trial beside them."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Evaluations:
    """What must be known of a recording before settings are counted on it.

    `first` (recording units): the first valid evaluation.
    """

    clock: Clock
    first: float
    invalid: TwoState

    @classmethod
    def of(cls, recording: Recording, output: Output) -> Evaluations:
        """Take them from a replay of the recording: one sample is read."""
        invalid, clock = output.invalid, output.clock
        at = int(clock.sample_of(invalid.edges[:1] if invalid.first else np.zeros(1, np.int64))[0])
        return cls(clock=clock, first=float(recording.read(at, at + 1).as_float()[0]), invalid=invalid)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FirstReading(Evaluations):
    """Results of one reading of a recording before anything is counted.

    `low`, `high` (recording units): finite extremes of the evaluated light.
    `distinct` (shape (n,)): the distinct levels, None if there are more than `MOST_DISTINCT`.
    `inner` (recording units): range that holds most of the light, from an even selection.
    """

    low: float
    high: float
    distinct: Levels | None
    inner: tuple[float, float]


class _Distinct:
    """Collects distinct values until there are too many."""

    def __init__(self, dtype: np.dtype[Any]) -> None:
        self._small = dtype.kind in "iu" and dtype.itemsize <= 2
        if self._small:
            info = np.iinfo(dtype)
            self._low = int(info.min)
            self._seen = np.zeros(int(info.max) - self._low + 1, bool)
        self._values: Levels | None = np.empty(0, np.float64)

    def push(self, valid: Light) -> None:
        if self._small:
            self._seen[valid.astype(np.intp) - self._low] = True
        elif self._values is not None:
            # A few samples already show whether there are too many.
            few = valid[:4096]
            found = np.union1d(self._values, np.unique(few).astype(np.float64))
            if found.size <= MOST_DISTINCT + 2:
                found = np.union1d(self._values, np.unique(valid).astype(np.float64))
            # One more than allowed: infinite samples are no levels, and are dropped at the end.
            self._values = found if found.size <= MOST_DISTINCT + 2 else None

    def levels(self) -> Levels | None:
        if self._small:
            self._values = (np.flatnonzero(self._seen) + self._low).astype(np.float64)
        if self._values is None:
            return None
        finite = self._values[np.isfinite(self._values)]
        return finite if finite.size <= MOST_DISTINCT else None


class FirstLook:
    """A first reading in progress: blocks in, at the end what is known before anything is counted.

    `inner_range`: otherwise the inner range is the whole range: it is not needed if levels are given.
    """

    def __init__(self, recording: Recording, evaluation_rate_hz: float | None, *, inner_range: bool = True) -> None:
        self._recording, self.evaluation_rate_hz, self._inner = recording, evaluation_rate_hz, inner_range
        self.restart()

    def restart(self) -> None:
        """Forget what was taken so far."""
        recording, evaluation_rate_hz = self._recording, self.evaluation_rate_hz
        self._clock = Clock.of(recording.samples, recording.info.sample_rate_hz, evaluation_rate_hz)
        self._validity, self._distinct = Validity(), _Distinct(recording.dtype)
        self._low, self._high, self._first = np.inf, -np.inf, math.nan
        self._some = Selection(1 << 16)
        self._looked_at = 0  # goes on from block to block, so that levels do not depend on how the light is cut
        self._pushed = 0

    @property
    def whole(self) -> bool:
        """Whether every sample was taken."""
        return self._pushed == self._recording.samples

    def push(self, block: Block) -> None:
        """Take the next samples."""
        self._pushed += block.light.size
        for seen in evaluated((block,), self._clock):
            if seen.light.size:
                self._take(seen)

    def _take(self, block: Block) -> None:
        # A minimum propagates NaN: if the minimum is not NaN, there is none.
        lowest = block.light.min()
        sound = block.invalid is None and not np.isnan(lowest)
        invalid = None if sound else block.invalid_mask()
        self._validity.push(invalid, block.light.size)
        valid = block.light if invalid is None else block.light[~invalid]
        if valid.size == 0:
            return
        if not compares_exactly(valid.dtype):
            valid = valid.astype(np.float64)
        self._first = float(valid[0]) if math.isnan(self._first) else self._first
        self._distinct.push(valid)
        if self._inner:
            few = valid[-self._looked_at % LOOKED_AT :: LOOKED_AT].astype(np.float64)
            self._looked_at += valid.size
            self._some.push(few[np.isfinite(few)])
        bottom, top = float(lowest if sound else valid.min()), float(valid.max())
        if not (np.isfinite(bottom) and np.isfinite(top)):
            finite = valid[np.isfinite(valid)]
            bottom, top = float(finite.min(initial=np.inf)), float(finite.max(initial=-np.inf))
        self._low, self._high = min(self._low, bottom), max(self._high, top)

    def read(self) -> FirstReading:
        """Take the whole recording, and return what was found."""
        self.restart()
        for block in self._recording.blocks():
            self.push(block)
        return self.reading()

    def reading(self) -> FirstReading:
        """Return what was found, once every sample was taken."""
        if math.isnan(self._first):
            raise no_valid_sample(self._recording.name, self._recording.samples)
        low, high = self._low, self._high
        if low > high:  # nothing but infinities: any level will do
            low = high = 0.0
        seen = self._some.values()
        inner = tuple(np.quantile(seen, INNER).tolist()) if seen.size else (low, high)
        return FirstReading(
            clock=self._clock, first=self._first, invalid=self._validity.state(), low=low, high=high,
            distinct=self._distinct.levels(), inner=(inner[0], inner[1]),
        )  # fmt: skip


def read_first(recording: Recording, evaluation_rate_hz: float | None, *, inner_range: bool = True) -> FirstReading:
    """Read a recording once for its extremes, its distinct levels and its invalid evaluations; see `FirstLook`."""
    return FirstLook(recording, evaluation_rate_hz, inner_range=inner_range).read()


def stated_levels(readings: Sequence[FirstReading]) -> tuple[Levels, bool]:
    """Return the levels to count at, and whether they are all the distinct ones.

    All distinct levels of the recordings if there are at most `MOST_DISTINCT` together. Otherwise 1,000: 400 spread
    evenly from the lowest to the highest light, and 600 over the range between its 0.1 and 99.9 % quantiles.
    """
    found = [r.distinct for r in readings]
    every = None
    if all(levels is not None for levels in found):
        every = np.unique(np.concatenate([levels for levels in found if levels is not None]))
    if every is not None and every.size == 0:
        every = np.zeros(1)
    if every is not None and every.size <= MOST_DISTINCT:
        return every, True
    low, high = min(r.low for r in readings), max(r.high for r in readings)
    inner = min(r.inner[0] for r in readings), max(r.inner[1] for r in readings)
    spread = np.union1d(np.linspace(low, high, STATED_WHOLE), np.linspace(*inner, STATED_INNER))
    while spread.size < STATED_WHOLE + STATED_INNER:
        # Levels that both selections contain are replaced where the steps are widest.
        widest = np.argsort(np.diff(spread), kind="stable")[-(STATED_WHOLE + STATED_INNER - spread.size) :]
        spread = np.union1d(spread, (spread[widest] + spread[widest + 1]) / 2)
    return spread, False


def checked(levels: Levels) -> Levels:
    """Return levels ascending and distinct; refuse levels that cannot be counted at."""
    out = np.unique(np.asarray(levels, np.float64).reshape(-1))
    if out.size == 0 or not np.isfinite(out).all() or out.size > MOST_LEVELS:
        raise ParameterError(
            f"a surface needs 1 … {MOST_LEVELS} finite levels, got {out.size}"
            + (" with some that are not finite" if not np.isfinite(out).all() else "")
            + ". Give fewer levels, or leave them out."
        )
    need_memory(PAIR_BYTES * out.size**2, f"a surface of {number_of(out.size, 'level')}", "Give fewer levels.")
    return out
