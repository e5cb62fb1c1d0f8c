"""Whether objects raise or lower the light: the rule that finds it, and what it measured."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike

from teachlab.light.usable_light import LARGEST
from teachlab.model.json_values import Document
from teachlab.model.recording import Direction

REQUIRED_RATIO = 1.25
"""The larger contrast must be at least this many times the smaller one."""


@dataclass(frozen=True, slots=True)
class Contrasts(Document):
    """How far objects rise above the gaps, and how far they dip below them.

    `rise` (recording units): median of (pass maximum − gap median); NaN without data.
    `dip` (recording units): median of (gap median − pass minimum); NaN without data.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("ratio",)
    rise: float
    dip: float

    @property
    def ratio(self) -> float:
        """The larger contrast divided by the smaller one: infinite if only one is above 0, NaN if none is."""
        larger, smaller = max(self.rise, self.dip), min(self.rise, self.dip)
        if not larger > 0:
            return float("nan")
        return larger / smaller if smaller > 0 else float("inf")

    def told(self, unit: str) -> str:
        """Return both contrasts and their ratio in words.

        Examples
        --------
        >>> Contrasts(6.0, 4.0).told("mV"), Contrasts(0.0, -1.0).told("mV")
        ('rise 6 mV, dip 4 mV, ratio 1.5', 'rise 0 mV, dip -1 mV')
        >>> Contrasts(float("nan"), float("nan")).told("mV")
        'no light of passes beside light of gaps'
        """
        if not (isfinite(self.rise) and isfinite(self.dip)):
            return "no light of passes beside light of gaps"
        both = f"rise {self.rise:.6g} {unit}, dip {self.dip:.6g} {unit}"
        return f"{both}, ratio {self.ratio:.3g}" if isfinite(self.ratio) else both

    @property
    def direction(self) -> Direction | None:
        """The direction of the larger contrast; None if the two are too similar to decide."""
        if not self.ratio >= REQUIRED_RATIO:
            return None
        return Direction.RISE if self.rise > self.dip else Direction.DIP


def contrasts(pass_max: ArrayLike, pass_min: ArrayLike, gap_median: ArrayLike) -> Contrasts:
    """Measure how far the light of passes reaches above and below the gaps.

    `pass_max`, `pass_min` (shape (passes,), recording units): extremes of the valid samples of every pass; passes with
    NaN are left out.
    `gap_median` (shape (passes,), recording units): median of the background: one for all passes, or one for each.

    Examples
    --------
    >>> contrasts([52.0, 50.0, 48.0], [9.0, 8.0, 9.0], 10.0)
    Contrasts(rise=40.0, dip=1.0)
    """
    # The difference of two infinities would be NaN: infinite light counts as the largest that is calculated with.
    most, least, background = (
        np.clip(np.asarray(x, np.float64), -LARGEST, LARGEST) for x in (pass_max, pass_min, gap_median)
    )
    above, below = most - background, background - least
    known = ~(np.isnan(above) | np.isnan(below))
    if not known.any():
        return Contrasts(float("nan"), float("nan"))
    return Contrasts(float(np.median(above[known])), float(np.median(below[known])))
