"""The surface as a value: counts for every pair of levels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import ParameterError

if TYPE_CHECKING:
    from teachlab.model.draws import Costs
    from teachlab.model.score import Counts
    from teachlab.model.setting import Setting
    from teachlab.questions.surface.values.levels import Levels

Table = NDArray[np.signedinteger[Any]]
"""Counts, int32 or int64, shape (levels, levels): row = on-index i, column = off-index j; without meaning for j > i."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """The result of every pair of levels.

    `levels` (shape (n,), recording units): ascending.
    `lost`, `merged`, `extra`, `false_trips`, `gaps_tripped`, `ignore_trips`, `ignore_tripped` (shape (n, n)): counts at
    on-level i and off-level ``j <= i``; cells with ``j > i`` have no meaning.
    `every_pair`: whether all pairs ``j <= i`` are counted; otherwise only those of zero hysteresis, ``j = i``.
    `distinct`: whether the levels are all distinct levels of the light: then no other level gives other counts.
    `how`: how the counts were made, in words.
    `base`: polarity, filter, delays and evaluation rate of all pairs; its levels are not used.
    `recordings`: how many recordings were added.
    `touching` (shape (n, n)): those of the merged passes that touch the one before: no level is worse for them, and no
    cost contains them. None if no passes touch.
    """

    levels: Levels
    lost: Table
    merged: Table
    extra: Table
    false_trips: Table
    gaps_tripped: Table
    ignore_trips: Table
    ignore_tripped: Table
    every_pair: bool
    distinct: bool
    how: str
    detect_trials: int
    ignore_trials: int
    gap_trials: int
    running_hours: float
    base: Setting
    recordings: int = 1
    touching: Table | None = None

    def __post_init__(self) -> None:
        for name in TABLES:
            # A frozen dataclass protects its names only, not the arrays that they stand for.
            getattr(self, name).flags.writeable = False

    def __add__(self, other: Surface) -> Surface:
        """Return the counts of both, at the same levels and under the same conditions."""
        same = self.levels.size == other.levels.size and bool((self.levels == other.levels).all())
        if not same or self.base != other.base or self.every_pair != other.every_pair:
            raise ParameterError(
                "surfaces add up only at the same levels and with the same polarity, filter and delays. "
                "Count all recordings at common levels: surface_of takes several recordings."
            )
        return replace(
            self,
            # Counts of one recording may be int32, which the sum of many can exceed.
            **{name: getattr(self, name).astype(np.int64) + getattr(other, name) for name in TABLES},
            **{name: getattr(self, name) + getattr(other, name) for name in SUMS},
            distinct=self.distinct and other.distinct,
            touching=other.touching if self.touching is None else self.touching + other.touching_merges,
        )

    @property
    def counted(self) -> NDArray[np.bool_]:
        """Which cells have a meaning, shape (n, n)."""
        n = self.levels.size
        out: NDArray[np.bool_] = np.tri(n, dtype=bool) if self.every_pair else np.eye(n, dtype=bool)
        return out

    @property
    def touching_merges(self) -> Table:
        """How many of the merged passes of every pair touch the one before."""
        return np.zeros_like(self.merged) if self.touching is None else self.touching

    def cost(self, costs: Costs) -> NDArray[np.float64]:
        """Return the cost per scored pass of every pair; infinite where nothing is counted, NaN without passes."""
        false = self.false_trips.astype(np.float64) + self.ignore_trips + self.extra
        if self.detect_trials == 0:
            return np.full(self.lost.shape, np.nan)
        met = 0 if self.touching is None else self.touching
        out: NDArray[np.float64] = costs.of(lost=self.lost, touching=met, false=false, passes=self.detect_trials)
        out[~self.counted] = np.inf
        return out

    def index_of(self, setting: Setting) -> tuple[int, int] | None:
        """Return the row and column whose counts are those of a setting; None if it lies between levels.

        If all distinct levels are known, a level between two of them acts as the upper one.
        """
        pair = setting.on_level, setting.off_level
        i, j = (int(np.searchsorted(self.levels, level)) for level in pair)
        n = self.levels.size
        if max(i, j) >= n or not self.counted[i, j]:
            return None
        if self.distinct or (self.levels[i] == pair[0] and self.levels[j] == pair[1]):
            return i, j
        return None

    def at(self, i: int, j: int) -> dict[str, int]:
        """Return the counts of one pair by name."""
        return {name: int(getattr(self, name)[i, j]) for name in TABLES}

    def setting(self, i: int, j: int) -> Setting:
        """Return the setting of one pair."""
        return self.base.with_levels(float(self.levels[i]), float(self.levels[j]))

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form: tables as lists of rows, each up to its own on-level."""
        out: dict[str, Any] = {
            "schema": 1,
            "unit": self.base.unit,
            "polarity": str(self.base.polarity),
            "levels": self.levels.tolist(),
            "exact": self.every_pair,
            "every_distinct_level": self.distinct,
            "how": self.how,
            **{name: getattr(self, name) for name in SUMS},
        }
        for name in TABLES:
            rows = getattr(self, name).tolist()
            if self.every_pair:
                out[name] = [row[: i + 1] for i, row in enumerate(rows)]
            else:
                out[name] = [[*[None] * i, row[i]] for i, row in enumerate(rows)]
        return out


TABLES = ("lost", "merged", "extra", "false_trips", "gaps_tripped", "ignore_trips", "ignore_tripped")
COUNTED = (*TABLES, "touching")
"""What is counted of a given setting: touching are merged passes that touch the one before, and are no error."""
SUMS = ("detect_trials", "ignore_trials", "gap_trials", "running_hours", "recordings")


def unmirrored(table: Table) -> Table:
    """Convert a table of mirrored ranks back: on-index i' of the mirror is off-index ``n − 1 − i'``."""
    return np.ascontiguousarray(table[::-1, ::-1].T)


def counts_by_table(counts: Counts) -> dict[str, int]:
    """Return the counts of a score under the names of the tables of a surface."""
    renamed = {"ignore_trips": "ignore_false_trips"}
    return {name: getattr(counts, renamed.get(name, name)) for name in TABLES}
