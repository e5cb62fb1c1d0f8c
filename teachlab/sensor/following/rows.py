"""Whole update intervals of evaluated light, and what is the same for every setting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.arrays import Flags, Floats

if TYPE_CHECKING:
    from teachlab.sensor.edges import Edges


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Consecutive update intervals.

    `start`: first evaluation of the first interval.
    `light`: shape (rows, evaluations of an interval), recording units.
    `low`, `high` (shape (rows,), recording units): extremes; NaN where an evaluation is invalid.
    `present` (shape (rows,)): how many evaluations are finite.
    `total` (shape (rows,), recording units): sum of these, added in their order.
    `sound` (shape (rows,)): whether all are finite.
    """

    start: int
    light: Floats
    low: Floats
    high: Floats
    present: Edges
    total: Floats
    sound: Flags

    @classmethod
    def of(cls, start: int, light: Floats) -> Rows:
        """Take the extremes and sums of intervals."""
        turned = np.ascontiguousarray(light.T)
        low, high = turned.min(axis=0), turned.max(axis=0)
        sound = np.isfinite(low) & np.isfinite(high)
        with np.errstate(all="ignore"):
            total = added(turned)
        present = np.full(light.shape[0], light.shape[1])
        broken = np.flatnonzero(~sound)
        if broken.size:
            finite = np.isfinite(light[broken])
            present[broken] = np.count_nonzero(finite, axis=1)
            with np.errstate(over="ignore"):
                total[broken] = added(np.where(finite, light[broken], 0.0).T)
        return cls(start, light, low, high, present, total, sound)

    @property
    def count(self) -> int:
        """Number of intervals."""
        return int(self.light.shape[0])

    @property
    def every(self) -> int:
        """Evaluations of an interval."""
        return int(self.light.shape[1])

    @property
    def evaluations(self) -> int:
        """Number of evaluations in them."""
        return int(self.light.size)

    def part(self, a: int, b: int) -> Rows:
        """Return the intervals ``a … b − 1``."""
        return Rows(
            self.start + a * self.every, self.light[a:b], self.low[a:b], self.high[a:b], self.present[a:b],
            self.total[a:b], self.sound[a:b],
        )  # fmt: skip


def added(turned: Floats) -> Floats:
    """Return sums over the first axis, added to 0 one by one from the first on.

    A reduction may add in another order, which rounds differently.
    """
    if turned.shape[0] > turned.shape[1]:
        return np.asarray(0.0 + np.add.accumulate(turned, axis=0)[-1])
    total: Floats = 0.0 + turned[0]
    for row in turned[1:]:
        total += row
    return total
