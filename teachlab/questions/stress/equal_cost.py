"""Between which levels a setting costs the same: the room for setting it by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from teachlab.light.usable_light import LARGEST
from teachlab.model.draws import Costs
from teachlab.model.margin import EqualCost
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.questions.surface.given_settings.chain import count_chain
from teachlab.questions.surface.values.levels import read_first

if TYPE_CHECKING:
    from teachlab.model.margin import Margin
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth
    from teachlab.questions.stress.setting_reading import SettingReading

STEPS = 256
"""Shifts tried on each side."""


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
        How far the levels are shifted in each direction: as far as there is light.
    rules, costs
        As for the score.
    """
    weights = Costs() if costs is None else costs
    shifts = np.linspace(-reach, reach, 2 * STEPS + 1)
    # Rounding may move the middle off 0, and the setting itself must be among those that are counted.
    shifts[STEPS] = 0.0
    # Levels that rise together are a chain: its settings are counted as one signal.
    on, off = setting.on_level + shifts, setting.off_level + shifts
    reading = read_first(recording, setting.evaluation_rate_hz, inner_range=False)
    counts = count_chain(recording, truth, setting, reading, on, off, rules=rules)
    n, passes = counts.sums, counts.spans.detect
    false = n["false_trips"] + n["ignore_trips"] + n["extra"]
    cost = weights.of(lost=n["lost"], touching=n["touching"], false=false, passes=passes or np.nan)
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


def room_of(reading: SettingReading, margin: Margin | None, *, costs: Costs | None = None) -> EqualCost | None:
    """Return the levels of equal cost of a setting, searched as far as the light of passes and gaps extends.

    None without a margin, if passes and gaps do not differ, and for settings without fixed levels. If the recording was
    reduced for this setting, no sample is read.
    """
    setting, seen = reading.output.setting, reading.condensed or reading
    if type(setting) is not Setting or margin is None or margin.weakest_pass is None or margin.strongest_gap is None:
        return None
    # If passes are lost, the weakest pass is no guide: the level may be moved as far as to most passes, and to most
    # gaps.
    reach = max(
        abs(margin.weakest_pass - margin.strongest_gap),
        *(
            abs(float(np.nanmedian(one)) - setting.sign * setting.activation)
            for one in (margin.peak_of_pass, margin.gap_top)
            if one is not None and not np.isnan(one).all()
        ),
        0.0,
    )
    if not 0 < reach < LARGEST:  # levels beyond all light are no place to look from
        return None
    return equal_cost(seen.recording, seen.truth, setting, reach=reach, rules=seen.rules, costs=costs)
