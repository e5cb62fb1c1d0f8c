"""Tail-balanced: generalised Pareto tails on both sides, and the level at which their costs are least."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from teachlab.errors import Abstained
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter
from teachlab.teaching.rules.classic import show
from teachlab.teaching.rules.labelled_events import Heights, backgrounds, require_spread, statistics_of
from teachlab.teaching.rules.placing import place_on_events

FEWEST = 10
"""A tail is fitted to at least this many events."""


@dataclass(frozen=True, slots=True)
class Tail:
    """A generalised Pareto tail beyond a threshold.

    `start` (recording units, objects upwards): u: where the tail begins.
    `share` (share of the events): phi: how many events lie in the tail.
    `shape`: xi, at least 0; 0 is the exponential tail.
    `scale` (recording units, above 0): beta.
    """

    start: float
    share: float
    shape: float
    scale: float

    def beyond(self, distance: float) -> float:
        """Return the share of the events further than a distance into the tail: ``phi·(1 + xi·d/beta)^(−1/xi)``."""
        if self.shape < 1e-9:
            return self.share * math.exp(-distance / self.scale)
        return self.share * math.exp(-math.log1p(self.shape * distance / self.scale) / self.shape)

    def log_density(self, distance: float) -> float:
        """Return the logarithm of how fast the share beyond falls: ``ln phi/beta − (1/xi + 1)·ln(1 + xi·d/beta)``."""
        start = math.log(self.share) - math.log(self.scale)
        if self.shape < 1e-9:
            return start - distance / self.scale
        return start - (1 / self.shape + 1) * math.log1p(self.shape * distance / self.scale)


@dataclass(frozen=True, slots=True, kw_only=True)
class TailBalanced(CheckedParameters):
    """Place the level where the extrapolated tails of passes and gaps cost least together.

    Parameters
    ----------
    tail_share : float, share of the events, in [10⁻⁶, 0.5]
        phi: how much of either class is taken for its tail.
    cost_miss, cost_false : float, any one unit, above 0
        Of a lost pass, and of a gap that trips.

    Notes
    -----
    With objects upwards, u1 = q_phi(P) and the excesses u1 − P of the lowest passes, u0 = q_{1−phi}(G) and
    the excesses G − u0 of the highest gaps; to each a generalised Pareto distribution is fitted by maximum
    likelihood, with its shape xi at least 0 (a bounded tail would exclude what may still come). T between u0 and u1
    minimises c_m·phi1·(1 + xi1·(u1 − T)/b1)^(−1/xi1) + c_f·phi0·(1 + xi0·(T − u0)/b0)^(−1/xi0), a convex
    sum; for two exponential tails T·(1/b1 + 1/b0) = u1/b1 + u0/b0 + ln(c_f·phi0·b1/(c_m·phi1·b0)).

    When it fails: it varies more from one teaching to the next than any other rule here. It lies close to the side
    with less noise. It cannot foresee a disturbance that was not shown. Shape and scale of a tail of 20 events are
    guesses; show 1,000 passes. It abstains with fewer than 10 events in a tail, where half of a class is
    saturated, and if the tails overlap.

    References
    ----------
    Coles 2001, *An Introduction to Statistical Modeling of Extreme Values*, 4.2 (peaks over threshold).
    The fit is that of `scipy.stats.genpareto`.

    Examples
    --------
    >>> round(Tail(start=1.0, share=0.1, shape=0.0, scale=2.0).beyond(2.0), 6)
    0.036788
    """

    name: ClassVar[str] = "tail-balanced"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    tail_share: float = parameter(
        0.1, "how much of either class is its tail", unit="share of the events", at_least=1e-6, at_most=0.5
    )
    cost_miss: float = parameter(1.0, "cost of a lost pass", above=0)
    cost_false: float = parameter(1.0, "cost of a tripped gap", above=0)

    def teach(self, view: TeachView) -> Setting:
        """Return the level of least extrapolated cost for the events shown."""
        found = statistics_of(view)
        require_spread(view, found)
        # A scale of 0 is no certainty: at least the rounding of the log, a tenth of the noise, and what float64 can
        # separate.
        floor = max((found.step or 0.0) / math.sqrt(12), found.noise / 10, 1e-12 * abs(found.background))
        gaps = self._tail(backgrounds(found), floor, "gaps")
        below = self._tail(-found.peaks, floor, "passes")
        low, high = gaps.start, -below.start
        if not low < high:
            raise Abstained(
                "the tails of passes and gaps overlap: the contrast is too small",
                f"passes from {show(view, found.sign * high)}, gaps up to {show(view, found.sign * low)}",
                "passes further from the background than all gaps",
            )
        level = least_cost(gaps, below, self.cost_false, self.cost_miss)
        told: dict[str, Any] = {
            "gap_tail": [found.sign * low, gaps.shape, gaps.scale],
            "pass_tail": [found.sign * high, below.shape, below.scale],
        }
        return place_on_events(self, view, found, level, **told)

    def _tail(self, upward: Heights, floor: float, what: str) -> Tail:
        start = float(np.quantile(upward, 1 - self.tail_share))
        excess = upward[upward > start] - start
        if excess.size < FEWEST:
            raise Abstained(
                f"too few {what} lie in the tail to fit it",
                f"{excess.size} of {upward.size} {what}",
                f"at least {FEWEST} in the tail, about {math.ceil(FEWEST / self.tail_share)} {what}",
            )
        return fit_tail(excess, start, excess.size / upward.size, floor)


def fit_tail(excess: Heights, start: float, share: float, floor: float) -> Tail:
    """Fit a generalised Pareto tail to excesses, with a shape of at least 0 and a scale of at least `floor`."""
    from scipy.stats import genpareto

    mean = float(excess.mean())
    if not mean > floor:
        return Tail(start, share, 0.0, max(floor, 5e-324))
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            # In units of the mean the search starts equally well for every unit of light.
            shape, _, scale = genpareto.fit(excess / mean, floc=0)
    except Exception:  # noqa: BLE001 - whatever stops the search, the exponential tail is its honest fallback
        shape, scale = 0.0, 1.0
    if not (math.isfinite(shape) and math.isfinite(scale) and shape > 0 and scale > 0):
        # Shapes below 0 end somewhere: they would claim that nothing ever lies beyond. The exponential tail claims
        # less.
        return Tail(start, share, 0.0, mean)
    return Tail(start, share, float(shape), max(float(scale) * mean, floor))


def least_cost(gaps: Tail, below: Tail, cost_false: float, cost_miss: float) -> float:
    """Return the level between the two tails at which their costs are least together.

    `gaps`, `below`: upwards from the background; and of the objects, turned round.
    """
    from scipy.optimize import brentq

    low, high = gaps.start, -below.start

    # Where the costs are least, a small step saves as much of one as it adds of the other. Compared as logarithms: a
    # thousand scales away the costs themselves are too small for a number, and every level would seem equal.
    def worth_rising(position: float) -> float:
        step = position * (high - low)
        falls, grows = gaps.log_density(step), below.log_density(high - low - step)
        return math.log(cost_false) + falls - math.log(cost_miss) - grows

    if worth_rising(0.0) <= 0:
        return low
    if worth_rising(1.0) >= 0:
        return high
    return low + float(brentq(worth_rising, 0.0, 1.0, xtol=1e-12)) * (high - low)
