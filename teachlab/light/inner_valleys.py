"""The valley inside a pass, between the first and the last crossing of the level."""

from __future__ import annotations

import numpy as np

from teachlab.light.extremes import Cells, reduced
from teachlab.model.arrays import Floats, Integers, Where
from teachlab.model.recording import Light


class InnerValleys:
    """Reads light block by block and keeps, per stretch, the valley between its first and last active evaluation.

    `start`, `stop` (shape (n,), evaluations): stretches ``[start, stop)``, ascending and disjoint; they may touch, and
    may be empty.
    `level` (recording units): level at which the output becomes active.
    `up`: True: active is ``x >= level`` and the valley is a minimum. False: active is ``x < level`` and the valley,
    mirrored, is a maximum.
    `valley` (shape (n,), recording units): NaN for a stretch that is never active.

    Examples
    --------
    >>> found = InnerValleys(np.array([0]), np.array([7]), 5.0, True)
    >>> found.push(0, np.array([1, 6, 4]))
    >>> found.push(3, np.array([3, 8, 2, 1]))
    >>> found.valley.tolist()
    [3.0]
    """

    def __init__(self, start: Integers, stop: Integers, level: float, up: bool) -> None:
        self._rows = np.flatnonzero(stop > start)
        self._start, self._stop = start[self._rows], stop[self._rows]
        self._level, self._up = level, up
        self._valley = np.full(start.size, np.nan)
        # Deepest light since the last active evaluation, for the stretch that the last block left open.
        self._since: float | None = None

    @property
    def valley(self) -> Floats:
        """Valleys so far."""
        return self._valley if self._up else -self._valley

    def push(self, first: int, light: Light) -> None:
        """Take consecutive evaluations without holes; `first` is the index of the first one."""
        a = int(np.searchsorted(self._stop, first, side="right"))
        b = int(np.searchsorted(self._start, first + light.size, side="left"))
        if a >= b:
            return
        begin = (self._start[a:b] - first).clip(0, light.size)
        end = (self._stop[a:b] - first).clip(0, light.size)
        self._take(a, b, light, begin, end, self._start[a] < first, self._stop[b - 1] > first + light.size)

    def push_cells(self, cells: Cells) -> None:
        """Take consecutive evaluations without holes, cut at all borders of these stretches."""
        a = int(np.searchsorted(self._stop, cells.start, side="right"))
        b = int(np.searchsorted(self._start, cells.stop, side="left"))
        if a >= b:
            return
        # A cell on one side of the level can be replaced by its deepest light.
        low, high = cells.low.astype(np.float64), cells.high.astype(np.float64)
        deepest = cells.low if self._up else cells.high
        light, at = cells.told_by(deepest, (low < self._level) & (high >= self._level))
        begin, end = at[cells.index(self._start[a:b])], at[cells.index(self._stop[a:b])]
        self._take(a, b, light, begin, end, self._start[a] < cells.start, self._stop[b - 1] > cells.stop)

    def _take(
        self, a: int, b: int, light: Light, begin: Where, end: Where, goes_on: np.bool_, left_open: np.bool_
    ) -> None:
        """Take stretches `a` to `b` in the light from `begin` to `end`; the first and the last may go on beyond it."""
        # From here on active is high; float64 holds every stored type that levels are compared with.
        height = light.astype(np.float64) if self._up else -light.astype(np.float64)
        active = np.flatnonzero(height >= self._level if self._up else height > -self._level)
        i, j = np.searchsorted(active, begin), np.searchsorted(active, end)
        # i … j − 1 are the active evaluations of a stretch in this block. The part of the valley between the first and
        # the last of them is certain to be inside.
        some = j > i
        #                          border of a block
        #     level  ---/\----------|----/\---     a valley counts only when the light reaches the level once more:
        #              /  \___   ___|___/          until then its deepest light so far waits in `_since`
        #                     \_/   |
        since = self._since if goes_on else None
        if some.any():
            low, high = active[i[some]], active[j[some] - 1] + 1
            if since is not None and some[0]:
                low[0] = 0
            found = reduced(np.minimum, height, np.column_stack([low, high]).ravel())
            if since is not None and some[0]:
                found[0] = min(found[0], since)
            rows = self._rows[a:b][some]
            self._valley[rows] = np.fmin(self._valley[rows], found)
        after = int(active[j[-1] - 1]) + 1 if some[-1] else None
        self._since = self._left_open(height, since, b - a == 1, after) if left_open else None

    def _left_open(self, height: Floats, since: float | None, alone: bool, after: int | None) -> float | None:
        """Return the deepest light since the last active evaluation of a stretch that goes on, or None."""
        if after is not None:
            return float(height[after:].min(initial=np.inf))
        if since is None or not alone:
            return None
        return min(since, float(height.min(initial=np.inf)))
