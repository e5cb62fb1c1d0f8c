"""Choose a setting on the first half of the scored passes and claim on the second half only."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from teachlab.model.draws import Draw, DrawOptions
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress.reserves import reserves
from teachlab.questions.surface.count_settings import with_measures
from teachlab.scoring import measure_margin, score
from teachlab.studies.ranking import median_draw, ranking_cost, spreads_of
from teachlab.studies.result import Recommendation
from teachlab.studies.tally import Tally
from teachlab.switching import replay


def second_half(first_scored: int, passes: int) -> int:
    """Return the first pass of the second half; the first half has the odd one."""
    return first_scored + math.ceil((passes - first_scored) / 2)


def recommend(
    recording: Recording,
    truth: Truth,
    taught: Mapping[str, Sequence[Draw]],
    *,
    first_half: Tally,
    middle: int,
    options: DrawOptions,
    preferred: str,
) -> Recommendation | None:
    """Return the cheapest strategy's median setting by the first half, with its score on the second.

    Parameters
    ----------
    taught : mapping of str to sequence of Draw
        The draws of every strategy.
    first_half : Tally
        What their settings did on the first half.
    middle : int
        First pass of the second half.
    preferred : str
        Taken where strategies cost the same in the median and at the 95 % quantile, before the first one in
        the order of `taught`. At the same median cost fixed levels come before settings that follow or have
        two thresholds: every sensor can take them.

    Returns
    -------
    Recommendation or None
        None if nothing teaches in half of the draws, or either half has no trial.
    """
    ordered: list[tuple[tuple[float, bool, float, bool, int, str], Sequence[Draw]]] = []
    for place, (name, draws) in enumerate(taught.items()):
        judged = with_measures(draws, first_half.counts, options.costs, best_cost=math.nan)
        cost = ranking_cost(judged)
        if math.isfinite(cost):
            middle_draw = median_draw(judged)
            moving = middle_draw is not None and type(middle_draw.setting) is not Setting
            ordered.append(((cost, moving, spreads_of(judged)["cost"].p95, name != preferred, place, name), judged))
    if not ordered:
        return None
    ordered.sort(key=lambda item: item[0])
    best, draws = ordered[0]
    chosen = median_draw(draws)
    if chosen is None or chosen.setting is None:
        return None
    setting: Setting = chosen.setting
    output = replay(recording, setting)
    result = score(output, truth, rules=options.rules.scored_from(middle))
    if result.counts.scored_passes == 0:
        return None
    fixed = type(setting) is Setting
    return Recommendation(
        strategy=best[-1],
        draw=chosen.draw,
        setting=setting,
        chosen_on=first_half[setting].detect_trials,
        chosen_cost=best[0],
        tied=tuple(key[-1] for key, _ in ordered[1:] if (key[0], key[2]) == (best[0], best[2])),
        score=result,
        margin=measure_margin(recording, output, truth, result.trials, rules=options.rules) if fixed else None,
        reserves=reserves(recording, truth, setting, rules=options.rules.scored_from(middle)) if fixed else None,
    )
