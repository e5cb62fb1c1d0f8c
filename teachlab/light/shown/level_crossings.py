"""Where the light of stretches first and last reaches a level, and its lowest values before, between and after.

Of a stretch, only evaluations that are higher than all before them, or than all after them, matter: a level is first
reached at one of the former and last at one of the latter.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import islice

import numpy as np
from numpy.typing import DTypeLike, NDArray

from teachlab.sensor.edges import merged

Heights = NDArray[np.float64]
Where = NDArray[np.intp]

CELL = 16
"""Evaluations that are left out together."""
TOGETHER = 1 << 12
"""Number of stretches whose steps are joined."""


class LevelCrossings:
    """Table of stretches that can be queried at many levels.

    `light` (iterable of ndarray of float64): the light of each stretch in turn; none is empty.
    `dtype`: of floating numbers, which holds all of the light exactly.
    """

    def __init__(self, light: Iterable[Heights], dtype: DTypeLike = np.float64) -> None:
        sizes, lowest, parts = list[int](), list[float](), [np.empty((4, 0), dtype)]
        light = iter(light)
        # Rows of a few numbers each take most of their memory for themselves: they are joined, some at a time.
        while rows := [_steps(_shortened(one)) for one in islice(light, TOGETHER)]:
            sizes += [steps.shape[1] for steps, _ in rows]
            lowest += [low for _, low in rows]
            parts.append(np.concatenate([steps for steps, _ in rows], axis=1).astype(dtype))
        level, self._before, *self._sides = np.concatenate(parts, axis=1)
        self._begin = np.cumsum([0, *sizes]).astype(np.intp)
        self._lowest = np.array(lowest, np.float64)
        # Levels as places among all, descending within a stretch: one ascending list serves all stretches.
        self._levels, place = np.unique(level, return_inverse=True)
        self._width = self._levels.size + 1
        self._key = np.repeat(np.arange(len(sizes)), sizes) * self._width + (self._levels.size - place)

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
        lower = self._levels.size - int(np.searchsorted(self._levels, np.float64(level)))
        low = np.searchsorted(self._key, rows * self._width + lower, side="right")
        reached = low > self._begin[rows]
        at = (low - 1).clip(min=0)
        # Not in a narrow type: what is compared with them is not rounded.
        before = np.where(reached, self._before[at], self._lowest[rows]).astype(np.float64)
        between, behind = (np.where(reached, side[at], np.inf).astype(np.float64) for side in self._sides)
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


def _steps(light: Heights) -> tuple[Heights, float]:
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
    return np.stack((levels, before, between, behind)), float(down[-1])


def _grown(light: Heights, begin: Where) -> Heights:
    """Return the lowest light from each descending place up to the one before it; for the first, only its own."""
    #     light           2 5 3 7 4 9     first crossing of level 9 at 5, of 7 at 3, of 5 at 1, of 2 at 0
    #     at level 9                9
    #     at level 7            7 4       what is taken in there, and so on to the left: cut at the crossings,
    #     at level 5        5 3           all minima are one reduction
    out: Heights = np.minimum.reduceat(light[: begin[0] + 1], begin[::-1])[::-1]
    return out


def _records(light: Heights) -> Where:
    high = np.maximum.accumulate(light)
    return np.concatenate(([0], np.flatnonzero(high[1:] > high[:-1]) + 1))
