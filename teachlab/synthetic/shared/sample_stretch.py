"""A stretch of samples, on which every effect works."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from teachlab.errors import ScenarioError
from teachlab.model.arrays import Floats, Floats32, Integers
from teachlab.synthetic.shared.streams import CHUNK, stream


@dataclass(frozen=True, slots=True)
class SampleStretch:
    """One chunk of samples of a recording that is being generated.

    `index`: number of the chunk; its first sample is ``index · CHUNK``.
    `position_mm` (shape (CHUNK,), mm): belt position of every sample; never falls.
    """

    index: int
    seed: int
    rate_hz: float
    position_mm: Floats

    @property
    def time_s(self) -> Floats:
        """Time of every sample since the recording began, float64, shape (CHUNK,), seconds."""
        return numbers(self.index) / self.rate_hz

    def stream(self, effect: str) -> np.random.Generator:
        """Return the random stream of an effect for this chunk."""
        return stream(self.seed, effect, self.index)


_FIRST = np.arange(CHUNK, dtype=np.float64)
_FIRST.setflags(write=False)


def numbers(index: int) -> Floats:
    """Return the numbers of the samples of a chunk, as float64."""
    # whole numbers are exact, and adding is faster than counting
    return _FIRST + float(index * CHUNK)


MOST_OVERLAPS = 200
MOST_PAIRS = MOST_OVERLAPS * CHUNK
"""Pairs of a sample and an effect in one stretch: half a gigabyte, about a second."""


def near(position: Floats, low: Floats, high: Floats) -> tuple[Integers, Integers]:
    """Return which samples lie within each interval, as pairs (sample, interval), interval by interval.

    `position` (ascending): place or time of the samples.
    `low`, `high` (shape (k,)): intervals, closed.
    Raises ScenarioError if so many intervals overlap that the pairs would take gigabytes.
    """
    first = np.searchsorted(position, low, side="left")
    count = np.searchsorted(position, high, side="right") - first
    if (pairs := int(count.sum())) > MOST_PAIRS:
        raise ScenarioError(
            f"about {pairs / position.size:,.0f} edges, marks, glints or bursts act on every sample at once; at most "
            f"{MOST_PAIRS // position.size:,} can be reckoned with. Put them further apart, or make them or the beam "
            "smaller."
        )
    # A range a … a + n − 1 for each interval, all in one array: counting through, less where each one began.
    owner = np.repeat(np.arange(low.size), count)
    start = np.cumsum(count) - count
    sample = np.arange(owner.size) - np.repeat(start - first, count)
    return sample, owner


def steps(position: Floats, edges: Floats, after: Floats, before: float) -> Floats32:
    """Return a piecewise constant signal: `before`, and from each edge on the value after it.

    At the edge itself the new value holds: samples at ``position >= edge`` have the value after it.
    """
    lengths = np.empty(edges.size + 1, np.int64)
    lengths[:-1] = np.searchsorted(position, edges, side="left")
    lengths[-1] = position.size
    lengths[1:] -= lengths[:-1].copy()
    values = np.empty(edges.size + 1, np.float32)
    values[0], values[1:] = before, after
    return np.repeat(values, lengths)


def turns(cycles: Floats) -> Floats32:
    """Return the phase of so many cycles in radians, reduced before it loses digits."""
    return (cycles - np.floor(cycles)).astype(np.float32) * np.float32(2 * np.pi)
