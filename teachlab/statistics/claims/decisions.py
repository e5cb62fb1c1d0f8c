"""The decision on a setting, from its cost by lots: use it, use it with a limit, none works, or not decided."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from teachlab.statistics.claims.lot_claims import CLAIM_LOTS
from teachlab.statistics.claims.orders import CostBound
from teachlab.statistics.lots import Source

ACCEPTED_ERRORS = 0.05
"""Accepted errors per pass, unless stated otherwise: one in twenty, a planning value."""
DECIDING_STRETCHES = 10
"""Without enough named lots, a decision needs at least this many stretches of passes."""


class Decision(StrEnum):
    """The decision on a setting."""

    USE = "use"
    LIMIT = "use with a limit"
    NONE = "none of these works"
    OPEN = "cannot be decided"


GOOD = frozenset({Decision.USE, Decision.LIMIT})
"""Decisions under which a setting may be used."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCost:
    """The measurements on which the decision about one setting rests.

    `errors`: lost passes, false trips, extra onsets and trips on passes to be ignored, per scored pass; None without
    any.
    `cost`: cost per pass by lots, or by stretches.
    `never`: cost per pass of an output that never switches.
    `usable`: False if the output is active for most of the gap time, or never.
    `conditions`: number of open conditions on the evidence.
    """

    errors: float | None
    cost: CostBound
    never: float
    named_lots: int
    usable: bool = True
    conditions: int = 0


def decide(
    chosen: MeasuredCost, candidates: Sequence[tuple[CostBound, bool]], *, accepted: float = ACCEPTED_ERRORS
) -> Decision:
    """Decide about the chosen setting, and whether any of the candidates works.

    `candidates`: errors per pass of every setting that was tried, including the chosen one, and whether its output is
    usable. They may rest on more lots than `chosen`: also on the lots on which settings with few errors were chosen.
    `accepted`: errors per pass that are accepted.

    Notes
    -----
    *Use*: the errors are at most `accepted`, and the one-sided upper t-bound of the cost is below the cost of an output
    that never switches. *With a limit*: the same, with fewer than 5 named lots or an open condition. *None works*: for
    every candidate, the lower bound of the errors exceeds `accepted`, or the output is unusable. Everything else is
    *not decided*, including everything with fewer than 5 named lots and fewer than 10 stretches. For a line on which a
    setting works, the lower bound says "none works" in at most 5 % of the cases (``benchmarks/coverages/verdicts.py``).
    The exact bound of `claim_by_lots`, Student's bound, and a bet on lots keep this limit as well, but find fewer lines
    on which none works.

    Examples
    --------
    >>> from teachlab.statistics.claims.orders import cost_bound
    >>> clean, bad = cost_bound([0.0] * 10), cost_bound([0.5, 0.6] * 5)
    >>> str(decide(MeasuredCost(errors=0.0, cost=clean, never=1.0, named_lots=10), [(clean, True), (bad, True)]))
    'use'
    >>> str(decide(MeasuredCost(errors=0.55, cost=bad, never=1.0, named_lots=10), [(bad, True)]))
    'none of these works'
    """
    if chosen.errors is None:
        return Decision.OPEN
    if (
        enough_to_decide(chosen.cost)
        and chosen.usable
        and chosen.errors <= accepted
        and chosen.cost.upper < chosen.never
    ):
        limited = chosen.named_lots < CLAIM_LOTS or chosen.conditions > 0
        return Decision.LIMIT if limited else Decision.USE
    if all(enough_to_decide(bound) and (not usable or bound.low > accepted) for bound, usable in candidates):
        return Decision.NONE
    return Decision.OPEN


def enough_to_decide(cost: CostBound) -> bool:
    """Whether there are enough lots, or enough stretches if no lots are named, for a decision."""
    return cost.lots >= (CLAIM_LOTS if cost.source is Source.LOTS else DECIDING_STRETCHES)
