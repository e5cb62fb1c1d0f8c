"""What is said of a setting by its counts alone: the limits of its use, and why its cost decides or does not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from teachlab.model.printable_text import in_figures, number_of, printable, round_figure, unlike_figures
from teachlab.model.verdict import VerdictReason
from teachlab.questions.verdict.judged_by import UNSHOWN, Ground, GroundedDecision
from teachlab.scoring.claimable import OpenCondition
from teachlab.scoring.claims import errors_claim
from teachlab.scoring.reasons import empty_text
from teachlab.statistics.claims.decisions import DECIDING_STRETCHES, Decision
from teachlab.statistics.claims.lot_claims import CLAIM_LOT_PASSES
from teachlab.statistics.claims.orders import CostBound, lots_to_exceed
from teachlab.statistics.lots import Source

if TYPE_CHECKING:
    from teachlab.questions.verdict.judgement import KnownSetting

DECIDING_PASSES = DECIDING_STRETCHES * CLAIM_LOT_PASSES
"""Number of passes with enough stretches for a decision if no lots are named."""
SAID_BY_THE_CLAIM = frozenset({OpenCondition.INVERTED, OpenCondition.NEVER, OpenCondition.NOTHING_LEFT})

BESIDE_TEXT = "The passes do not lie where the light is: no setting can be judged by them."


def limits_of(case: KnownSetting, judged: GroundedDecision) -> tuple[str, ...]:
    """Return the open conditions, with that of another setting that works first; none if it may just be used."""
    if judged.decision is Decision.USE or judged.ground in UNSHOWN:
        return ()
    # What the claim says about the output itself is no limit of its use.
    limits = [text for why, text in case.found.conditions.items() if why not in SAID_BY_THE_CLAIM]
    few = case.few_lots[judged.good] if case.passes else ""
    if judged.good:
        limits += [lost_group_text(*group) for group in case.lost_groups()]
    if judged.ground is Ground.SCALE_END:
        limits.append(
            "The level lies at an end of the scale, where the light is clipped: a small change of light may stop it, "
            "and these passes cannot show it."
        )
    # Said before the claim, in a good case as in a bad one.
    first = [] if case.overturned is None else [case.overturned.reason.text]
    return tuple(text for text in (*first, *limits, few) if text)


def lost_group_text(what: str, names: Sequence[str], lost: int, of: int) -> str:
    """Say for which kinds, or products like those of which lots, a setting is not to be used."""
    shown = ", ".join(f"'{printable(name, most=24)}'" for name in names[:2])
    shown += f" and {len(names) - 2} more" if len(names) > 2 else ""
    group = f"the {what if len(names) == 1 else f'{what}s'} {shown}"
    like = f"products like those of {group}" if what == "lot" else group
    return f"Not for {like}: {lost} of {number_of(of, 'pass', 'passes')} lost."


def _before_errors(case: KnownSetting, judged: GroundedDecision) -> tuple[list[VerdictReason], tuple[str, ...]]:
    """Return what is told before the errors themselves, and what more of this recording would do."""
    told: list[VerdictReason] = []
    more: tuple[str, ...] = ()
    if judged.ground is Ground.PASSES_BESIDE:
        text = "The borders of the passes are less sure than stated: measure how sure before a setting is judged."
        return [VerdictReason(text=BESIDE_TEXT if case.off else text)], more
    if judged.ground is Ground.PASSES_EMPTY:
        return [VerdictReason(text=empty_text(case.empty, case.scored), count=case.empty)], more
    if case.both_sides is not None:
        told.append(case.both_sides)
    if case.overturned is None and judged.decision is Decision.OPEN:
        if judged.ground is Ground.LONE_GAP and case.lone_gap is not None:
            told.append(case.lone_gap)
        elif judged.ground is not Ground.LOG_STOPPED:
            why, more = _undecided(case)
            told += why
    if case.swapped is not None:
        told.append(case.swapped)
    return told, more


def in_order(
    case: KnownSetting, judged: GroundedDecision, *, places: Sequence[VerdictReason], outside: Sequence[VerdictReason],
    causes: Sequence[VerdictReason], mended: VerdictReason | None = None, rare: VerdictReason | None = None,
) -> tuple[list[VerdictReason], tuple[str, ...]]:  # fmt: skip
    """Return the reasons of a decision, what is told first before the others, and what more of this recording would do.

    `places`, `outside`: where most errors lie, among the passes of the claim and among all.
    `mended`: what would leave fewer errors.
    `rare`: that a rare kind may not have been shown.
    """
    first, more = _before_errors(case, judged)
    if judged.ground is Ground.LOST_BEFORE:
        first, places = [_lost_before(case, *outside[:1]), *first], outside[1:]
    # Errors on passes in which nothing is seen are none of the setting.
    beside = judged.ground in UNSHOWN
    errors = [] if beside else [*places, *causes]
    # What would mend it follows after the place of the errors.
    before = 1 if (places and not beside) or not first else 0
    told = [*_only_counted(case, judged), *first, *errors[:before], mended, *errors[before:], _none_works(case, judged)]
    return [one for one in (*told, None if beside else rare) if one is not None], more


def _lost_before(case: KnownSetting, place: VerdictReason | None = None) -> VerdictReason:
    """Say that errors on passes which the claim leaves out forbid the setting; `place`: where most of them lie."""
    rate, accepted = 100 * case.wrong / case.of, 100 * case.by.accepted
    outside = case.wrong - round((case.errors or 0.0) * case.passes)
    return VerdictReason(
        text=f"It makes {number_of(case.wrong, 'error', 'errors')} on all {case.of:,} passes, "
        f"{unlike_figures(rate, accepted)} per 100; {accepted:g} are accepted. {outside} lie outside the claim."
        f"{'' if place is None else f' {place.text}'}",
        count=case.wrong,
        first_at_s=None if place is None else place.first_at_s,
    )


def _undecided(case: KnownSetting) -> tuple[list[VerdictReason], tuple[str, ...]]:
    """Say why nothing is decided, if the errors themselves do not say so; and what more of this recording would do."""
    errors, passes, cost, by = case.errors, case.passes, case.cost, case.by
    if errors is None:
        return [VerdictReason(text="To judge takes passes that teaching did not use and that are not left out.")], ()
    # If teaching and choosing took their share of the passes, they take it of future passes too.
    share = case.share
    if not case.enough:
        few = max(1, DECIDING_PASSES - passes)
        again = max(1, math.ceil((DECIDING_PASSES - passes) / share))
        more = number_of(few, "more pass", "more passes")
        more += f" ({again:,} if it is taught again)" if again > few else ""
        in_lots = f" in {number_of(cost.lots, 'lot')}" if cost.source is Source.LOTS else ""
        return (
            [VerdictReason(text=f"{number_of(passes, 'pass', 'passes')}{in_lots} "
                                f"{'is' if passes == 1 else 'are'} too few to decide.", count=passes)],
            (f"To decide for this recording alone, record {more} in it.",),
        )  # fmt: skip
    if errors > by.accepted:
        lots = cost.source is Source.LOTS
        judged = number_of(cost.lots, "lot") if lots else number_of(passes, "pass", "passes")
        unsure = f"{judged} are too few to be sure that it makes too many."
        if case.beyond:
            unsure = "With those by which it was taught or chosen it is not sure that it makes too many."
        if (low := case.fails.low) > by.accepted:
            unsure = f"At least {in_figures(100 * low, 2)} are sure, but not that no setting tried works."
        told = (
            f"{unlike_figures(100 * errors, 100 * by.accepted)} errors per 100 passes, {100 * by.accepted:g} are "
            f"accepted. {unsure}"
        )
        nearest = _least_errors(case)
        need = None if nearest is None else lots_to_exceed(nearest, by.accepted)
        if nearest is None or need is None or need <= nearest.lots:
            return [VerdictReason(text=told)], ()
        # Candidates may also rest on the choosing half.
        further = (need - nearest.lots) * cost.lots / nearest.lots / share
        more = f"{round_figure(further if lots else further * passes / cost.lots)} more {'lots' if lots else 'passes'}"
        return [VerdictReason(text=told)], (f"About {more} with as many errors would show that it makes too many.",)
    return [], ()


def _least_errors(case: KnownSetting) -> CostBound | None:
    """Return the errors of the usable setting that makes the fewest at least; None if none is usable."""
    return min((bound for bound, usable in case.tried if usable), key=lambda bound: bound.low, default=None)


def _only_counted(case: KnownSetting, judged: GroundedDecision) -> list[VerdictReason]:
    """Say of a setting that may be used that its errors are few here, where that is not shown for other lots."""
    errors, accepted = case.errors, case.by.accepted
    # Student's bound of skewed errors lies below the true mean in up to 40 of 100 lines.
    if not judged.good or not errors or errors_claim(case.counts, confidence=case.confidence).upper <= accepted:
        return []
    other = "other lots" if case.counts.source is Source.LOTS else "other passes"
    return [
        VerdictReason(
            text=f"{in_figures(100 * errors, 2)} errors per 100 passes were counted, {100 * accepted:g} are accepted. "
            f"Whether {other} make more is not shown.",
            count=round(errors * case.passes),
        )
    ]


def _none_works(case: KnownSetting, judged: GroundedDecision) -> VerdictReason | None:
    """Say how many errors the best of the usable settings makes at least, if none works."""
    best = _least_errors(case)
    if judged.decision is not Decision.NONE or best is None:
        return None
    of = f"{best.lots} {best.source.units[1]}"
    if case.beyond:
        of += ", with those by which it was taught or chosen"
    every = "Every setting tried makes" if len(case.tried) > 1 else "It makes"
    return VerdictReason(
        text=f"{every} at least {in_figures(100 * best.low, 2)} errors per 100 passes at {100 * best.confidence:g} % "
        f"confidence ({of}), more than the {100 * case.by.accepted:g} accepted.",
    )
