"""Edges of passes for any level of the background; the places where they can be crossed are computed once."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import NDArray

from teachlab.light.edge_time import HIGH, LOW
from teachlab.light.noise import median
from teachlab.light.shown.level_crossings import records

Heights = NDArray[np.float64]
Places = NDArray[np.int64]
Where = NDArray[np.intp]

STEPS = 256
"""Number of evaluations below the top in which the foot of an edge is searched, for all passes together."""


class EdgeTable:
    """Passes with the light up to the middle of the neighbouring gaps; see `teachlab.light.edge_time`.

    Parameters
    ----------
    before, after : ndarray of int64, shape (passes,), evaluations
        First and last evaluation of the light around each pass.
    light : iterable of (ndarray of float64, ndarray of float64)
        Around and inside each pass, objects upwards.
    height_at : callable
        Returns the light at some evaluations.
    """

    def __init__(
        self,
        before: Places,
        after: Places,
        light: Iterable[tuple[Heights, Heights]],
        height_at: Callable[[Places], Heights],
    ) -> None:
        self.before, self.after, self._height_at = before, after, height_at
        highest: list[float] = []
        middles: list[float] = []
        risen: tuple[list[Where], list[Where]] = [], []
        levels: tuple[list[Heights], list[Heights]] = [], []
        for around, inside in light:
            highest.append(float(inside.max()))
            middles.append(median(inside))
            for way, side in enumerate((around, around[::-1])):
                risen[way].append(records(side))
                levels[way].append(side[risen[way][-1]])
        self.highest, self.middle = np.array(highest, np.float64), np.array(middles, np.float64)
        self._risen = [np.concatenate(at) if at else np.empty(0, np.intp) for at in risen]
        self._level = [np.concatenate(high) if high else np.empty(0) for high in levels]
        self._begin = [np.concatenate(([0], np.cumsum([one.size for one in at]))).astype(np.intp) for at in risen]

    def times(self, rows: Where, background: float) -> tuple[list[float], Where]:
        """Return the times of both edges of some passes, and the passes whose edges are too slow for this table."""
        peak, middle = self.highest[rows] - background, self.middle[rows] - background
        step = np.where(middle >= peak / 2, middle, peak)
        rows, step = rows[step > 0], step[step > 0]
        out: list[Heights] = []
        slow = np.zeros(rows.size, bool)
        for way in (0, 1):
            times, open_ = self._climbs(way, rows, step, background)
            slow |= open_
            out.append(times)
        done = np.concatenate([times[~slow] for times in out])
        return done[~np.isnan(done)].tolist(), rows[slow]

    def _climbs(self, way: int, rows: Where, step: Heights, background: float) -> tuple[Heights, NDArray[np.bool_]]:
        """Return the time of one edge of each pass (NaN without a foot), and which edges are too slow."""
        first, last = self._begin[way][rows], self._begin[way][rows + 1]
        low, high, level = first, last, self._level[way]
        # One binary search for all passes together: so many halvings close the longest of their rows.
        for _ in range(int((last - first).max(initial=0)).bit_length()):
            middle = (low + high) // 2
            going = low < high
            below = going & ~(level[np.minimum(middle, level.size - 1)] - background >= HIGH * step)
            low, high = np.where(below, middle + 1, low), np.where(going & ~below, middle, high)
        reached = low < last
        top = np.where(reached, self._risen[way][np.minimum(low, level.size - 1)], 0)
        # Find the last place below 10 % before the top, one neighbour at a time, in all passes at once.
        foot, open_ = np.full(rows.size, -1), top > 0
        at = top - 1
        for _ in range(STEPS):
            some = np.flatnonzero(open_)
            if some.size == 0:
                break
            found = self._light(way, rows[some], at[some]) - background <= LOW * step[some]
            foot[some[found]] = at[some[found]]
            at[some] -= 1
            open_[some] = ~found & (at[some] >= 0)
        known = foot >= 0
        k, r = np.flatnonzero(known), rows[known]
        begin, up = (self._light(way, r, foot[k] + near) - background for near in (0, 1))
        under, over = (self._light(way, r, top[k] - near) - background for near in (1, 0))
        start = foot[k] + (LOW * step[k] - begin) / (up - begin)
        finish = top[k] - (over - HIGH * step[k]) / (over - under)
        out = np.full(rows.size, np.nan)
        out[k] = finish - start
        return out, open_

    def _light(self, way: int, rows: Where, at: Where) -> Heights:
        return self._height_at(self.after[rows] - 1 - at if way else self.before[rows] + at)
