"""What to do about a setting, from what it cost by lots: use it, use it with a limit, none works, or not decided."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from teachlab.statistics.claims.lot_claims import CLAIM_LOTS
from teachlab.statistics.claims.orders import CostBound
from teachlab.statistics.lots import Source

ACCEPTED_ERRORS = 0.05
"""Errors per pass up to which a setting may be used, unless stated otherwise: one in twenty, a planning value."""
DECIDING_STRETCHES = 10
"""Without enough named lots a decision rests on stretches of passes, at least so many."""


class Decision(StrEnum):
    """What to do about a setting."""

    USE = "use"
    LIMIT = "use with a limit"
    NONE = "none of these works"
    OPEN = "cannot be decided"


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCost:
    """What a decision on one setting rests on.

    Parameters
    ----------
    errors : float or None
        Lost passes, false trips, extra onsets and trips on passes to be ignored, per scored pass; None without any.
    cost : CostBound
        Cost per pass by lots, or by stretches.
    never : float
        Cost per pass of an output that never switches.
    named_lots : int
    usable : bool
        False for an output that is active for most of the gap time, or never.
    conditions : int
        Conditions on the evidence that are open.
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
    """Decide on the chosen setting, and whether any of the candidates works.

    Parameters
    ----------
    chosen : MeasuredCost
    candidates : sequence of (CostBound, bool)
        Errors per pass of every setting tried, the chosen one too, each with whether its output is usable. They may
        rest on more lots than `chosen`: on those by which the settings were chosen, too, where few errors chose them.
    accepted : float
        Errors per pass that are accepted.

    Notes
    -----
    *Use*: errors at most `accepted`, and the one-sided upper t-bound of the cost below that of an output that never
    switches; *with a limit*: the same with fewer than 5 named lots or a condition open. *None works*: the lower bound
    of the errors of every candidate exceeds `accepted`, or its output is unusable. Everything else is not decided, and
    so is what rests on fewer than 5 named lots and fewer than 10 stretches. The lower bound says "none works" of a line
    that should not be told so in at most 5 % (``benchmarks/coverages/verdicts.py``). The exact bound of
    `claim_by_lots`, Student's, and a bet on lots, hold it as well and find less.

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
    """Whether there are enough lots, or stretches where no lots are named, for a decision."""
    return cost.lots >= (CLAIM_LOTS if cost.source is Source.LOTS else DECIDING_STRETCHES)
