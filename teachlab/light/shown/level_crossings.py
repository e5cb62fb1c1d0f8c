"""Where the light of stretches first and last reaches a level, and its lowest values before, between and after.

Of a stretch, only evaluations that are higher than all before them, or than all after them, matter: a level is first
reached at one of the former and last at one of the latter.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import DTypeLike, NDArray

from teachlab.model.arrays import Flags, Where
from teachlab.sensor.edges import ranges_of

Heights = NDArray[np.float64]

CELL = 16
"""Evaluations that are left out together."""
TOGETHER = 1 << 17
"""Stretches of about so many evaluations are looked at together, as rows of a table."""


class LevelCrossings:
    """Table of stretches that can be queried at many levels.

    `light` (iterable of ndarray of float64): the light of each stretch in turn; none is empty.
    `dtype`: of floating numbers, which holds all of the light exactly.
    """

    def __init__(self, light: Iterable[Heights], dtype: DTypeLike = np.float64) -> None:
        sizes, lowest, parts = [np.empty(0, np.intp)], [np.empty(0)], [np.empty((4, 0), dtype)]
        for some in _together(light):
            steps, many, low = _steps(*_shortened(np.concatenate(some), np.array([one.size for one in some])))
            sizes.append(many)
            lowest.append(low)
            parts.append(steps.astype(dtype))
        size = np.concatenate(sizes)
        level, self._before, *self._sides = np.concatenate(parts, axis=1)
        self._begin = np.append(0, np.cumsum(size))
        self._lowest = np.concatenate(lowest)
        # Levels as places among all, descending within a stretch: one ascending list serves all stretches.
        self._levels, place = np.unique(level, return_inverse=True)
        self._width = self._levels.size + 1
        self._key = np.repeat(np.arange(size.size), size) * self._width + (self._levels.size - place)

    def at(self, rows: Where, level: float) -> Heights:
        """Return first crossing, last crossing and lowest light of some stretches at a level.

        Returned (shape (4, stretches)): whether any evaluation is at or above the level; the lowest light before the
        first such evaluation, from it to the last, and after that: infinite where there is none. If a stretch does not
        reach the level, all of it counts as before.
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


def _together(light: Iterable[Heights]) -> Iterator[list[Heights]]:
    """Yield stretches in groups that make a table of at most `TOGETHER` evaluations, or one stretch."""
    some: list[Heights] = []
    longest = 0
    for one in light:
        longest = max(longest, one.size)
        if some and (len(some) + 1) * longest > TOGETHER:
            yield some
            some, longest = [], one.size
        some.append(one)
    if some:
        yield some


def _table(values: Heights, size: Where, beyond: float) -> tuple[Heights, Flags]:
    """Return stretches, given one after the other, as rows that are filled up; and what of them is given."""
    inside = np.arange(size.max()) < size[:, None]
    out = np.full(inside.shape, beyond)
    out[inside] = values
    return out, inside


def _largest(table: Heights) -> tuple[Heights, Heights]:
    """Return the largest value of each row up to every place, and from it on."""
    return np.maximum.accumulate(table, axis=1), np.maximum.accumulate(table[:, ::-1], axis=1)[:, ::-1]


def _shortened(light: Heights, size: Where) -> tuple[Heights, Where]:
    """Return stretches with the same crossings, at every level: of cells without one, only the lowest value.

    `light`: one stretch after the other.
    `size` (shape (stretches,)): of each.
    """
    cells = -(-size // CELL)
    start, first = np.cumsum(size) - size, np.cumsum(cells) - cells
    cuts = np.repeat(start - first * CELL, cells) + CELL * np.arange(cells.sum())
    high, low = np.maximum.reduceat(light, cuts), np.minimum.reduceat(light, cuts)
    # A level is first reached in a cell that is higher than all before it, and last in one higher than all after it.
    table, inside = _table(high, cells, -np.inf)
    before, after = _largest(table)
    some = np.ones(inside.shape, bool)
    some[:, 1:-1] = table[:, 1:-1] > np.minimum(before[:, :-2], after[:, 2:])
    kept = some[inside]
    kept[first + cells - 1] = True
    long = np.where(kept, np.diff(cuts, append=light.size), 1)
    out = light[ranges_of(cuts, cuts + long)]
    out[(np.cumsum(long) - long)[~kept]] = low[~kept]
    return out, np.add.reduceat(long, first)


def _steps(light: Heights, size: Where) -> tuple[Heights, Where, Heights]:
    """Return the levels at which the first or last crossing moves, and the lowest light on each side.

    Parameters as of `_shortened`.
    `steps` (shape (4, n)): levels, descending in each stretch; the lowest light before, between and after the
    crossings.
    `many` (shape (stretches,)): levels of each stretch.
    `lowest` (shape (stretches,)): lowest light of each.
    """
    table, inside = _table(light, size, -np.inf)
    before, after = _largest(table)
    rises, falls = inside.copy(), inside.copy()
    rises[:, 1:] &= table[:, 1:] > before[:, :-1]
    falls[:, :-1] &= table[:, :-1] > after[:, 1:]
    falls[np.arange(size.size), size - 1] = True
    # Both kinds of records in one list, levels descending. The largest light of a stretch is of both kinds, so the last
    # one of a kind so far is of the same stretch.
    (row, at), (other, last) = np.nonzero(rises), np.nonzero(falls)
    row, at, left = np.append(row, other), np.append(at, last), np.arange(row.size + other.size) < row.size
    order = np.lexsort((-table[row, at], row))
    row, at, left = row[order], at[order], left[order]
    level = table[row, at]
    ends = np.append((level[1:] != level[:-1]) | (row[1:] != row[:-1]), True).nonzero()[0]
    begin, end = (at[np.maximum.accumulate(np.where(kind, np.arange(at.size), 0))[ends]] for kind in (left, ~left))
    row, level = row[ends], level[ends]
    table[~inside] = np.inf
    down, up = (-side for side in _largest(-table))
    lows = np.where(begin > 0, down[row, begin - 1], np.inf)
    behind = np.where(end < size[row] - 1, up[row, np.minimum(end + 1, table.shape[1] - 1)], np.inf)
    # At lower levels the part between grows on both sides; each step adds the evaluations that it takes in.
    #     light           2 5 3 7 4 9     first crossing of level 9 at 5, of 7 at 3, of 5 at 1, of 2 at 0
    #     at level 9                9
    #     at level 7            7 4       what is taken in there, and so on to the left
    #     at level 5        5 3
    new = np.append(True, row[1:] != row[:-1])
    to = np.where(new, end + 1, np.append(0, begin[:-1]))
    from_ = np.where(new, end, np.minimum(np.append(0, end[:-1]) + 1, end))
    start = (np.cumsum(size) - size)[row]
    light = np.append(light, np.inf)
    taken_in = np.minimum(_lowest(light, start + begin, start + to), _lowest(light, start + from_, start + end + 1))
    many = np.bincount(row, minlength=size.size)
    grown, given = _table(taken_in, many, np.inf)
    between = np.minimum.accumulate(grown, axis=1)[given]
    return np.stack((level, lows, between, behind)), many, down[:, -1]


def _lowest(light: Heights, start: Where, stop: Where) -> Heights:
    """Return the lowest light of each ``[start, stop)``; where that is empty, the light at its start."""
    out: Heights = np.minimum.reduceat(light, np.stack((start, stop), axis=1).ravel())[::2]
    return out
