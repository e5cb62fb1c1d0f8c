"""The evaluated teach block: kept in memory if it is small, otherwise read as needed, and what a reading shows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.extremes import Extremes
from teachlab.light.usable_light import LARGEST
from teachlab.model.recording import BLOCK_SAMPLES, ArraySource, Block, Recording
from teachlab.model.teaching import Levels
from teachlab.sensor.clock import Clock
from teachlab.sensor.evaluated_blocks import evaluated

KEPT_BYTES = 1 << 27
"""Blocks of up to so many bytes in the stored type are kept in memory. Of longer ones what is asked for is read."""

FAR = 1 << 18
"""Stretches that lie so many evaluations apart are read one by one."""


class Evaluated:
    """Evaluations ``[0, stop)`` of a recording; no sample after the last of them is read.

    `stop`: evaluations.
    `left_out` (samples): stretches that are read as invalid.
    `keep`: whether a block that is small enough is kept; otherwise it is read as needed, whatever its size.
    `exact`: of floating numbers, which holds every evaluation exactly.
    """

    def __init__(
        self, recording: Recording, clock: Clock, stop: int, *, left_out: Sequence[tuple[int, int]] = (),
        keep: bool = True,
    ) -> None:  # fmt: skip
        self._recording, self._clock, self.stop = recording, clock, stop
        self.exact: np.dtype[Any] = np.result_type(recording.dtype, np.float32)
        bounds = clock.firsts_at_or_after(np.array(left_out, np.int64).reshape(-1))
        self._left_out = bounds.reshape(-1, 2).tolist()
        self._kept: Block | None = None
        if isinstance(recording.source, ArraySource) and clock.every_sample:
            self._kept = recording.read(0, stop)
        elif keep and stop * recording.dtype.itemsize <= KEPT_BYTES:
            self._kept = Block.gathered(self._stored(0, stop), stop, recording.dtype)

    def read(self, start: int, stop: int) -> Levels:
        """Return the evaluations ``[start, stop)``: a new array, NaN where invalid or left out."""
        return self._shown(start, self._read(start, stop))

    def each(self, start: NDArray[np.int64], stop: NDArray[np.int64]) -> Iterator[Levels]:
        """Yield stretches as of `read`, in one reading; they begin in time order, and may overlap."""
        if self._kept is not None or not start.size:
            yield from (self.read(*ends) for ends in zip(start.tolist(), stop.tolist(), strict=True))
            return
        reach = np.maximum.accumulate(stop)
        # What lies between stretches that are far apart is not read.
        for part in np.split(np.arange(start.size), np.flatnonzero(start[1:] > reach[:-1] + FAR) + 1):
            blocks = self.blocks(int(start[part[0]]), int(reach[part[-1]]))
            held: list[tuple[int, Levels]] = []
            upto = 0
            for a, b in zip(start[part].tolist(), stop[part].tolist(), strict=True):
                while a < b and upto < b:
                    held.append(next(blocks))
                    upto = held[-1][0] + held[-1][1].size
                held = [(begin, levels) for begin, levels in held if begin + levels.size > a]
                parts = [levels[max(a - begin, 0) : max(b - begin, 0)] for begin, levels in held]
                yield np.concatenate(parts) if parts else np.empty(0, np.float64)

    def _shown(self, start: int, levels: Levels) -> Levels:
        for first, last in self._left_out:
            # Not below 0: a stretch before these evaluations must give an empty slice, not one that is counted from the
            # end.
            levels[max(first - start, 0) : max(last - start, 0)] = np.nan
        return levels

    def _read(self, start: int, stop: int) -> Levels:
        if self._kept is not None:
            return self._kept.part(start, stop).as_float()
        if stop <= start:
            return np.empty(0, np.float64)
        if stop - start > BLOCK_SAMPLES:
            out = np.empty(stop - start, np.float64)
            for block in self._stored(start, stop):
                out[block.start - start : block.stop - start] = block.as_float()
            return out
        if self._clock.every_sample:
            return self._recording.read(start, stop).as_float()
        samples = self._clock.sample_of(np.arange(start, stop))
        first = int(samples[0])
        return self._recording.read(first, int(samples[-1]) + 1).as_float()[samples - first]

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[tuple[int, Levels]]:
        """Iterate over evaluations ``[start, stop)`` in time order, as (first evaluation, levels); default: all."""
        stop = self.stop if stop is None else stop
        if self._kept is None:
            for block in self._stored(start, stop):
                yield block.start, self._shown(block.start, block.as_float())
            return
        for first in range(start, stop, BLOCK_SAMPLES):
            yield first, self.read(first, min(first + BLOCK_SAMPLES, stop))

    def _stored(self, start: int, stop: int) -> Iterator[Block]:
        """Iterate over blocks of evaluations in the stored type; their light may belong to the recording."""
        if stop <= start:
            return
        first, last = self._clock.sample_of(np.array([start, stop - 1])).tolist()
        yield from evaluated(self._recording.blocks(first, last + 1), self._clock)


class EvaluatedPart(Evaluated):
    """Evaluations ``[first, last)`` of a block, counted from 0, as if the block began and ended there."""

    def __init__(self, whole: Evaluated, first: int, last: int) -> None:
        self._whole, self._first, self._kept = whole, first, None
        self.stop, self.exact = last - first, whole.exact

    def read(self, start: int, stop: int) -> Levels:
        """Return the evaluations ``[start, stop)``: a new array, NaN where invalid or left out."""
        return self._whole.read(self._first + start, self._first + stop)

    def blocks(self, start: int = 0, stop: int | None = None) -> Iterator[tuple[int, Levels]]:
        """Iterate over evaluations ``[start, stop)`` in time order, as (first evaluation, levels); default: all."""
        stop = self.stop if stop is None else stop
        for at, levels in self._whole.blocks(self._first + start, self._first + stop):
            yield at - self._first, levels


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Disjoint stretches ``[start, stop)`` of evaluations in time order, with their extremes.

    `start`, `stop`: shape (n,), evaluations.
    `valid` (shape (n,)): valid evaluations of each.
    `low`, `high` (shape (n,), recording units): extremes of the valid evaluations; NaN where there is none.
    """

    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    valid: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]

    def select(self, rows: NDArray[np.bool_]) -> Stretches:
        """Return some of the stretches."""
        return Stretches(self.start[rows], self.stop[rows], self.valid[rows], self.low[rows], self.high[rows])

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Whether each stretch holds valid light that is small enough for calculation."""
        return np.asarray((self.valid > 0) & (np.abs((self.low, self.high)) < LARGEST).all(axis=0))

    def middles(self) -> NDArray[np.float64]:
        """Return the middle between the extremes of each usable stretch, recording units."""
        usable = self.select(self.usable)
        return np.asarray((usable.low + usable.high) / 2)


@dataclass(frozen=True, slots=True, eq=False)
class SeenLight:
    """What one reading of evaluations shows, whatever lies in them.

    `strongest` (recording units): largest absolute light; 0 where none is valid.
    `invalid_start`, `invalid_stop` (shape (runs,), evaluations): runs ``[start, stop)`` of invalid evaluations.
    """

    strongest: float
    invalid_start: NDArray[np.int64]
    invalid_stop: NDArray[np.int64]

    def within(self, first: int, last: int) -> SeenLight:
        """Return what evaluations ``[first, last)`` show, counted from the first; their light may be less strong."""
        start, stop = (np.clip(at, first, last) - first for at in (self.invalid_start, self.invalid_stop))
        some = stop > start
        return SeenLight(self.strongest, start[some], stop[some])


Places = NDArray[np.int64]


def measure(evaluated: Evaluated, *several: tuple[Places, Places]) -> tuple[list[Stretches], SeenLight]:
    """Measure several sets of disjoint, ascending, non-empty stretches in one reading of the evaluations."""
    found = [Extremes(start, stop) for start, stop in several]
    strongest, open_ = 0.0, False
    turns: list[NDArray[np.intp]] = []
    for first, levels in evaluated.blocks():
        invalid = np.isnan(levels)
        some = bool(invalid.any())
        for one in found:
            one.push(first, levels, invalid if some else None)
        for extreme in (np.fmax, np.fmin):
            strongest = max(strongest, abs(float(extreme.reduce(levels, initial=0.0))))
        if some or open_:
            # With the state at the end of the block before in front, a run that crosses the border stays one run.
            turns.append(np.flatnonzero(np.diff(invalid, prepend=open_)) + first)
            open_ = bool(invalid[-1])
    at = np.concatenate([*turns, [evaluated.stop]] if open_ else [*turns, []]).astype(np.int64)
    stretches = [
        Stretches(start, stop, one.valid, one.low, one.high) for (start, stop), one in zip(several, found, strict=True)
    ]
    return stretches, SeenLight(strongest, at[::2], at[1::2])
