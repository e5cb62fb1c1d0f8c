"""Noise-weighted midpoint: equally many deviations from both classes, or where the costs of both errors balance."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, ClassVar

from teachlab.errors import Abstained
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter
from teachlab.teaching.rules.classic import show
from teachlab.teaching.rules.labelled_events import backgrounds, require_spread, robust, statistics_of, wrong_side
from teachlab.teaching.rules.placing import place_on_events

LEAST_SPREAD = 1e-9
"""Least standard deviation in the search for a root, as a share of the distance of the classes."""


class Balance(StrEnum):
    """What is equal on both sides of the level."""

    DEVIATIONS = "deviations"
    COSTS = "costs"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseWeightedMidpoint(CheckedParameters):
    """Place the level by the spreads of the peaks of passes and gaps: closer to the steadier class.

    Parameters
    ----------
    balance : Balance
        `deviations`: equally many standard deviations from both classes; `costs`: where a little more of one
        error costs what it saves of the other (Bayes).
    cost_miss, cost_false : float, any one unit, above 0
        For `costs`: of a lost pass, and of a gap that trips.
    prior_object : float, in (0, 1)
        For `costs`: share of the events that are passes.
    floor_share : float, share of the distance of the medians, in (0, 0.5]
        Least standard deviation of either class.

    Notes
    -----
    With objects upwards, m1 and s1 median and 1.4826·MAD of the sustained peaks of the passes, m0 and s0
    those of the gaps and of passes to be ignored, each s at least `floor_share` · (m1 − m0), the local noise
    of its side and one step of the converter over √12:

    - `deviations`: (T − m0)/s0 = (m1 − T)/s1, so T = (s0·m1 + s1·m0)/(s0 + s1);
    - `costs`: the root of T²(1/s0² − 1/s1²) + 2T(m1/s1² − m0/s0²) + m0²/s0² − m1²/s1²
      + 2·ln(c_m·π1·s0/(c_f·π0·s1)) = 0 at which objects take over upwards; for equal spreads
      T = (m0 + m1)/2 + s²/(m1 − m0)·ln(c_f·π0/(c_m·π1)).

    When it fails: it is the best for the moment of teaching, and lies close to the side with less noise. So a rise of
    ambient light, a glint or a kind that was not shown crosses it: it lost all passes at +4 % of full scale of
    ambient light. It assumes normal distributions. It abstains with fewer than 10 passes, if m1 ≤ m0, where half of
    a class is saturated, and where costs and priors want the level outside the two medians.

    References
    ----------
    Duda, Hart & Stork 2001, *Pattern Classification*, 2.6 (the root); Agrawal, *Fiber-Optic Communication
    Systems*, 4.6 (equal deviations); Hampel 1974 (MAD).

    Examples
    --------
    >>> NoiseWeightedMidpoint(balance="costs", cost_miss=100.0).cost_false
    1.0
    """

    name: ClassVar[str] = "noise-weighted-midpoint"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    balance: Balance = parameter(Balance.DEVIATIONS, "what is equal on both sides")
    cost_miss: float = parameter(1.0, "cost of a lost pass, for costs", above=0)
    cost_false: float = parameter(1.0, "cost of a tripped gap, for costs", above=0)
    prior_object: float = parameter(0.5, "share of passes among the events, for costs", above=0, below=1)
    floor_share: float = parameter(
        0.01, "least standard deviation of a class", unit="share of the distance of the medians", above=0, at_most=0.5
    )

    def teach(self, view: TeachView) -> Setting:
        """Return the level between the classes of the events shown."""
        found = statistics_of(view, passes=10)
        require_spread(view, found)
        least = (found.step or 0.0) / math.sqrt(12)
        m0, s0 = robust(backgrounds(found), max(least, found.noise_background or 0.0))
        m1, s1 = robust(found.peaks, max(least, found.noise_object or 0.0))
        if not m1 > m0:
            raise wrong_side(f"passes {show(view, found.sign * m1)}, gaps {show(view, found.sign * m0)}")
        floor = self.floor_share * (m1 - m0)
        s0, s1 = max(s0, floor), max(s1, floor)
        level = self._level(view, found.sign, m0, s0, m1, s1)
        told: dict[str, Any] = {"gap_median": found.sign * m0, "pass_median": found.sign * m1}
        return place_on_events(self, view, found, level, **told, gap_spread=s0, pass_spread=s1)

    def _level(self, view: TeachView, sign: int, m0: float, s0: float, m1: float, s1: float) -> float:
        if self.balance is Balance.DEVIATIONS:
            return equal_deviations(m0, s0, m1, s1)
        odds = self.cost_miss * self.prior_object / (self.cost_false * (1 - self.prior_object))
        # Costs that no number can compare want no level between the classes.
        level = balanced_costs(m0, s0, m1, s1, odds) if 0 < odds < math.inf else None
        if level is None or not m0 < level < m1:
            wanted = "nowhere" if level is None else f"at {show(view, sign * level)}"
            raise Abstained(
                "costs and priors want no level between the two classes",
                f"level {wanted}, gaps {show(view, sign * m0)}, passes {show(view, sign * m1)}",
                "a level between the two medians: less extreme costs or priors",
            )
        return level


def equal_deviations(m0: float, s0: float, m1: float, s1: float) -> float:
    """Return the level equally many standard deviations from both means.

    Examples
    --------
    >>> equal_deviations(10.0, 1.0, 40.0, 4.0)
    16.0
    """
    # As a share of the distance: exact for equal spreads, and valid if both are 0.
    share = s0 / (s0 + s1) if s0 + s1 > 0 else 0.5
    return m0 + share * (m1 - m0)


def balanced_costs(m0: float, s0: float, m1: float, s1: float, odds: float) -> float | None:
    """Return the level at which class 1 takes over upwards, None if it never does.

    `m0`, `s0`, `m1`, `s1`: means and standard deviations of two normal classes.
    `odds`: c_m·π1/(c_f·π0): cost times prior of class 1 over that of class 0.

    The root of ``a·T² + 2·b·T + c`` at which it turns positive; written so that it does not cancel where
    the spreads are nearly equal.

    Examples
    --------
    >>> round(balanced_costs(0.0, 1.0, 2.0, 1.0, 1.0), 12)
    1.0
    """
    # About the middle and in units of the distance the coefficients depend on neither offset nor gain.
    middle, unit = (m0 + m1) / 2, max(abs(m1 - m0), s0, s1)
    if not unit > 0:
        return None
    m0, m1 = (m0 - middle) / unit, (m1 - middle) / unit
    s0, s1 = max(s0 / unit, LEAST_SPREAD), max(s1 / unit, LEAST_SPREAD)
    # Where two weighted normal densities are equal: a quadratic equation in the level. This form of the root loses no
    # digits if the two spreads are nearly the same and a is nearly 0.
    a = 1 / s0**2 - 1 / s1**2
    b = m1 / s1**2 - m0 / s0**2
    c = (m0 / s0) ** 2 - (m1 / s1) ** 2 + 2 * (math.log(odds) + math.log(s0 / s1))
    inside = b * b - a * c
    if inside < 0 or (a == 0 and b <= 0):
        return None
    root = math.sqrt(inside)
    return middle + unit * (-c / (b + root) if b > 0 else (root - b) / a)
