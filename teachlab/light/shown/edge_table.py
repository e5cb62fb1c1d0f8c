"""Edges of passes for any level of the background; the light in which they are climbed is kept once."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.edge_time import HIGH, LOW, object_height
from teachlab.light.noise import median
from teachlab.sensor.edges import pieces

Heights = NDArray[np.float64]
Places = NDArray[np.int64]
Where = NDArray[np.intp]

BESIDE, LONGEST = 8, 512
"""Evaluations that are kept beside each edge, and the largest number that is kept of one."""


class EdgeTable:
    """Passes with the light of their edges; see `teachlab.light.edge_time`.

    An edge is a climb from its foot to its top. The table keeps the light from a little before the foot to a little
    behind the top, for a background near the given one, and the highest light before: with that, both are found for
    any background for which they lie in what is kept.

    Parameters
    ----------
    before, after : ndarray of int64, shape (passes,), evaluations
        First and last evaluation of the light around each pass.
    light : iterable of (ndarray of float64, ndarray of float64)
        Around and inside each pass, objects upwards.
    background : float, recording units, objects upwards
        Level of the empty sensor near which others will be asked for.
    dtype : dtype
        Of floating numbers, which holds all of the light exactly.
    """

    def __init__(
        self,
        before: Places,
        after: Places,
        light: Iterable[tuple[Heights, Heights]],
        background: float,
        dtype: np.dtype[Any],
    ) -> None:
        self.before, self.after = before, after
        self.highest, self.middle = np.empty((2, before.size))
        # For each of the two ways and each pass: light that is kept, where it begins, and the highest light before.
        self._light = _Rows(2 * before.size, dtype)
        self._start = np.zeros((2, before.size), np.int64)
        self._until = np.full((2, before.size), -np.inf)
        for k, (around, inside) in enumerate(light):
            self.highest[k], self.middle[k] = inside.max(), median(inside)
            step = float(object_height(self.highest[k] - background, self.middle[k] - background))
            for way, side in enumerate((around, around[::-1])):
                first, last = _climb(side - background, step) if step > 0 else (0, 0)
                self._start[way, k] = first
                self._until[way, k] = side[:first].max(initial=-np.inf)
                self._light.push(2 * k + way, side[first:last])
        self._light.close()

    def times(self, rows: Where, background: float) -> tuple[list[float], Where]:
        """Return the times of both edges of some passes, and the passes whose edges this table does not hold."""
        step = object_height(self.highest[rows] - background, self.middle[rows] - background)
        rows, step = rows[step > 0], step[step > 0]
        found = [self._climbs(way, rows, step, background) for way in (0, 1)]
        beyond = found[0][1] | found[1][1]
        done = np.concatenate([times[~beyond] for times, _ in found])
        return done[~np.isnan(done)].tolist(), rows[beyond]

    def _climbs(self, way: int, rows: Where, step: Heights, background: float) -> tuple[Heights, NDArray[np.bool_]]:
        """Return the time of one edge of each pass (NaN without a foot), and which edges lie beyond what is kept."""
        begin, end = self._light.begin[2 * rows + way], self._light.begin[2 * rows + way + 1]
        size = end - begin
        height = pieces(self._light.values, begin, end).astype(np.float64) - background
        row = np.repeat(np.arange(rows.size), size)
        ends = np.cumsum(size)
        # The first evaluation at 90 % of each row, as a place among those of all rows.
        risen = np.flatnonzero(height >= HIGH * step[row])
        first = np.searchsorted(risen, ends - size)
        top = np.append(risen, height.size)[first]
        beyond = (top >= ends) | (self._until[way, rows] - background >= HIGH * step)
        # The last one at 10 % before it.
        low = np.flatnonzero(height <= LOW * step[row])
        last = np.searchsorted(low, top) - 1
        foot = np.append(low, -1)[last]
        known = ~beyond & (foot >= ends - size)
        # An edge that is kept from the beginning, and has no foot, has none; of the others it may lie before.
        beyond |= ~known & (self._start[way, rows] > 0)
        out = np.full(rows.size, np.nan)
        foot, top, step = foot[known], top[known], step[known]
        # Counted in the light of the pass, as without a table: other numbers would be rounded in another way.
        back = (self._start[way, rows] - (ends - size))[known]
        start = foot + back + (LOW * step - height[foot]) / (height[foot + 1] - height[foot])
        finish = top + back - (height[top] - HIGH * step) / (height[top] - height[top - 1])
        out[known] = finish - start
        return out, beyond


class _Rows:
    """Rows of numbers of different sizes, one after the other."""

    def __init__(self, rows: int, dtype: np.dtype[Any]) -> None:
        self.begin = np.zeros(rows + 1, np.int64)
        self.values = np.empty(max(64, rows), dtype)

    def push(self, row: int, values: Heights) -> None:
        first = int(self.begin[row])
        last = self.begin[row + 1] = first + values.size
        if last > self.values.size:
            self.values = np.concatenate((self.values[:first], np.empty(max(first, values.size), self.values.dtype)))
        self.values[first:last] = values

    def close(self) -> None:
        self.values = self.values[: int(self.begin[-1])].copy()


def _climb(height: Heights, step: float) -> tuple[int, int]:
    """Return which part of one side of a pass to keep: its edge, and a little beside it."""
    top = int(np.argmax(height >= HIGH * step))
    below = np.flatnonzero(height[max(0, top - LONGEST) : top] <= LOW * step)
    foot = max(0, top - LONGEST) + int(below[-1]) if below.size else 0
    first, last = max(0, foot - BESIDE), min(height.size, top + BESIDE)
    return (first, last) if last - first <= LONGEST else (0, 0)
