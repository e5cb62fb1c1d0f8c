"""From light to ranks: how many levels lie at or below a sample."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Light
from teachlab.sensor.comparator import compares_exactly

if TYPE_CHECKING:
    from teachlab.questions.surface.values.levels import Levels

Ranks = NDArray[np.int16]
"""Ranks 0 … levels, int16, shape (n,): ``x >= levels[i]`` exactly if ``rank > i``."""

MOST_STEPS = 3
CELLS_PER_LEVEL = (4, 16, 64)
MANY = 0.3
"""If this share of the light lies between the outermost levels, all of it is ranked in the same way."""


class Ranker:
    """Ranks light among levels, exactly, in the stored type.

    Small integers are looked up. Other light is placed into equal cells by one multiplication. A cell knows how many
    levels lie in lower cells, and the few levels in the cell itself are compared. If cells hold many levels each, as
    with taught levels, a binary search is used.

    `levels`: shape (n,), ascending, recording units.
    `mirrored`: whether to return ``n − rank``, which turns dips into rises.

    Notes
    -----
    Placing is monotone (a difference, a product with a positive number, a clip and a truncation all are). So a level in
    a lower cell than the sample's lies below the sample: the count of the cell never exceeds the rank. Comparing as
    many levels as one cell holds at most completes it.
    """

    def __init__(self, levels: Levels, dtype: np.dtype[Any], *, mirrored: bool = False) -> None:
        self.count = int(levels.size)
        self.mirrored = mirrored
        self._table: Ranks | None = None
        self._crowded: NDArray[np.bool_] | None = None
        self.searched = False
        self.work = dtype.newbyteorder("=") if compares_exactly(dtype) else np.dtype(np.float64)
        if dtype.kind in "iu" and dtype.itemsize <= 2:
            info = np.iinfo(dtype)
            self._offset = int(info.min)
            self._table = self._turn(np.searchsorted(levels, np.arange(info.min, int(info.max) + 1), side="right"))
            return
        if self.work.kind in "iu" or self.work.itemsize < 4:
            self.work = np.dtype(np.float64)
        self.levels = levels_in(self.work, levels)
        self.bottom = self.levels[0]
        span = float(self.levels[-1]) - float(self.levels[0])
        kind = self.work.type
        self.searched = not (span > 0 and np.isfinite(span) and np.isfinite(kind(64 * self.count / span)))
        if self.searched:
            return
        for per_level in CELLS_PER_LEVEL:
            self.cells = per_level * self.count
            self.scale = kind(self.cells / span)
            inside = np.bincount(self._cell(self.levels), minlength=self.cells + 1)
            if inside.max() <= MOST_STEPS:
                break
        if inside.max() > MOST_STEPS:  # smaller cells did not help: the fewest, which stay in the cache
            self.cells = CELLS_PER_LEVEL[0] * self.count
            self.scale = kind(self.cells / span)
            inside = np.bincount(self._cell(self.levels), minlength=self.cells + 1)
            self._crowded = inside > MOST_STEPS
        self.below = np.concatenate(([0], np.cumsum(inside)[:-1])).astype(np.int16)
        self.steps = min(int(inside.max()), MOST_STEPS)
        self.padded = np.append(self.levels, kind(np.nan))  # no light reaches what comes after the last level

    def _cell(self, x: Light) -> NDArray[np.intp]:
        # Equal infinities would give NaN; a clip on either side of the product keeps order and finiteness.
        with np.errstate(over="ignore", invalid="ignore"):
            place = (np.clip(x, self.levels[0], self.levels[-1]) - self.bottom) * self.scale
        cells: NDArray[np.intp] = np.minimum(place, self.work.type(self.cells)).astype(np.intp)
        return cells

    @property
    def placed(self) -> bool:
        """Whether cells and at most `steps` comparisons rank all light, without a table of values or a search."""
        return not (self._table is not None or self.searched or self._crowded is not None)

    def _turn(self, rank: NDArray[Any]) -> Ranks:
        out: Ranks = (self.count - rank if self.mirrored else rank).astype(np.int16)
        return out

    def rank(self, light: Light) -> Ranks:
        """Return the ranks of valid light, shape (n,)."""
        if self._table is not None:
            index = light if self._offset == 0 else light.astype(np.intp) - self._offset
            found: Ranks = self._table[index]
            return found
        x = light if light.dtype == self.work else light.astype(self.work)
        above = x >= self.levels[-1]
        # Never both: where the two are equal, the light is neither above all levels nor below all of them.
        between = np.flatnonzero(above == (x < self.levels[0]))
        if between.size > MANY * x.size:
            return self._turn(self._among(x))
        # Most light lies beyond all levels.
        rank = above.astype(np.int16) * np.int16(self.count)
        rank[between] = self._among(x[between])
        return self._turn(rank)

    def _among(self, x: Light) -> NDArray[Any]:
        if self.searched:
            return np.searchsorted(self.levels, x, side="right")
        cell = self._cell(x)
        rank = self.below[cell]
        for _ in range(self.steps):
            rank = rank + (self.padded[rank] <= x)
        if self._crowded is not None:
            some = np.flatnonzero(self._crowded[cell])
            rank[some] = np.searchsorted(self.levels, x[some], side="right")
        return rank


def levels_in(dtype: np.dtype[Any], levels: Levels) -> Light:
    """Return the smallest floats of a type that are not below levels, as `level_in` does for one.

    Examples
    --------
    >>> bool(levels_in(np.dtype("float32"), np.array([0.45]))[0] > 0.45)
    True
    """
    with np.errstate(over="ignore"):
        out = levels.astype(dtype)
        below = out.astype(np.float64) < levels
        out[below] = np.nextafter(out[below], dtype.type(np.inf))
    return out
