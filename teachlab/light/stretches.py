"""The evaluated teach block: kept in memory if it is small enough, otherwise read as needed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.light.extremes import Extremes
from teachlab.light.usable_light import LARGEST
from teachlab.model.memory import allowed_memory
from teachlab.model.recording import BLOCK_SAMPLES, ArraySource, Block, Light, Recording
from teachlab.model.teaching import Levels
from teachlab.sensor.clock import Clock
from teachlab.sensor.evaluated_blocks import evaluated

KEPT_EVALUATIONS = 50_000_000
"""Blocks of up to this many evaluations are kept in memory, in the stored type."""
KEPT_SHARE = 1 / 8
"""Longer ones are kept too if they take no more than this share of the memory that may be used."""


class Evaluated:
    """Evaluations ``[0, stop)`` of a recording; no sample after the last of them is read.

    Parameters
    ----------
    recording : Recording
    clock : Clock
        Which sample every evaluation reads.
    stop : int, evaluations
    left_out : sequence of (int, int), samples
        Stretches that are read as invalid.
    keep : bool
        Whether a block that is small enough is kept; otherwise it is read as needed, whatever its size.
    """

    def __init__(
        self, recording: Recording, clock: Clock, stop: int, *, left_out: Sequence[tuple[int, int]] = (),
        keep: bool = True,
    ) -> None:  # fmt: skip
        self._recording, self._clock, self.stop = recording, clock, stop
        bounds = clock.firsts_at_or_after(np.array(left_out, np.int64).reshape(-1))
        self._left_out = bounds.reshape(-1, 2).tolist()
        self._kept: Block | None = None
        if isinstance(recording.source, ArraySource) and clock.every_sample:
            self._kept = recording.read(0, stop)
        elif keep and (stop <= KEPT_EVALUATIONS or stop * recording.dtype.itemsize <= KEPT_SHARE * allowed_memory()):
            self._kept = self._load()

    def read(self, start: int, stop: int) -> Levels:
        """Return the evaluations ``[start, stop)``: a new array, NaN where invalid or left out."""
        return self._without(start, self._read(start, stop))

    def each(self, start: NDArray[np.int64], stop: NDArray[np.int64]) -> Iterator[Levels]:
        """Yield stretches as of `read`, in one reading; they begin in time order, and may overlap."""
        if self._kept is not None or not start.size:
            yield from (self.read(*ends) for ends in zip(start.tolist(), stop.tolist(), strict=True))
            return
        first, last = self._clock.sample_of(np.array([start[0], max(stop.max() - 1, start[0])])).tolist()
        blocks = evaluated(self._recording.blocks(first, last + 1), self._clock)
        held: list[tuple[int, Levels]] = []
        upto = 0
        for a, b in zip(start.tolist(), stop.tolist(), strict=True):
            while upto < b:
                block = next(blocks)
                held.append((block.start, block.as_float()))
                upto = block.start + block.light.size
            held = [(begin, levels) for begin, levels in held if begin + levels.size > a]
            parts = [levels[max(a - begin, 0) : max(b - begin, 0)] for begin, levels in held]
            yield self._without(a, np.concatenate(parts) if parts else np.empty(0, np.float64))

    def _without(self, start: int, levels: Levels) -> Levels:
        """Return evaluations from `start` on with NaN where they are left out."""
        for first, last in self._left_out:
            # Not below 0: a stretch before these evaluations must give an empty slice, not one that is counted from the
            # end.
            levels[max(first - start, 0) : max(last - start, 0)] = np.nan
        return levels

    def _read(self, start: int, stop: int) -> Levels:
        if self._kept is not None:
            invalid = None if self._kept.invalid is None else self._kept.invalid[start:stop]
            return Block(start, self._kept.light[start:stop], invalid).as_float()
        if stop <= start:
            return np.empty(0, np.float64)
        if self._clock.every_sample:
            return self._recording.read(start, stop).as_float()
        samples = self._clock.sample_of(np.arange(start, stop))
        first = int(samples[0])
        return self._recording.read(first, int(samples[-1]) + 1).as_float()[samples - first]

    @property
    def kept(self) -> bool:
        """Whether all evaluations are in memory, so that single places can be read."""
        return self._kept is not None

    def at(self, places: NDArray[np.int64]) -> Levels:
        """Return the evaluations at some places of the kept light: float64, NaN where invalid or left out."""
        if self._kept is None:
            raise ValueError("single evaluations are at hand of a block that is kept only.")
        invalid = None if self._kept.invalid is None else self._kept.invalid[places]
        levels = Block(0, self._kept.light[places], invalid).as_float()
        for first, last in self._left_out:
            levels[(places >= first) & (places < last)] = np.nan
        return levels

    def stored(self, first: int, last: int, every: int) -> Light:
        """Return every n-th evaluation of a stretch of the kept light in its stored type, valid or not."""
        if self._kept is None:
            raise ValueError("the stored light is at hand of a block that is kept only.")
        return self._kept.light[first:last:every]

    def blocks(self) -> Iterator[tuple[int, Levels]]:
        """Iterate over all evaluations in time order, as (first evaluation, levels)."""
        for start in range(0, self.stop, BLOCK_SAMPLES):
            yield start, self.read(start, min(start + BLOCK_SAMPLES, self.stop))

    def _load(self) -> Block:
        light = np.empty(self.stop, self._recording.dtype)
        invalid: NDArray[np.bool_] | None = None
        for block in self._recording.blocks(0, self._samples()):
            a = self._clock.first_at_or_after(block.start)
            b = min(self._clock.first_at_or_after(block.start + block.light.size), self.stop)
            every = self._clock.every_sample
            picked = slice(0, b - a) if every else self._clock.sample_of(np.arange(a, b)) - block.start
            light[a:b] = block.light[picked]
            if block.invalid is not None:
                invalid = np.zeros(self.stop, bool) if invalid is None else invalid
                invalid[a:b] = block.invalid[picked]
        return Block(0, light, invalid)

    def _samples(self) -> int:
        return int(self._clock.sample_of(np.array([self.stop - 1]))[0]) + 1 if self.stop else 0


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """Disjoint stretches ``[start, stop)`` of evaluations in time order, with their extremes.

    Parameters
    ----------
    start, stop : ndarray of int64, shape (n,), evaluations
    valid : ndarray of int64, shape (n,)
        Valid evaluations of each.
    low, high : ndarray of float64, shape (n,), recording units
        Extremes of the valid evaluations; NaN where there is none.
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


def measure(evaluated: Evaluated, start: NDArray[np.int64], stop: NDArray[np.int64]) -> Stretches:
    """Measure disjoint, ascending, non-empty stretches in one pass over the evaluations."""
    found = Extremes(start, stop)
    for first, levels in evaluated.blocks():
        invalid = np.isnan(levels)
        found.push(first, levels, invalid if invalid.any() else None)
    return Stretches(start, stop, found.valid, found.low, found.high)
