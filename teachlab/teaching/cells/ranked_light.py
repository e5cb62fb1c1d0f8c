"""Light as ranks among the levels of all cells: one small number for each evaluation, made in one reading.

A comparator asks only whether the light is at or above a level. The rank of an evaluation, the number of levels at or
below its light, answers this for every level: it is at or above level i from rank i + 1 on. Cells are counted on ranks
alone, and the light itself need not be held.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Flags, Floats, Integers, Where

Ranks = NDArray[Any]

RANKED = 1 << 16
"""Evaluations ranked at a time, so that they stay near the processor."""
PLACES = 1 << 16
"""Light is first put into so many equal places between the outermost levels."""


@dataclass(frozen=True, slots=True, eq=False)
class RankedLight:
    """The rank of every evaluation among some levels; an invalid one has that of the last valid one before it.

    `levels` (ascending, recording units): each once.
    `ranks` (shape (n,)): numbers of levels at or below the light, in the smallest type that holds them. Invalid
    evaluations before the first valid one have its rank.
    `invalid` (ndarray of bool, shape (n,)): None if all are valid.
    """

    levels: Floats
    ranks: Ranks
    invalid: Flags | None

    @classmethod
    def of(cls, light: Iterable[Floats], size: int, levels: Floats) -> RankedLight:
        """Rank light.

        `light`: parts of it, one after the other; NaN is an invalid evaluation.
        `size` (evaluations): how many are ranked; what comes after them is left out.
        `levels` (recording units): in any order, at least one.
        """
        levels = np.unique(levels)
        ranking = _Ranking(levels)
        ranks, invalid = np.empty(size, ranking.dtype), None
        at, begun = 0, False
        for one in light:
            for a in range(0, min(one.size, size - at), RANKED):
                part = one[a : a + RANKED][: size - at]
                rank, missing = ranking.of(part), np.isnan(part)
                if missing.any():
                    invalid = np.zeros(size, bool) if invalid is None else invalid
                    invalid[at : at + part.size] = missing
                    last = np.maximum.accumulate(np.where(missing, -1, np.arange(part.size)))
                    rank = np.where(last < 0, ranks[at - 1] if at else 0, rank[last])
                if not begun and not missing.all():
                    # Before the first valid evaluation all is as at it.
                    first, begun = int(np.argmin(missing)), True
                    rank[:first] = ranks[:at] = rank[first]
                ranks[at : at + part.size] = rank
                at += part.size
        return cls(levels, ranks, invalid)

    def first(self, evaluations: int) -> RankedLight:
        """Return the first evaluations."""
        invalid = None if self.invalid is None else self.invalid[:evaluations]
        return RankedLight(self.levels, self.ranks[:evaluations], invalid)

    def turned(self, ranks: Ranks, rise: bool) -> Integers:
        """Return ranks or marks turned so that objects go up: where they lower the light, the other way round.

        A dip reaches a level below it: from the mark on it is not there.
        """
        return ranks.astype(np.int64) if rise else self.levels.size - ranks.astype(np.int64)

    def marks(self, levels: Floats) -> Integers:
        """Return the rank from which on light is at or above each of the levels, which are among `levels`."""
        return np.searchsorted(self.levels, levels) + 1


class _Ranking:
    """Ranks light among levels, by a table over equal places between the outermost ones.

    A place holds light from one value up to another, so light there lies above the levels of lower places and below
    those of higher ones. Only where the place holds a level too they are compared.
    """

    def __init__(self, levels: Floats) -> None:
        # One number more stands for places that hold a level.
        self.dtype = np.min_scalar_type(levels.size + 1)
        self._levels = levels
        with np.errstate(over="ignore"):
            scale = (PLACES - 3) / (levels[-1] - levels[0]) if levels[-1] > levels[0] else 1.0
        self._scale = scale if np.isfinite(scale) and scale > 0 else 1.0
        places = self._places(levels)
        self._known = np.searchsorted(places, np.arange(PLACES), side="left").astype(self.dtype)
        self._unknown = self.dtype.type(levels.size + 1)
        self._known[places] = self._unknown

    def _places(self, light: Floats) -> Where:
        with np.errstate(over="ignore", invalid="ignore"):
            place = light - self._levels[0]
            place *= self._scale
            place += 1.0
            np.clip(place, 0.0, PLACES - 1.0, out=place)
            # Every step rounds monotonically, so the order is kept. NaN lies anywhere.
            out: NDArray[np.intp] = place.astype(np.intp)
        return out

    def of(self, light: Floats) -> Ranks:
        """Return the rank of light; of NaN any."""
        out: Ranks = self._known.take(self._places(light), mode="clip")
        rest = np.flatnonzero(out == self._unknown)
        out[rest] = np.searchsorted(self._levels, light[rest], side="right")
        return out
