"""The lowest and highest sample of every pass, gap or column of a picture, in one reading of the blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np

from teachlab.model.arrays import Flags, Floats, Integers, Where
from teachlab.model.recording import Block, Light
from teachlab.sensor.edges import ranges_of

TOGETHER = 512
"""Cells whose light stays in the cache from the search for the lowest to that for the highest."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """A block without an invalid sample, divided into cells; no cell crosses a border of a stretch.

    One reading of the light then serves everything that needs extremes of stretches or places where a level is met.
    `start`: sample index of the first sample.
    `light`: shape (n,), recording units.
    `cuts` (shape (cells,)): first sample of each cell, from 0 on.
    `low`, `high` (shape (cells,), recording units): extremes of each, in the stored type.
    """

    start: int
    light: Light
    cuts: Where
    low: Light
    high: Light

    @classmethod
    def of(cls, block: Block, borders: Integers, length: int) -> Self | None:
        """Divide a block at ascending borders (samples of the record), and after every `length` samples.

        None for an empty block, and for a block with an invalid sample.
        """
        size = block.light.size
        if size == 0 or (block.invalid is not None and block.invalid.any()):
            return None
        a, b = np.searchsorted(borders, (block.start, block.start + size))
        cuts = np.concatenate((np.arange(0, size, length), borders[a:b] - block.start))
        cuts.sort()
        cuts = cuts[np.append(True, cuts[1:] != cuts[:-1])]
        low, high = np.empty((2, cuts.size), block.light.dtype)
        for k in range(0, cuts.size, TOGETHER):
            some = cuts[k : k + TOGETHER]
            piece = block.light[some[0] : cuts[k + TOGETHER] if k + TOGETHER < cuts.size else size]
            np.minimum.reduceat(piece, some - some[0], out=low[k : k + TOGETHER])
            np.maximum.reduceat(piece, some - some[0], out=high[k : k + TOGETHER])
        # A minimum propagates NaN.
        if low.dtype.kind == "f" and np.isnan(low.min()):
            return None
        return cls(block.start, block.light, cuts, low, high)

    @property
    def stop(self) -> int:
        """Index after the last sample."""
        return self.start + self.light.size

    def index(self, samples: Integers) -> Where:
        """Return which cell begins at each border; for borders outside the block, the number behind the last cell."""
        return np.searchsorted(self.cuts, samples - self.start)

    def samples(self, some: Flags) -> Where:
        """Return the places in the block of all samples of some cells."""
        return ranges_of(self.cuts[some], np.append(self.cuts[1:], self.light.size)[some])

    def told_by(self, side: Light, whole: Flags) -> tuple[Light, Where]:
        """Return all samples of some cells and one value of each other cell, with every cell's start and the last end.

        `side` (shape (cells,)): the one value of each cell.
        `whole`: shape (cells,).
        """
        ends = np.where(whole, np.append(self.cuts[1:], self.light.size), self.cuts + 1)
        at = np.concatenate(([0], np.cumsum(ends - self.cuts)))
        values = self.light[ranges_of(self.cuts, ends)]
        values[at[:-1][~whole]] = side[~whole]
        return values, at


class Extremes:
    """Reads light block by block and keeps the extremes of disjoint stretches.

    `start`, `stop` (shape (n,), samples): stretches ``[start, stop)``, ascending and disjoint; they may touch, and may
    be empty.
    `low`, `high` (shape (n,), recording units): extremes of the valid samples so far; NaN without any.
    `valid` (shape (n,)): valid samples so far.

    Examples
    --------
    >>> found = Extremes(np.array([0, 3]), np.array([2, 5]))
    >>> found.push(0, np.array([5, 7, 9, 1]))
    >>> found.push(4, np.array([4]))
    >>> found.low.tolist(), found.high.tolist(), found.valid.tolist()
    ([5.0, 1.0], [7.0, 4.0], [2, 2])
    """

    def __init__(self, start: Integers, stop: Integers) -> None:
        self._rows = np.flatnonzero(stop > start)
        self._start, self._stop = start[self._rows], stop[self._rows]
        self.low = np.full(start.size, np.nan)
        self.high = np.full(start.size, np.nan)
        self.valid = np.zeros(start.size, np.int64)

    def push(self, first: int, light: Light, invalid: Flags | None = None) -> None:
        """Take consecutive samples.

        `first`: sample index of the first element.
        `light` (shape (n,), recording units): in the stored type.
        `invalid` (shape (n,)): every invalid sample, including NaN.
        """
        holes = None if invalid is None else np.flatnonzero(invalid)
        self.push_valid(first, light.size, light if invalid is None else light[~invalid], holes)

    def push_valid(self, first: int, size: int, light: Light, holes: Where | None) -> None:
        """Take consecutive samples, of which those that are valid are given, and where among all the others lie."""
        a = int(np.searchsorted(self._stop, first, side="right"))
        b = int(np.searchsorted(self._start, first + size, side="left"))
        if a >= b:
            return
        cuts = np.column_stack([self._start[a:b], self._stop[a:b]]).ravel()
        cuts = (cuts - first).clip(0, size)
        if holes is not None:
            cuts = cuts - np.searchsorted(holes, cuts)
        self._take(a, b, cuts, cuts, light, light)

    def push_cells(self, cells: Cells) -> None:
        """Take consecutive valid samples that are cut at all borders of these stretches."""
        a = int(np.searchsorted(self._stop, cells.start, side="right"))
        b = int(np.searchsorted(self._start, cells.stop, side="left"))
        if a >= b:
            return
        ends = np.column_stack([self._start[a:b], self._stop[a:b]]).ravel()
        self._take(a, b, cells.index(ends), (ends - cells.start).clip(0, cells.light.size), cells.low, cells.high)

    def _take(self, a: int, b: int, cuts: Where, samples: Integers, low: Light, high: Light) -> None:
        """Take stretches `a` to `b` from the lowest and highest light of pieces that begin at the cuts."""
        # For an empty stretch, reduceat returns the first element: empty stretches are left out beforehand.
        some = cuts[1::2] > cuts[0::2]
        if not some.any():
            return
        rows = self._rows[a:b][some]
        self.valid[rows] += (samples[1::2] - samples[0::2])[some]
        cuts = np.column_stack([cuts[0::2][some], cuts[1::2][some]]).ravel()
        # fmin and fmax let a stretch that began in an earlier block start from NaN.
        self.low[rows] = np.fmin(self.low[rows], reduced(np.minimum, low, cuts))
        self.high[rows] = np.fmax(self.high[rows], reduced(np.maximum, high, cuts))


def reduced(reduction: Any, light: Light, cuts: Integers) -> Floats:
    """Return an extreme of each stretch of light that lies between the next two of some cuts."""
    # Every second piece is a stretch; a last cut at the end of the light would point to no element.
    inner = cuts[:-1] if cuts[-1] == light.size else cuts
    found: Floats = reduction.reduceat(light, inner)[::2].astype(np.float64)
    return found


def inside(first: int, size: int, start: Integers, stop: Integers) -> Flags:
    """Return which of the samples ``first … first + size − 1`` lie in disjoint ascending stretches.

    Examples
    --------
    >>> inside(10, 5, np.array([0, 13]), np.array([11, 99])).tolist()
    [True, False, False, True, True]
    """
    a = int(np.searchsorted(stop, first, side="right"))
    b = int(np.searchsorted(start, first + size, side="left"))
    flips = np.zeros(size + 1, np.int8)
    # Touching stretches flip twice at one place: the sum keeps both.
    np.add.at(flips, (start[a:b] - first).clip(0, size), 1)
    np.subtract.at(flips, (stop[a:b] - first).clip(0, size), 1)
    # Of disjoint stretches a sample lies in none or in one: the sum is 0 or 1, and its bytes are those of a bool.
    out: Flags = np.cumsum(flips[:size], dtype=np.int8).view(np.bool_)
    return out
