"""Between which levels a setting costs the same: the room for setting it by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from teachlab.light.usable_light import LARGEST
from teachlab.model.draws import Costs
from teachlab.model.margin import EqualCost, Margin
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.questions.surface.given_settings.chain import count_chain
from teachlab.questions.surface.values.levels import Evaluations, read_first

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth
    from teachlab.questions.stress.setting_reading import SettingReading

STEPS = 256
"""Shifts tried on each side."""
BEYOND = 6
"""Further shifts that are tried beyond those at which the cost is expected to change; then twice as many."""


def equal_cost(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    reach: float,
    rules: Rules = USUAL_RULES,
    costs: Costs | None = None,
    first: Evaluations | None = None,
    guess: tuple[float, float] = (np.inf, np.inf),
) -> EqualCost:
    """Try both levels shifted together, in one reading.

    `setting`: of fixed levels.
    `reach` (recording units, above 0): how far the levels are shifted in each direction: as far as there is light.
    `first`: of this recording at the setting's rate, if it was read before.
    `guess` ((float, float), recording units): how far down and up the cost will hardly stay the same; levels beyond are
    tried only where it does.
    """
    weights = Costs() if costs is None else costs
    shifts = np.linspace(-reach, reach, 2 * STEPS + 1)
    # Rounding may move the middle off 0, and the setting itself must be among those that are counted.
    shifts[STEPS] = 0.0
    reading = first or read_first(recording, setting.evaluation_rate_hz, inner_range=False)
    more = BEYOND
    beyond = [min(STEPS, int(min(max(far, 0.0) / reach, 1.0) * STEPS) + more) for far in guess]
    while True:
        some = shifts[STEPS - beyond[0] : STEPS + beyond[1] + 1]
        # Levels that rise together are a chain: its settings are counted as one signal.
        on, off = setting.on_level + some, setting.off_level + some
        counts = count_chain(recording, truth, setting, reading, on, off, rules=rules)
        n, passes = counts.sums, counts.spans.detect
        false = n["false_trips"] + n["ignore_trips"] + n["extra"]
        cost = weights.of(lost=n["lost"], touching=n["touching"], false=false, passes=passes or np.nan)
        other = cost != cost[beyond[0]]
        down, up = (
            int(side.argmax()) - 1 if side.any() else side.size - 1
            for side in (other[beyond[0] :: -1], other[beyond[0] :])
        )
        open_ = [side == tried < STEPS for side, tried in zip((down, up), beyond, strict=True)]
        if not any(open_):
            break
        more *= 2
        beyond = [min(STEPS, tried + more * wider) for tried, wider in zip(beyond, open_, strict=True)]
    step = reach / STEPS
    return EqualCost(
        down=down * step,
        up=up * step,
        resolution=step,
        on_low=setting.on_level - down * step,
        on_high=setting.on_level + up * step,
        cost=float(cost[beyond[0]]),
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
    if reading.condensed is not None:
        return equal_cost(seen.recording, seen.truth, setting, reach=reach, rules=seen.rules, costs=costs)
    # Of light that was not reduced, levels that it often crosses take most of the time: they are tried if need be.
    return equal_cost(
        reading.recording, reading.truth, setting, reach=reach, rules=reading.rules, costs=costs,
        first=Evaluations.of(reading.recording, reading.output), guess=_guess(setting, margin),
    )  # fmt: skip


def _guess(setting: Setting, margin: Margin) -> tuple[float, float]:
    """Return how far down and up both levels may be moved until they meet an extreme of the passes or of the gaps."""
    met = (
        (margin.strongest_gap, setting.activation, 1), (margin.highest_valley, setting.release, 1),
        (margin.weakest_pass, setting.activation, -1), (margin.lowest_hold, setting.release, -1),
    )  # fmt: skip
    ways = [[side * setting.sign * (level - end) for end, level, side in met if end is not None and side == way]
            for way in (setting.sign, -setting.sign)]  # fmt: skip
    down, up = (min(way, default=np.inf) for way in ways)
    return down, up
