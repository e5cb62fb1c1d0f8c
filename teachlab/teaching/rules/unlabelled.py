"""Common parts of the strategies on an unlabelled sweep: heights, moments of both sides of every cut, placing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.event_statistics import EventStatistics, measure_events
from teachlab.model.setting import Setting
from teachlab.model.teaching import Events, TeachView
from teachlab.teaching.parameters import record
from teachlab.teaching.rules.classic import require, require_difference, show
from teachlab.teaching.rules.hysteresis import CLEARANCE, Width, WidthReason, wanted_width
from teachlab.teaching.rules.labelled_events import Heights, told

FEWEST = 20
"""Smallest number of valid evaluations of a sweep, on both sides together."""
VALLEY_SHARE = 0.1
"""The light is below the release for at least this share of the time without objects."""
SEPARATION = 4.0
"""If the means of two classes are closer than this many of their standard deviations, they are not two levels."""


def heights_of(view: TeachView) -> Heights:
    """Return the valid evaluations of the sweep, objects upwards; abstain if they are all equal."""
    valid = view.sweep.valid
    require(valid, "in the sweep", at_least=FEWEST)
    require_difference(view, float(np.ptp(valid)), "the sweep shows no span")
    return view.sign * valid


@dataclass(frozen=True, slots=True, eq=False)
class Cuts:
    """Both sides of every cut between distinct levels of a sweep.

    `below`, `above` (shape (cuts,), recording units): the levels next to each cut.
    `weight` (shape (cuts,)): share of the evaluations below.
    `mean_below`, `mean_above`: shape (cuts,), recording units.
    `variance_below`, `variance_above` (shape (cuts,), recording units squared): with n in the denominator.
    """

    below: Heights
    above: Heights
    weight: Heights
    mean_below: Heights
    mean_above: Heights
    variance_below: Heights
    variance_above: Heights

    @classmethod
    def of(cls, heights: Heights) -> Cuts:
        """Return all cuts of a sweep of at least two distinct levels."""
        values, counts = np.unique(heights, return_counts=True)
        # About the mean, the sums lose no digits, for any offset of the light.
        centre = float(np.average(values, weights=counts))
        moved = values - centre
        n = np.cumsum(counts)[:-1].astype(np.float64)
        total, m = float(heights.size), heights.size - np.cumsum(counts)[:-1].astype(np.float64)
        first, second = np.cumsum(counts * moved), np.cumsum(counts * moved**2)
        mean_below, mean_above = first[:-1] / n, (first[-1] - first[:-1]) / m
        return cls(
            below=values[:-1],
            above=values[1:],
            weight=n / total,
            mean_below=centre + mean_below,
            mean_above=centre + mean_above,
            variance_below=np.maximum(second[:-1] / n - mean_below**2, 0.0),
            variance_above=np.maximum((second[-1] - second[:-1]) / m - mean_above**2, 0.0),
        )

    def middle(self, k: int) -> float:
        """Return the height in the middle of a cut."""
        return float(self.below[k] + (self.above[k] - self.below[k]) / 2)


def place_on_sweep(strategy: Any, view: TeachView, level: float, **evidence: Any) -> Setting:
    """Return the setting of a level found on a sweep.

    `strategy`: for the record.
    `level` (recording units, objects upwards): T; there are evaluations on both sides of it.
    `**evidence`: further plain numbers for the record.

    The level itself labels the sweep: everything beyond it counts as passes. H = max(R_edge, 6 σ) of what lies before
    it, reduced so that the release stays 2 σ above the lowest tenth of it: the light must get there between the passes.
    """
    found = _labelled_by(view, level)
    wanted, by = wanted_width(found)
    below = view.sign * view.sweep.valid
    before = below[below < level]
    if before.size == 0:
        raise Abstained(
            "the levels of the sweep are too close to each other for one between them",
            f"span {show(view, float(np.ptp(below)))} at {show(view, view.sign * level)}",
            "more contrast",
        )
    valley = float(np.quantile(before, VALLEY_SHARE))
    widest = max(level - valley - CLEARANCE * found.noise, 0.0)
    width = Width(min(wanted, widest), wanted, by, widest, WidthReason.CONTRAST)
    numbers = told(found, hysteresis=width.told(), sweep_passes=view.sweep.passes, **evidence)
    return view.place(view.sign * level, width.width, record(strategy, **numbers))


def _labelled_by(view: TeachView, level: float) -> EventStatistics:
    """Return the statistics of a sweep where everything at or beyond a level counts as passes."""
    light = view.sweep.light
    # With darkness at either end every run of light has a start and an end, so the borders come in pairs.
    beyond = np.diff(view.sign * light >= level, prepend=False, append=False)
    borders = np.flatnonzero(beyond).reshape(-1, 2)
    count = len(borders)
    names: NDArray[np.object_] = np.full(count, "", object)
    events = Events(light, borders[:, 0], borders[:, 1], np.ones(count, bool), names, 0)
    return measure_events(events, view.sign)


def require_two_levels(view: TeachView, m0: float, v0: float, m1: float, v1: float, floor: float) -> None:
    """Abstain if two classes are not two levels: their means are too close for their spreads.

    `m0`, `v0`, `m1`, `v1`: means and variances of the two classes, heights.
    `floor` (recording units): least standard deviation.
    """
    spread = math.sqrt(max((v0 + v1) / 2, floor**2))
    if m1 - m0 < SEPARATION * spread:
        raise Abstained(
            "the sweep does not fall into two levels: the contrast is too small",
            f"means {show(view, view.sign * m0)} and {show(view, view.sign * m1)} are "
            f"{(m1 - m0) / spread:.2g} standard deviations apart",
            f"at least {SEPARATION:g}: show more contrast, or labelled passes to quantile-guard",
        )


def level_floor(view: TeachView) -> float:
    """Return the least standard deviation of levels of a sweep: one step over √12."""
    from teachlab.light.noise import SmallestStep

    found = SmallestStep()
    valid = view.sweep.valid
    found.push(valid[:: max(1, valid.size // (1 << 16))])
    return (found.step() or 0.0) / math.sqrt(12)
