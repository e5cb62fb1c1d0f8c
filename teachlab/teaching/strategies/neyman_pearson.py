"""Neyman–Pearson: the level that keeps one error below a limit, with confidence, by order statistics."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

import numpy as np

from teachlab.errors import Abstained
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, TeachView
from teachlab.teaching.parameters import CheckedParameters, parameter
from teachlab.teaching.rules.classic import show
from teachlab.teaching.rules.labelled_events import active_at, backgrounds, least_active, statistics_of
from teachlab.teaching.rules.placing import place_on_events

TIE = 1e-12
"""Chances that differ by no more than this share are equal but for rounding."""


class Bound(StrEnum):
    """Which error is kept below the limit."""

    FALSE_TRIPS = "false-trips"
    MISSES = "misses"


@dataclass(frozen=True, slots=True, kw_only=True)
class NeymanPearson(CheckedParameters):
    """Place the level so that one kind of error stays below a limit with a stated confidence.

    Parameters
    ----------
    bound : Bound
        `false-trips`: gaps that trip; `misses`: passes that are lost. The other error is not bounded.
    limit : float, share of the events, in [10⁻⁹, 1)
        alpha: largest share of wrong events.
    confidence : float, in (0, 1)
        1 − delta.
    clearance : float, standard deviations of the local noise, at least 0
        How far beyond the chosen event the level lies.

    Notes
    -----
    Of n gaps sorted upwards (objects upwards), k is the smallest rank with
    Σ_{j≥k} C(n, j)·(1 − alpha)^j·alpha^(n−j) ≤ delta, and T = G_(k) + `clearance`·σ, but just above G_(k) where
    that is nothing; mirrored for `misses`.
    The share of all gaps above G_(k) is at most alpha with confidence 1 − delta, whatever their
    distribution, if they are independent. There is such a rank only if n ≥ ln(delta)/ln(1 − alpha):
    299 events for 1 % at 95 %, 2,995 for 0.1 %.

    When it fails: it bounds one error only. The level lies close to the class that is bounded; it may lie in the
    middle of the other class, and then the strategy abstains. Events of one lot are not independent. Where too few
    events were shown, it abstains and says how many it needs.

    References
    ----------
    Tong, Feng & Li 2018, "Neyman-Pearson classification algorithms and NP receiver operating
    characteristics", Science Advances 4 (arXiv 1608.03109); the sample size is that of Wilks 1941.

    Examples
    --------
    >>> smallest_rank(299, 0.01, 0.05), smallest_rank(298, 0.01, 0.05) is None
    (299, True)
    """

    name: ClassVar[str] = "neyman-pearson"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.EVENTS})
    equivariant: ClassVar[frozenset[str]] = frozenset({"gain", "offset"})

    bound: Bound = parameter(Bound.FALSE_TRIPS, "which error is kept below the limit")
    limit: float = parameter(0.01, "largest share of wrong events", unit="share of the events", at_least=1e-9, below=1)
    confidence: float = parameter(0.95, "of the limit", above=0, below=1)
    clearance: float = parameter(
        2.0, "distance of the level from the chosen event", unit="standard deviations of the local noise", at_least=0
    )

    def teach(self, view: TeachView) -> Setting:
        """Return the level beyond the order statistic that the limit asks for."""
        found = statistics_of(view)
        false_trips = self.bound is Bound.FALSE_TRIPS
        bounded = backgrounds(found) if false_trips else -found.peaks
        what = "gaps" if false_trips else "passes"
        # Without a model: the k-th highest of n events is exceeded by at most the limit with this confidence, for any
        # distribution (an order statistic), if n is large enough.
        rank = smallest_rank(bounded.size, self.limit, 1 - self.confidence)
        if rank is None:
            raise Abstained(
                f"too few {what} were shown to bound their errors without a model",
                f"{bounded.size} {what}",
                f"at least {events_needed(self.limit, 1 - self.confidence)} {what} for at most "
                f"{100 * self.limit:g} % errors at {100 * self.confidence:g} % confidence",
            )
        noise = found.noise_background if false_trips else found.noise_object
        event = float(np.sort(bounded)[rank - 1])
        height = event + self.clearance * (noise if noise is not None else found.noise)
        # Events as high as the chosen one are not to be wrong: whole numbers repeat, and without clearance the level
        # would be theirs.
        level = max(height, math.nextafter(event, math.inf)) if false_trips else min(-height, active_at(found, -event))
        least = least_active(found, level)
        wrong = float(np.mean(found.peaks < least if false_trips else backgrounds(found) >= least))
        if wrong > 0.5:
            raise Abstained(
                f"the level that bounds the errors of the {what} has most of the other events on the wrong side: "
                "the contrast is too small",
                f"level {show(view, found.sign * level)}, {100 * wrong:.0f} % of the other events wrong",
                "at most half of them",
            )
        return place_on_events(self, view, found, level, rank=rank, bounded_events=int(bounded.size), other_wrong=wrong)


def events_needed(limit: float, delta: float) -> int:
    """Return the fewest events with which a limit can be shown: ``n ≥ ln(delta) / ln(1 − alpha)``.

    Examples
    --------
    >>> events_needed(0.01, 0.05), events_needed(0.001, 0.05)
    (299, 2995)
    """
    # If the quotient is a whole number in exact arithmetic, rounding must not add one.
    return max(1, math.ceil(math.log(delta * (1 + TIE)) / math.log1p(-limit)))


def smallest_rank(events: int, limit: float, delta: float) -> int | None:
    """Return the smallest rank k with ``P(Binomial(n, 1 − alpha) ≥ k) ≤ delta``, None if there is none."""
    from scipy.special import betainc

    if events == 0:
        return None
    ranks = np.arange(1, events + 1)
    # P(X ≥ k) is the regularised incomplete beta function I_{1 − alpha}(k, n − k + 1).
    # A sum that is delta in exact arithmetic must not exceed it by rounding, as in `events_needed`.
    fine = betainc(ranks, events - ranks + 1, 1 - limit) <= delta * (1 + TIE)
    return int(ranks[np.argmax(fine)]) if fine.any() else None
