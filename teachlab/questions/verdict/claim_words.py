"""The headline claim in words: what is claimed, its confidence, the number of lots, and which bounds assume more."""

from __future__ import annotations

from teachlab.model.printable_text import number_of
from teachlab.model.truth import Truth, TruthSource
from teachlab.model.verdict import HeadlineClaim, sentence
from teachlab.scoring.claimable import EvidenceLimits
from teachlab.scoring.claims import LotCounts, losses_claim, too_few_lots_text, trips_claim
from teachlab.statistics.claims.lot_claims import CLAIM_LOTS, NOTHING, Assumption, LotClaim, lots_needed
from teachlab.statistics.lots import Source
from teachlab.statistics.planning import plan_passes, rounded_up

MOST_TOLD = 0.995
"""A bound above it is told as none."""
NOTHING_SHOWN = "Nothing is claimed."
"""The claim where the passes show nothing about a setting; where there is more to say, it follows."""
SMALLEST = 1e-6
"""Smaller rates are printed as "below" this."""


def headline(
    counts: LotCounts, found: EvidenceLimits, *, confidence: float, assumption: Assumption = NOTHING, shown: bool = True
) -> HeadlineClaim:
    """Return the one claim on losses; beside it the share of lots with trips, and bounds that assume more.

    `counts`: counts of the trials that may support a claim.
    `assumption`: as the criteria state it.
    `shown`: whether these trials show anything about the setting.
    """
    claim = losses_claim(counts, confidence=confidence, assumption=assumption)
    # Nothing is claimed that the output did not do, or that the evidence could not have contradicted.
    blocked = list(found.conditions.values())
    if not claim.trials:
        return HeadlineClaim(
            text=f"{NOTHING_SHOWN} No pass is scored.",
            confidence=confidence, passes=0, lots=0, beside=tuple(found.sentences()),
        )  # fmt: skip
    if blocked or not shown:
        return HeadlineClaim(
            text=f"{NOTHING_SHOWN} {blocked[0]}" if shown else NOTHING_SHOWN,
            confidence=confidence,
            assume=assumption.name,
            lots=claim.lots,
            passes=claim.trials,
        )
    trips = _trips(counts, confidence)
    return HeadlineClaim(
        text=claim_text(claim),
        upper=claim.upper,
        confidence=confidence,
        assume=assumption.name,
        lots=claim.lots,
        passes=claim.trials,
        beside=(
            *([] if trips is None else [trips]),
            *found.sentences(),
            *(_assuming_more(a, upper) for a, upper in claim.beside if upper <= MOST_TOLD),
        ),
        more=tuple(filter(None, [more_lots_text(claim)])),
    )


def claim_text(claim: LotClaim, *, lots: str = "lots") -> str:
    r"""Return a claim as one sentence; `lots` names what the lots are.

    Examples
    --------
    >>> from teachlab.statistics.claims.lot_claims import INDEPENDENT, claim_by_lots
    >>> print(*claim_text(claim_by_lots([0] * 20, [50] * 20)).split(". "), sep="\n")
    0 of 1,000 passes in 20 lots were lost
    At 95 % confidence, at most 14 % are lost on average over independent lots.
    >>> claim_text(claim_by_lots([0] * 20, [50] * 20, assumption=INDEPENDENT))
    '0 of 1,000 passes in 20 lots were lost. At 95 % confidence, at most 0.3 % are lost if passes are independent.'
    """
    were = "was" if claim.events == 1 else "were"
    groups = number_of(claim.lots, *((lots[:-1], lots) if claim.source is Source.LOTS else claim.source.units))
    counted = f"{claim.events:,} of {number_of(claim.trials, 'pass', 'passes')} in {groups} {were} lost"
    if claim.upper > MOST_TOLD:
        return f"{counted}: no bound below 100 % holds."
    most = f"at {100 * claim.confidence:g} % confidence, at most {share_text(claim.upper)} are lost"
    if claim.assumption.icc is not None:
        return f"{counted}. {sentence(most)[:-1]} {claim.assumption.condition}."
    if claim.claims:
        return f"{counted}. {sentence(most)[:-1]} on average over independent {lots}."
    return f"{counted}. In this recording, {most}."


def more_lots_text(claim: LotClaim) -> str:
    r"""Return how many more lots, and how many passes under an assumption, would halve the bound; empty if none.

    Examples
    --------
    >>> from teachlab.statistics.claims.lot_claims import claim_by_lots
    >>> print(*more_lots_text(claim_by_lots([0] * 9, [28] * 9)).split("; "), sep="\n")
    To halve the bound, record 11 more lots without a further loss
    if passes are independent, those recorded are enough.
    >>> told = more_lots_text(claim_by_lots([0] * 9, [28] * 9, source=Source.BLOCKS))
    >>> told.partition(" without")[0]
    'To halve the bound, record 20 named lots'
    >>> more_lots_text(claim_by_lots([10] * 11 + [9], [10] * 12))
    ''
    """
    if claim.upper > MOST_TOLD or claim.upper <= 2 * SMALLEST:
        return ""
    target = claim.upper / 2
    # It is assumed that the lots to come lose nothing, so the losses stay as they are.
    lost = (claim.mean or 0.0) * claim.lots
    need = lots_needed(target, claim.confidence, lost_lots=lost)
    passes = plan_passes(target, claim.confidence, events=claim.events).passes
    named = claim.lots if claim.source is Source.LOTS else 0
    do = "those recorded are" if passes <= claim.trials else number_of(passes, "pass in all is", "passes in all are")
    more = (
        f"{max(1, need - named):,} more {'lot' if need - named <= 1 else 'lots'}" if named else f"{need:,} named lots"
    )
    return f"To halve the bound, record {more} without a further loss; if passes are independent, {do} enough."


def few_lots_text(counts: LotCounts, truth: Truth, *, amount: bool = True) -> str:
    """Return what is missing if too few lots are named, or left; empty if there are enough.

    `amount`: whether to say how many lots would do: only where these are what the use of a setting waits for.
    """
    if counts.source is Source.LOTS:
        return ""
    named = 0 if truth.lot is None else len(set(truth.lot.tolist()) - {""})
    if 0 < counts.named_lots < named:
        more = CLAIM_LOTS - counts.named_lots
        are = "is" if counts.named_lots == 1 else "are"
        told = f"For this recording alone: only {counts.named_lots} of {named} lots {are} left to claim on."
        return f"{told} Record {number_of(more, 'more lot', 'more lots')}." if amount else told
    told = f"For this recording alone: {too_few_lots_text(counts, truth)}."
    wanted = "the lot of every pass" if named and not counts.named_lots else f"{CLAIM_LOTS}"
    # Passes that come from this very light support no claim, whatever lots are named.
    name = amount and truth.source is not TruthSource.SELF_LABELLED
    return f"{told} To claim more, name {wanted} in the table of passes." if name else told


def share_text(share: float) -> str:
    """Return a share in percent with two digits, rounded up so that the claim is not stronger."""
    if share < SMALLEST:
        return f"< {100 * SMALLEST:g} %"
    return f"{rounded_up(100 * share, 2)} %"


def _assuming_more(assumption: Assumption, upper: float) -> str:
    condition = assumption.condition
    return f"{condition[:1].upper()}{condition[1:]}, at most {share_text(upper)} are lost."


def _trips(counts: LotCounts, confidence: float) -> str | None:
    claim = trips_claim(counts, confidence=confidence)
    if not claim.trials:
        return None
    of = number_of(claim.trials, *claim.source.units)
    holds = "holds" if claim.events == 1 else "hold"
    bound = f"at most {share_text(claim.upper)} do" if claim.upper <= MOST_TOLD else "no bound below 100 % holds"
    return f"{claim.events} of {of} {holds} a false trip: {bound}."
