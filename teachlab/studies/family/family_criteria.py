"""Acceptance criteria over a study: what the recordings show about the recommended way of teaching."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from teachlab.errors import ParameterError
from teachlab.evidence.criteria import SYNTHETIC, Criteria, Criterion, Judged, Judgement, stated_assumption
from teachlab.model.printable_text import number_of
from teachlab.questions.verdict.claim_words import share_text
from teachlab.statistics.claims.lot_claims import CLAIM_LOTS, claim_by_lots

if TYPE_CHECKING:
    from teachlab.studies.family.study_grid import Row

COUNTS = {"passes", "lots"}
RATES = {"lost_rate": ("lost", "passes"), "false_trips_per_gap": ("tripped", "gaps")}


def check_criteria(criteria: Criteria, where: str) -> None:
    """Refuse criteria that rows of a study cannot answer.

    Raises `ParameterError` with the measure.
    """
    known = (*RATES, *sorted(COUNTS))
    for one in criteria.criterion:
        if one.measure not in known:
            raise ParameterError(
                f"{where}: a study judges {', '.join(known)}, not '{one.measure}'. Judge that recording by recording: "
                "teachlab report RECORDING --criteria FILE"
            )


def judged_study(criteria: Criteria, rows: Sequence[Row]) -> list[Judged]:
    """Judge the claim halves of all recordings, each of them one trial.

    `rows`: rows of the recommended way of teaching, one per recording; empty if nothing is recommended.

    A rate is met if its one-sided upper bound over recordings lies within the limit, and not met if its lower bound
    lies beyond it. Otherwise there is not enough evidence; this also holds with fewer than 5 recordings, unless an
    assumption is stated.
    """
    scored = [row for row in rows if row["claim_passes"]]
    return [_guarded(_judged(one, criteria, scored), scored) for one in criteria.criterion]


def _judged(one: Criterion, criteria: Criteria, rows: Sequence[Row]) -> Judged:
    if one.measure in COUNTS:
        found = sum(row["claim_passes"] for row in rows) if one.measure == "passes" else len(rows)
        least = one.min or 0.0
        enough = Judgement.MET if found >= least else Judgement.NOT_ENOUGH
        what = "passes" if one.measure == "passes" else "recordings"
        return Judged(
            measure=one.measure, limit=f"at least {least:g}", measured=f"{found:,} {what}", verdict=enough,
            because=f"{found:,} {what} are scored",
        )  # fmt: skip
    event, trial = RATES[one.measure]
    events = [sum(lot[event] for lot in row["lots"] or ()) for row in rows]
    trials = [sum(lot[trial] for lot in row["lots"] or ()) for row in rows]
    assumption = stated_assumption(one.assume, one.icc) or criteria.assumption
    claim = claim_by_lots(events, trials, confidence=one.confidence, assumption=assumption, least=1)
    limit = one.max or 0.0
    measured = (
        f"{claim.events:,} of {claim.trials:,} in {number_of(claim.lots, 'recording')}, at most "
        f"{share_text(claim.upper)}"
    )
    few = claim.lots < CLAIM_LOTS and assumption.icc is None
    if few or not claim.trials:
        are = "is" if claim.lots == 1 else "are"
        because = f"{number_of(claim.lots, 'recording')} {are} too few: it takes {CLAIM_LOTS}"
        verdict = Judgement.NOT_ENOUGH
    elif claim.upper <= limit:
        verdict, because = Judgement.MET, "the upper bound lies within the limit"
    elif claim.low > limit:
        verdict, because = Judgement.NOT_MET, "the lower bound lies beyond the limit"
    else:
        verdict, because = Judgement.NOT_ENOUGH, "the limit lies between the bounds"
    told = f"at most {100 * limit:g} % at {100 * one.confidence:g} % confidence"
    return Judged(measure=one.measure, limit=told, measured=measured, verdict=verdict, because=because)


def _guarded(judged: Judged, rows: Sequence[Row]) -> Judged:
    """Withdraw a "met" that the evidence could not have contradicted."""
    if judged.verdict is not Judgement.MET:
        return judged
    texts = [one["text"] for row in rows for one in row["open"] or ()]
    if beside := sum(row["lag_ms"] is not None for row in rows):
        texts.insert(0, f"the passes of {number_of(beside, 'recording lie', 'recordings lie')} beside the light")
    because = texts[0].rstrip(".") if texts else SYNTHETIC if any(row["synthetic"] for row in rows) else ""
    if not because:
        return judged
    return replace(judged, verdict=Judgement.NOT_ENOUGH, because=because)
