"""Between which levels a setting costs the same: how much room there is for setting it by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.draws import Costs
from teachlab.model.margin import EqualCost
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.questions.surface.given_settings.pairs import score_pairs

if TYPE_CHECKING:
    from teachlab.model.margin import Margin
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth

STEPS = 256
"""Shifts tried on either side."""


def equal_cost(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    reach: float,
    rules: Rules = USUAL_RULES,
    costs: Costs | None = None,
) -> EqualCost:
    """Try both levels shifted together, in one reading.

    Parameters
    ----------
    recording, truth
    setting : Setting
        Of fixed levels.
    reach : float, recording units, above 0
        How far the levels are shifted either way: as far as light has anything to say.
    rules, costs
        As for the score.
    """
    weights = Costs() if costs is None else costs
    shifts = np.linspace(-reach, reach, 2 * STEPS + 1)
    shifts[STEPS] = 0.0
    settings = [
        setting.with_levels(setting.on_level + shift, setting.off_level + shift, setting.polarity)
        for shift in shifts.tolist()
    ]
    cost = np.array([n.cost(weights) for n in score_pairs(recording, truth, settings, rules=rules)])
    same = cost == cost[STEPS]
    down = STEPS if same[: STEPS + 1].all() else int(np.argmin(same[STEPS::-1])) - 1
    up = STEPS if same[STEPS:].all() else int(np.argmin(same[STEPS:])) - 1
    step = reach / STEPS
    return EqualCost(
        down=down * step,
        up=up * step,
        resolution=step,
        on_low=setting.on_level - down * step,
        on_high=setting.on_level + up * step,
        cost=float(cost[STEPS]),
    )


def room_of(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    margin: Margin | None,
    *,
    rules: Rules = USUAL_RULES,
    costs: Costs | None = None,
) -> EqualCost | None:
    """Return the levels of equal cost within the distance of the weakest passes from the strongest gaps.

    None without a margin, where the two do not differ, and for settings of no fixed levels.
    """
    if type(setting) is not Setting or margin is None or margin.weakest_pass is None or margin.strongest_gap is None:
        return None
    reach = abs(margin.weakest_pass - margin.strongest_gap)
    if not 0 < reach < np.inf:
        return None
    return equal_cost(recording, truth, setting, reach=reach, rules=rules, costs=costs)
