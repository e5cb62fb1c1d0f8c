"""Cells whose levels are in doubt: each has the errors of the worst place where its levels may lie."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from teachlab.model.arrays import Flags
from teachlab.model.setting import Setting
from teachlab.model.teaching import TeachView
from teachlab.sensor.edges import TwoState
from teachlab.teaching.cells.designed_cells import CellGrid, Cells, ShownCounter
from teachlab.teaching.cells.shown_light import ShownLight


@dataclass(frozen=True, slots=True, eq=False)
class DoubtCounter:
    """Counts cells as `ShownCounter` does, with both levels as given, and moved together to either end of a doubt.

    `places`: by how much levels are moved, recording units, and what counts them there.
    """

    places: tuple[tuple[float, ShownCounter], ...]

    @classmethod
    def of(cls, view: TeachView, doubt: float) -> DoubtCounter:
        """Count on the events shown; without a doubt `ShownCounter` alone is enough."""
        return cls(tuple((by, ShownCounter(view)) for by in (0.0, -doubt, doubt)))

    @property
    def passes(self) -> int:
        """Passes shown, including those to be ignored."""
        return self.places[0][1].passes

    @property
    def evaluations(self) -> int:
        """Evaluations shown, at all places together."""
        return sum(counter.evaluations for _, counter in self.places)

    def _at_places(self, grid: CellGrid) -> list[tuple[CellGrid, ShownCounter]]:
        return [(replace(grid, moved=by), counter) for by, counter in self.places]

    def first(self, passes: int) -> DoubtCounter:
        """Return a counter of the first passes and gaps only."""
        return DoubtCounter(tuple((by, counter.first(passes)) for by, counter in self.places))

    def cells(self, grid: CellGrid, shown: ShownLight) -> Cells:
        """Return the errors of every cell."""
        out: Cells = np.maximum.reduce([counter.cells(one, shown) for one, counter in self._at_places(grid)])
        return out

    def levels(self, grid: CellGrid, shown: ShownLight, some: Flags) -> Cells:
        """Return the errors of every cell of some levels."""
        out: Cells = np.maximum.reduce([counter.levels(one, shown, some) for one, counter in self._at_places(grid)])
        return out

    def quiet_levels(self, grid: CellGrid, shown: ShownLight, out: Cells) -> Flags:
        """Count the levels at which most passes need no counting at any place, and return which they are."""
        parts = [np.empty_like(out) for _ in self.places]
        found = [counter.quiet_levels(one, shown, part)
                 for (one, counter), part in zip(self._at_places(grid), parts, strict=True)]  # fmt: skip
        return self._worst(parts, found, out)

    def count_into(self, errors: Cells, wanted: Flags, grid: CellGrid, shown: ShownLight) -> Flags:
        """Count some cells, each with all longer off-delays, write them to `errors`, and return which were counted."""
        parts = [errors.copy() for _ in self.places]
        found = [counter.count_into(part, wanted, one, shown)
                 for (one, counter), part in zip(self._at_places(grid), parts, strict=True)]  # fmt: skip
        return self._worst(parts, found, errors)

    @staticmethod
    def _worst(parts: list[Cells], counted: list[Flags], out: Cells) -> Flags:
        everywhere: Flags = np.logical_and.reduce(counted)
        out[everywhere] = np.maximum.reduce([part[everywhere] for part in parts])
        return everywhere

    def edges_expected(self, grid: CellGrid, shown: ShownLight, levels: Flags) -> float:
        """Estimate the edges of the comparators of some levels together."""
        return sum(counter.edges_expected(one, shown, levels) for one, counter in self._at_places(grid))

    def errors_of(self, state: TwoState, setting: Setting) -> int:
        """Return the errors of one setting, from the state of its comparator."""
        return self.places[0][1].errors_of(state, setting)
