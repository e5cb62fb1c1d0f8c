"""Where the light of stretches first and last reaches a level, and its lowest values before, between and after.

Of a stretch, only evaluations that are higher than all before them, or than all after them, matter: a level is first
reached at one of the former and last at one of the latter.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from teachlab.sensor.edges import merged, ranges_of

Heights = NDArray[np.float64]
Where = NDArray[np.intp]

CELL = 16
"""Evaluations that are left out together."""


class LevelCrossings:
    """Table of stretches that can be queried at many levels.

    Parameters
    ----------
    light : iterable of ndarray of float64
        The light of each stretch in turn; none is empty.
    """

    def __init__(self, light: Iterable[Heights]) -> None:
        rows = [_steps(_shortened(one)) for one in light]
        size = np.array([row[0].size for row in rows], np.intp)
        self._begin = np.concatenate(([0], np.cumsum(size))).astype(np.intp)
        level, self._before, *self._sides = (
            np.concatenate([row[k] for row in rows]) if rows else np.empty(0) for k in range(4)
        )
        self._lowest = np.array([row[4] for row in rows], np.float64)
        # Levels as places among all, descending within a stretch: one ascending list serves all stretches.
        self._levels, place = np.unique(level, return_inverse=True)
        self._width = self._levels.size + 1
        self._key = np.repeat(np.arange(size.size), size) * self._width + (self._levels.size - place)

    def at(self, rows: Where, level: float) -> Heights:
        """Return first crossing, last crossing and lowest light of some stretches at a level.

        Returns
        -------
        ndarray of float64, shape (4, stretches)
            Whether any evaluation is at or above the level; the lowest light before the first such evaluation, from it
            to the last, and after that: infinite where there is none. If a stretch does not reach the level, all of it
            counts as before.
        """
        if rows.size == 0:
            return np.empty((4, 0))
        # Levels descend within a stretch: the last level that is not below the requested one gives the result.
        lower = self._levels.size - int(np.searchsorted(self._levels, level))
        low = np.searchsorted(self._key, rows * self._width + lower, side="right")
        reached = low > self._begin[rows]
        at = (low - 1).clip(min=0)
        before = np.where(reached, self._before[at], self._lowest[rows])
        between, behind = (np.where(reached, side[at], np.inf) for side in self._sides)
        return np.stack([reached, before, between, behind])


def crossed(light: Heights, level: float) -> Heights:
    """Return the same of one stretch, at one level only: shape (4,)."""
    reached = np.flatnonzero(light >= level)
    if reached.size == 0:
        return np.array([0.0, light.min(), np.inf, np.inf])
    first, last = int(reached[0]), int(reached[-1]) + 1
    parts = light[:first], light[first:last], light[last:]
    return np.array([1.0, *(part.min(initial=np.inf) for part in parts)])


def _shortened(light: Heights) -> Heights:
    """Return light with the same crossings, at every level: of cells without one, only the lowest value."""
    if light.size < 4 * CELL:
        return light
    cuts = np.arange(0, light.size, CELL)
    high, low = np.maximum.reduceat(light, cuts), np.minimum.reduceat(light, cuts)
    # A level is first reached in a cell that is higher than all before it, and last in one higher than all after it.
    kept = np.ones(cuts.size, bool)
    kept[1:-1] = high[1:-1] > np.minimum(np.maximum.accumulate(high)[:-2], np.maximum.accumulate(high[::-1])[::-1][2:])
    every = np.repeat(kept, CELL)[: light.size]
    every[cuts] = True
    out = light.copy()
    out[cuts[~kept]] = low[~kept]
    found: Heights = out[every]
    return found


def _steps(light: Heights) -> tuple[Heights, Heights, Heights, Heights, float]:
    """Return the levels, descending, at which the first or last crossing moves, and the lowest light on each side."""
    n = light.size
    first, last = _records(light), n - 1 - _records(light[::-1])
    levels = merged(light[first], light[last])[::-1]
    begin = first[np.searchsorted(light[first], levels)]
    end = last[np.searchsorted(light[last], levels)]
    down, up = np.minimum.accumulate(light), np.minimum.accumulate(light[::-1])[::-1]
    before = np.where(begin > 0, down[begin - 1], np.inf)
    behind = np.where(end < n - 1, up[np.minimum(end + 1, n - 1)], np.inf)
    # At lower levels the part between grows on both sides; each step adds the evaluations that it takes in.
    left, right = _grown(light, begin), _grown(light[::-1], n - 1 - end)
    left[0] = min(left[0], light[begin[0] : end[0] + 1].min())
    between = np.minimum.accumulate(np.minimum(left, right))
    return levels, before, between, behind, float(down[-1])


def _grown(light: Heights, begin: Where) -> Heights:
    """Return the lowest light from each descending place up to the one before it; for the first, only its own."""
    #     light           2 5 3 7 4 9     first crossing of level 9 at 5, of 7 at 3, of 5 at 1, of 2 at 0
    #     at level 9                9
    #     at level 7            7 4       what is taken in there, and so on to the left: cut at the crossings,
    #     at level 5        5 3           all minima are one reduction
    out: Heights = np.minimum.reduceat(light[: begin[0] + 1], begin[::-1])[::-1]
    return out


def records(light: Heights) -> Where:
    """Return the places that are higher than all before them.

    Examples
    --------
    >>> records(np.array([3.0, 1, 3, 4, 2, 5])).tolist()
    [0, 3, 5]
    """
    if light.size > 4 * CELL:
        # Only cells that are higher than all before them hold such places.
        cuts = np.arange(0, light.size, CELL)
        high = np.maximum.reduceat(light, cuts)
        some = cuts[np.append(True, high[1:] > np.maximum.accumulate(high)[:-1])]
        at = ranges_of(some, (some + CELL).clip(max=light.size))
        return at[_records(light[at])]
    return _records(light)


def _records(light: Heights) -> Where:
    high = np.maximum.accumulate(light)
    return np.concatenate(([0], np.flatnonzero(high[1:] > high[:-1]) + 1))
