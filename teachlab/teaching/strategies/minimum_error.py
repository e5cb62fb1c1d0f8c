"""Minimum error: the cut of an unlabelled sweep that two normal classes explain best."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from teachlab.errors import Abstained
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter
from teachlab.teaching.rules.labelled_events import Heights
from teachlab.teaching.rules.unlabelled import Cuts, heights_of, level_floor, place_on_sweep, require_two_levels
from teachlab.teaching.strategies.noise_weighted import balanced_costs


@dataclass(frozen=True, slots=True, kw_only=True)
class MinimumError(CheckedParameters):
    """Cut an unlabelled sweep where two normal classes of different widths explain it best.

    Parameters
    ----------
    sweep_passes : int, passes, at least 1
        The sweep stops after this many.
    least_weight : float, share of the evaluations, in (0, 0.5)
        A class smaller than this is none.

    Notes
    -----
    With w0, w1 the shares and s0, s1 the standard deviations of the two sides,
    J(T) = 1 + 2·(w0·ln s0 + w1·ln s1) − 2·(w0·ln w0 + w1·ln w1) is least; every cut between two distinct
    levels is tried. Where no evaluation lies between the classes J does not change from one side of the hole
    to the other: there T is the level at which the second normal density overtakes the first, which the
    optimum is in any case, or else the middle. No standard deviation counts as less than a step of the
    converter over √12: a class without variance is not certain.

    When it fails: partly filled edges and texture are not normally distributed (it tripped 101 times per gap-hour
    with black trays). A class with almost no variance pulls the level towards itself. It abstains where the
    sweep has no span, where the least J lies at the end of the range (one class), and where the two classes
    are closer than 4 standard deviations.

    References
    ----------
    Kittler & Illingworth 1986, "Minimum error thresholding", Pattern Recognition 19, 41-47.

    Examples
    --------
    >>> level, criterion = least_error(np.array([1.0, 2, 3, 11, 13, 15, 17]), 0.3, 0.01)
    >>> 3 < level <= 11
    True
    """

    name: ClassVar[str] = "minimum-error"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.SWEEP})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    sweep_passes: int = parameter(20, "the sweep stops after this many", unit="passes", at_least=1)
    least_weight: float = parameter(
        0.01, "a smaller class is none", unit="share of the evaluations", above=0, below=0.5
    )

    def teach(self, view: TeachView) -> Setting:
        """Return the cut of the sweep shown."""
        heights, floor = heights_of(view), level_floor(view)
        found = least_error(heights, floor, self.least_weight)
        if found is None:
            raise Abstained(
                "the sweep is explained best by one class",
                f"least criterion at the end of the range, classes of at least {self.least_weight:.2g}",
                "two classes: a sweep in which both states take their share of the time",
            )
        level, criterion = found
        low, high = heights[heights < level], heights[heights >= level]
        require_two_levels(view, float(low.mean()), float(low.var()), float(high.mean()), float(high.var()), floor)
        return place_on_sweep(self, view, level, criterion=criterion)


def least_error(heights: Heights, floor: float, least_weight: float) -> tuple[float, float] | None:
    """Return the best cut and its criterion, None if it lies at the end of the range.

    `heights`: shape (n,), recording units.
    `floor` (recording units): least standard deviation.
    `least_weight` (share): cuts that leave less on a side are not tried.
    """
    cuts = Cuts.of(heights)
    w0, w1 = cuts.weight, 1 - cuts.weight
    least = max(floor**2, np.finfo(np.float64).tiny)
    v0, v1 = np.maximum(cuts.variance_below, least), np.maximum(cuts.variance_above, least)
    criterion = 1 + w0 * np.log(v0) + w1 * np.log(v1) - 2 * (w0 * np.log(w0) + w1 * np.log(w1))
    tried = np.flatnonzero((w0 >= least_weight) & (w1 >= least_weight))
    if tried.size == 0:
        return None
    k = int(tried[np.argmin(criterion[tried])])
    # One class: the criterion falls to the end of the tried range, or is no better than without a cut.
    single = 1 + math.log(max(float(np.var(heights)), least))
    at_end = tried.size > 2 and k in (int(tried[0]), int(tried[-1])) and not _own_minimum(criterion, k)
    if at_end or criterion[k] >= single:
        return None
    m0, m1 = float(cuts.mean_below[k]), float(cuts.mean_above[k])
    crossing = balanced_costs(m0, math.sqrt(v0[k]), m1, math.sqrt(v1[k]), float(w1[k] / w0[k]))
    inside = crossing is not None and cuts.below[k] < crossing <= cuts.above[k]
    return (crossing if inside and crossing is not None else cuts.middle(k)), float(criterion[k])


def _own_minimum(criterion: Heights, k: int) -> bool:
    """Whether the criterion rises on both sides of a cut, also beyond what was tried."""
    before = criterion[k - 1] if k > 0 else math.inf
    after = criterion[k + 1] if k + 1 < criterion.size else math.inf
    return bool(before > criterion[k] < after)
