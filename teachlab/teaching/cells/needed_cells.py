"""Cells of long and busy light: a first stretch gives bounds, and cells that decide a choice are counted in full."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from teachlab.model.arrays import Flags, Floats
from teachlab.teaching.cells.designed_cells import At, CellGrid, ShownCounter, line_through
from teachlab.teaching.cells.level_doubt import DoubtCounter
from teachlab.teaching.cells.shown_light import ShownLight

LARGE = 1 << 22
"""Evaluations times comparators up to which every cell is counted at once."""
BUSY = 1 << 22
"""Edges of all comparators together up to which every cell is counted at once."""
FIRST_EDGES, FEWEST_PASSES, LONGER = 1 << 20, 16, 16
"""The first stretch gives about so many edges and has at least so many passes. Each next stretch is so many times as
long."""
TOGETHER = 32
"""Number of best cells whose lines are counted at a time, on all stretches except the last."""
MOST_ROUNDS = 400
"""Number of times that counting may change the choice. After that, all cells that can matter are counted."""


class NeededCells:
    """Errors of cells: lower bounds at first, counted in full where they are needed.

    A reserve is the distance to the nearest costlier cell along five lines of cells. The more is counted, the more
    errors a cell has, the more cells are costlier, and the smaller reserves become. So a cell that is the best by
    bounds, and whose lines are counted in full, is the best of all: the choice is that of counting every cell.

    `errors` (shape of the cells): exact for cells that are counted in full; lower bounds for the others.
    """

    def __init__(self, counter: ShownCounter | DoubtCounter, grid: CellGrid, shown: ShownLight) -> None:
        self._grid, self._shown, self._rounds = grid, shown, 0
        self.errors = np.zeros(grid.shape, np.int64)
        self._stage = np.zeros(grid.shape, np.int8)
        if counter.evaluations * grid.levels.size * grid.releases.size <= LARGE:
            self.errors, self._counters = counter.cells(grid, shown), [counter]
            return
        quiet = counter.quiet_levels(grid, shown, self.errors)
        edges = counter.edges_expected(grid, shown, ~quiet)
        # Each stretch is longer and begins at the first pass: most cells that are good on a short one fail on the next.
        self._counters, first = [], max(FEWEST_PASSES, int(counter.passes * FIRST_EDGES / max(edges, 1.0)))
        while edges > BUSY and 2 * first < counter.passes:
            self._counters.append(counter.first(first))
            first *= LONGER
        self._counters.append(counter)
        self._stage[quiet] = len(self._counters) - 1
        if not quiet.all():
            self.errors[~quiet] = self._counters[0].levels(grid, shown, ~quiet)

    @property
    def counted(self) -> Flags:
        """Return which cells are counted in full."""
        out: Flags = self._stage == len(self._counters) - 1
        return out

    def settled(self, cells: Iterable[At], worth: Floats) -> bool:
        """Tell whether everything that the reserves of some cells depend on is counted in full; if not, count more.

        `cells`: their places.
        `worth` (shape of the cells): what the cells were chosen by. On short stretches the next best cells are counted
        too.
        """
        needed = self._around(cells) & ~self.counted
        if not needed.any():
            return True
        self._rounds += 1
        last = len(self._counters) - 1
        if self._rounds > MOST_ROUNDS:
            known = self.errors[self.counted].min(initial=np.iinfo(np.int64).max)
            self._count(~self.counted & (self.errors <= known), last)
            return False
        stage = int(self._stage[needed].min()) + 1
        if stage == last:
            # If a choice changes, it is usually because of a cell at the end of its lines: those are counted first.
            ends = self._around(cells, ends=True) & ~self.counted
            needed = ends if ends.any() else needed
        else:
            best = np.unravel_index(np.argpartition(worth.ravel(), -TOGETHER)[-TOGETHER:], worth.shape)
            needed |= self._around(zip(*(one.tolist() for one in best), strict=True))
        self._count(needed & (self._stage == stage - 1), stage)
        return False

    def _around(self, cells: Iterable[At], *, ends: bool = False) -> Flags:
        """Return the cells between the nearest known costlier cells along each axis; cells beyond have no effect.

        With `ends`: only the ends of these lines, and the cells themselves.
        """
        least = int(self.errors.min())
        out = np.zeros(self.errors.shape, bool)
        for at in cells:
            for axis in range(out.ndim):
                costlier = np.flatnonzero(self.errors[line_through(at, axis)] > least)
                low = int(costlier[costlier < at[axis]].max(initial=-1))
                high = int(costlier[costlier > at[axis]].min(initial=self.errors.shape[axis]))
                step = max(1, high - low - 2) if ends else 1
                out[line_through(at, axis, slice(low + 1, high, step))] = True
            out[at] = True
        return out

    def _count(self, cells: Flags, stage: int) -> None:
        """Count cells on one of the stretches."""
        found = self.errors.copy()
        new = self._counters[stage].count_into(found, cells, self._grid, self._shown)
        # A count on a longer stretch is nearer to the full count, and stays.
        new &= self._stage < stage
        self.errors[new] = found[new]
        self._stage[new] = stage
