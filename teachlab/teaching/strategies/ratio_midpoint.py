"""Ratio midpoint: the middle of object and background on a logarithmic scale of light."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, ClassVar

import numpy as np

from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter
from teachlab.teaching.rules.classic import above_dark
from teachlab.teaching.rules.labelled_events import (
    backgrounds,
    least_light,
    require_spread,
    robust,
    statistics_of,
    wrong_side,
)
from teachlab.teaching.rules.placing import place_on_events
from teachlab.teaching.strategies.noise_weighted import equal_deviations


class Weight(StrEnum):
    """Whether the spreads of the logarithms count."""

    EQUAL = "equal"
    NOISE = "noise"


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioMidpoint(CheckedParameters):
    """Place the level so that the light may change by the same factor on both sides.

    Parameters
    ----------
    weight : Weight
        `equal`: the geometric mean of the two medians; `noise`: equally many standard deviations of the
        logarithm from both classes.
    floor_share : float, share of the distance of the logarithms, in (0, 0.5]
        Least standard deviation of either class, for `noise`.

    Notes
    -----
    With d the dark level, x1 the median of the sustained peaks of the passes and x0 that of gaps and passes to be
    ignored, as light: T = d + √((x1 − d)·(x0 − d)), so the excess gain (x1 − d)/(T − d) of one side equals that of the
    other. `noise` puts (s0·ln (x1 − d) + s1·ln (x0 − d))/(s0 + s1) for the mean of the logarithms. Light above dark
    below two steps of the converter counts as two steps, unless these are more than a tenth of the bright side.

    When it fails: with dips to nearly no light the level lies very low, and any ambient rise or backscatter
    ends above it; noise that does not grow with the light (and texture inside objects) is ignored. It
    abstains at or below the dark level, and if the passes are not on the object's side.

    References
    ----------
    Excess gain as a ratio of light: common practice, no source. Equal deviations: see
    `noise-weighted-midpoint`.

    Examples
    --------
    >>> RatioMidpoint().weight.value
    'equal'
    """

    name: ClassVar[str] = "ratio-midpoint"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain"})

    weight: Weight = parameter(Weight.EQUAL, "whether the spreads of the logarithms count")
    floor_share: float = parameter(
        0.01,
        "least standard deviation of a class, for noise",
        unit="share of the distance of the logarithms",
        above=0,
        at_most=0.5,
    )

    def teach(self, view: TeachView) -> Setting:
        """Return the geometric middle of the events shown."""
        found = statistics_of(view)
        if self.weight is Weight.NOISE:
            require_spread(view, found)
        gaps, passes = (found.sign * h - view.dark_level for h in (backgrounds(found), found.peaks))
        dim, bright = sorted((float(np.median(gaps)), float(np.median(passes))))
        above_dark(view, view.dark_level + dim, "the middle of one class")
        floor = least_light(found, bright)
        m0, m1 = (math.log(max(float(np.median(light)), floor)) for light in (gaps, passes))
        apart = found.sign * (m1 - m0)
        if not apart > 0:
            raise wrong_side(f"passes {math.exp(m1):.6g}, gaps {math.exp(m0):.6g} {view.unit} above dark")
        if self.weight is Weight.EQUAL:
            middle = (m0 + m1) / 2
        else:
            # Light below the floor counts as the floor.
            lifted = (np.log(np.maximum(light, max(floor, dim * 1e-6, math.ulp(0.0)))) for light in (gaps, passes))
            s0, s1 = (robust(logarithm, self.floor_share * apart)[1] for logarithm in lifted)
            middle = equal_deviations(m0, s0, m1, s1)
        level = view.dark_level + math.exp(middle)
        told: dict[str, Any] = {
            "gap_median": view.dark_level + math.exp(m0),
            "pass_median": view.dark_level + math.exp(m1),
            "excess_gain": math.exp(apart / 2),
        }
        return place_on_events(self, view, found, found.sign * level, **told)
