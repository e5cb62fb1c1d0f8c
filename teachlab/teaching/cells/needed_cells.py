"""Cells of long and busy light: bounded by a first stretch, and counted in full where a choice depends on them."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from teachlab.teaching.cells.designed_cells import At, CellGrid, ShownCounter, Values, line_through
from teachlab.teaching.cells.shown_light import ShownLight

LARGE = 1 << 22
"""Evaluations times comparators up to which no one asks how busy these are."""
BUSY = 1 << 22
"""Edges of all comparators together up to which every cell is counted."""
FIRST_EDGES, FEWEST_PASSES, LONGER = 1 << 20, 16, 16
"""A first stretch is about as long as gives so many edges, and has at least so many passes; each is so many times as
long as the one before."""
TOGETHER = 32
"""Lines of so many of the best cells are counted at a time on all stretches but the last."""
MOST_ROUNDS = 400
"""So often a choice may be overthrown by what is counted; then all cells that may matter are counted."""

Bools = NDArray[np.bool_]


class NeededCells:
    """Errors of cells, at first no more than known to be at least there, and counted where they are asked for.

    A reserve looks along five lines of cells for the nearest costlier one. Errors only grow as more is counted, so
    costlier cells only become more and reserves smaller: a cell that is the best by bounds, and whose lines are
    counted in full, is the best of all. What is chosen is what counting every cell would choose.

    Parameters
    ----------
    counter : ShownCounter
    grid : CellGrid
    shown : ShownLight

    Attributes
    ----------
    errors : ndarray of int64, shape of the cells
        Exact where they are counted in full, at most as many as there are elsewhere.
    """

    def __init__(self, counter: ShownCounter, grid: CellGrid, shown: ShownLight) -> None:
        self._grid, self._shown, self._rounds = grid, shown, 0
        self.errors = np.zeros(grid.shape, np.int64)
        self._stage = np.zeros(grid.shape, np.int8)
        if counter.evaluations * grid.levels.size * grid.releases.size <= LARGE:
            self.errors, self._counters = counter.cells(grid, shown), [counter]
            return
        quiet = counter.quiet_levels(grid, shown, self.errors)
        edges = counter.edges_expected(grid, shown, ~quiet)
        # Ever longer stretches from the first pass on: most cells that look good on a short one fail on the next.
        self._counters, first = [], max(FEWEST_PASSES, int(counter.passes * FIRST_EDGES / max(edges, 1.0)))
        while edges > BUSY and 2 * first < counter.passes:
            self._counters.append(counter.first(first))
            first *= LONGER
        self._counters.append(counter)
        self._stage[quiet] = len(self._counters) - 1
        if not quiet.all():
            self.errors[~quiet] = self._counters[0].levels(grid, shown, ~quiet)

    @property
    def counted(self) -> Bools:
        """Return which cells are counted in full."""
        out: Bools = self._stage == len(self._counters) - 1
        return out

    def settled(self, cells: Iterable[At], worth: Values) -> bool:
        """Whether all that the reserves of some cells depend on is counted in full; if not, more of it is counted.

        Parameters
        ----------
        cells : iterable of tuple of int
            Their places.
        worth : ndarray of float64, shape of the cells
            What they were chosen by: while stretches are short, the next best ones are counted with them.
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
            # What overthrows a choice is as a rule a cell at the end of its lines: those are counted first.
            ends = self._around(cells, ends=True) & ~self.counted
            needed = ends if ends.any() else needed
        else:
            best = np.unravel_index(np.argpartition(worth.ravel(), -TOGETHER)[-TOGETHER:], worth.shape)
            needed |= self._around(zip(*(one.tolist() for one in best), strict=True))
        self._count(needed & (self._stage == stage - 1), stage)
        return False

    def _around(self, cells: Iterable[At], *, ends: bool = False) -> Bools:
        """Return the cells between the nearest ones known to be costlier along each axis: those beyond mean nothing.

        Or the ends of these lines alone, and the cells themselves.
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

    def _count(self, cells: Bools, stage: int) -> None:
        """Count cells on one of the stretches."""
        found = self.errors.copy()
        new = self._counters[stage].count_into(found, cells, self._grid, self._shown)
        # What was counted on a longer stretch already is closer to the truth, and stays.
        new &= self._stage < stage
        self.errors[new] = found[new]
        self._stage[new] = stage
