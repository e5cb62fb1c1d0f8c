"""Every rate of a score with dependence: passes and gaps of one lot, events of one burst."""

from __future__ import annotations

from numpy.typing import ArrayLike

from teachlab.model.score import LOST, Outcome, Score
from teachlab.model.truth import Truth
from teachlab.scoring.by_lot import false_trips_by_lot, gaps_tripped_by_lot, lost_rate_by_lot, onsets_by_lot
from teachlab.statistics.bursts import Bursts
from teachlab.statistics.lots import ASSUMED_ICC, Dependence

RATES_OF_PASSES = {
    "lost_rate": LOST,
    "miss_rate": (Outcome.MISS,),
    "merged_rate": (Outcome.MERGED,),
}
"""Which outcomes count for each rate of passes."""


def dependence_of(
    truth: Truth, score: Score, *, proxy: ArrayLike | None = None, icc: float = ASSUMED_ICC
) -> dict[str, Dependence | Bursts | None]:
    """Bound every rate of a score with dependence taken into account, at the confidence of the score.

    The result is keyed by the name of the rate; None if there are too few trials for two stretches.

    `proxy` (shape (passes of the truth,)): how far the light of every pass came on its way to the level.
    `icc` (in [0, 1]): at least this intra-lot correlation is assumed.
    """
    trials, confidence = score.trials, score.confidence
    out: dict[str, Dependence | Bursts | None] = {
        name: lost_rate_by_lot(truth, trials, confidence=confidence, proxy=proxy, icc=icc, events=events)
        for name, events in RATES_OF_PASSES.items()
    }
    out["false_trips_per_gap"] = gaps_tripped_by_lot(truth, trials, confidence=confidence, icc=icc)
    for name, hours in (
        ("false_trips_per_gap_hour", score.gap_hours),
        ("false_trips_per_running_hour", score.running_hours),
    ):
        per = getattr(score, name).per
        out[name] = false_trips_by_lot(truth, trials, hours, per=per, confidence=confidence)
    for name, ignored in (("ignore_trips_per_pass", True), ("extra_per_pass", False)):
        per = getattr(score, name).per
        out[name] = onsets_by_lot(truth, trials, ignored=ignored, per=per, confidence=confidence)
    return out
