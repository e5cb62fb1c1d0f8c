"""Between which levels a setting costs the same: how much room there is for setting it by hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.draws import Costs
from teachlab.model.json_values import Document
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.questions.surface.given_settings.pairs import score_pairs

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth

STEPS = 256
"""Shifts tried on either side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EqualCost(Document):
    """How far both levels of a setting may be moved together at the same cost.

    Parameters
    ----------
    down, up : float, recording units
        Every shift tried from ``−down`` to ``up`` costs as much as the setting.
    resolution : float, recording units
        Distance of the shifts tried.
    on_low, on_high : float, recording units
        The same as on-levels.
    cost : float
        Per scored pass.
    """

    down: float
    up: float
    resolution: float
    on_low: float
    on_high: float
    cost: float


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
    cost = np.array([
        weights.miss * n.lost + weights.false * (n.false_trips + n.ignore_trips + n.extra)
        for n in score_pairs(recording, truth, settings, rules=rules)
    ])  # fmt: skip
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
