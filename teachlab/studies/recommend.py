"""Choose a setting by what it cost on the first half of the scored passes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from teachlab.model.setting import Setting
from teachlab.studies.result import Recommendation

if TYPE_CHECKING:
    from teachlab.questions.stress.worth import SettingWorth
    from teachlab.studies.claim_half import ClaimHalf


def recommend(halves: Mapping[str, ClaimHalf], measuring: SettingWorth, *, preferred: str) -> Recommendation | None:
    """Return the cheapest strategy's median setting by the first half, with its score on the second.

    Parameters
    ----------
    halves : mapping of str to ClaimHalf
        Setting of every strategy, fixed on the first half.
    measuring : SettingWorth
        Of the second half.
    preferred : str
        Taken where strategies cost the same in the median and at the 95 % quantile, before the first one in
        the order of `halves`. At the same median cost fixed levels come before settings that follow or have
        two thresholds: every sensor can take them.

    Returns
    -------
    Recommendation or None
        None if nothing teaches in half of the draws, or either half has no trial.
    """

    def key(item: tuple[int, ClaimHalf]) -> tuple[float, bool, float, bool, int]:
        place, half = item
        return half.cost, type(half.setting) is not Setting, half.p95, half.strategy != preferred, place

    ordered = [half for _, half in sorted(enumerate(halves.values()), key=key)]
    if not ordered or ordered[0].score.counts.scored_passes == 0:
        return None
    best = ordered[0]
    return Recommendation(
        strategy=best.strategy,
        draw=best.draw,
        setting=best.setting,
        chosen_on=best.chosen_on,
        chosen_cost=best.cost,
        tied=tuple(half.strategy for half in ordered[1:] if (half.cost, half.p95) == (best.cost, best.p95)),
        worth=measuring.of(best.setting),
    )
