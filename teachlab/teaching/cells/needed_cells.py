"""Cells of long and busy light: bounded by a first stretch, and counted in full where a choice depends on them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from teachlab.teaching.cells.designed_cells import At, CellGrid, ShownCounter, Values, line_through
from teachlab.teaching.cells.shown_light import ShownLight

LARGE = 1 << 22
"""Evaluations times comparators up to which no one asks how busy these are."""
BUSY = 1 << 22
"""Edges of all comparators together up to which every cell is counted."""
FIRST_EDGES, FEWEST_PASSES, LONGER = 1 << 20, 16, 4
"""A first stretch is about as long as gives so many edges, and has at least so many passes; each is so many times as
long as the one before."""
TOGETHER = 32
"""So many of the best rows are counted at a time on all stretches but the last."""
MOST_ROUNDS = 100
"""So often a choice may be overthrown by what is counted; then all cells that may matter are counted."""

Bools = NDArray[np.bool_]
Rows = NDArray[np.int64]


class NeededCells:
    """Errors of cells, at first no more than known to be at least there, and counted where they are asked for.

    A reserve looks along four lines of cells for the nearest costlier one. Errors only grow as more is counted, so
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
        Exact in the rows that are counted in full, at most as many as there are elsewhere.
    """

    def __init__(self, counter: ShownCounter, grid: CellGrid, shown: ShownLight) -> None:
        self._grid, self._shown, self._rounds = grid, shown, 0
        self.errors = np.zeros(grid.shape, np.int64)
        if counter.evaluations * grid.levels.size * grid.releases.size <= LARGE:
            self.errors, self._counters = counter.cells(grid, shown), [counter]
            self._stage: Rows = np.zeros(grid.shape[:-1], np.int64)
            return
        quiet = counter.quiet_levels(grid, shown, self.errors)
        edges = counter.edges_expected(grid, shown, ~quiet)
        # Ever longer stretches from the first pass on: most cells that look good on a short one fail on the next.
        self._counters, first = [], max(FEWEST_PASSES, int(counter.passes * FIRST_EDGES / max(edges, 1.0)))
        while edges > BUSY and 2 * first < counter.passes:
            self._counters.append(counter.first(first))
            first *= LONGER
        self._counters.append(counter)
        self._stage = np.full(grid.shape[:-1], -1)
        self._stage[quiet] = len(self._counters) - 1
        self._count(self._stage < 0, 0)

    @property
    def counted(self) -> Bools:
        """Return which rows, one for each off-delay, are counted in full; shape (levels, releases, filters, …)."""
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
        rows = self._around(cells) & ~self.counted
        if not rows.any():
            return True
        self._rounds += 1
        last = len(self._counters) - 1
        if self._rounds > MOST_ROUNDS:
            known = self.errors[self.counted].min(initial=np.iinfo(np.int64).max)
            self._count(~self.counted & (self.errors.min(axis=-1) <= known), last)
            return False
        stage = int(self._stage[rows].min()) + 1
        if stage < last:
            of_rows, e = worth.max(axis=-1), worth.argmax(axis=-1)
            best = np.unravel_index(np.argpartition(of_rows.ravel(), -TOGETHER)[-TOGETHER:], of_rows.shape)
            rows |= self._around(zip(*(one.tolist() for one in (*best, e[best])), strict=True))
        self._count(rows & (self._stage == stage - 1), stage)
        return False

    def _around(self, cells: Iterable[At]) -> Bools:
        """Return the rows between the nearest cells known to be costlier along each axis: those beyond mean nothing."""
        least = int(self.errors.min())
        rows = np.zeros(self._stage.shape, bool)
        for at in cells:
            for axis in range(4):
                costlier = np.flatnonzero(self.errors[line_through(at, axis)] > least)
                low = int(costlier[costlier < at[axis]].max(initial=-1))
                high = int(costlier[costlier > at[axis]].min(initial=self.errors.shape[axis]))
                rows[line_through(at, axis, slice(low + 1, high))[:4]] = True
        return rows

    def _count(self, rows: Bools, stage: int) -> None:
        """Count rows on one of the stretches."""
        timings = rows.reshape(-1, rows.shape[2] * rows.shape[3])
        # Pairs of levels that need the same filters and on-delays are counted in one reading.
        kinds, kind = np.unique(timings, axis=0, return_inverse=True)
        for k in np.flatnonzero(kinds.any(axis=1)).tolist():
            pairs = np.flatnonzero(kind.ravel() == k)
            of = kinds[k].reshape(rows.shape[2:])
            c, d = np.flatnonzero(of.any(axis=1)), np.flatnonzero(of.any(axis=0))
            part = replace(self._grid, filters=self._grid.filters[c], on_delays=self._grid.on_delays[d])
            f, h = np.unravel_index(pairs, rows.shape[:2])
            at = f[:, None, None], h[:, None, None], c[None, :, None], d[None, None, :]
            found = self._counters[stage].rows(part, self._shown, pairs)
            # What was counted on a longer stretch already is closer to the truth, and stays.
            longer = (self._stage[at] < stage)[..., None]
            self.errors[at] = np.where(longer, found, self.errors[at])
            self._stage[at] = np.maximum(self._stage[at], stage)
