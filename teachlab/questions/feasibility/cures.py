"""What would help if no fixed level can work, tried on the light itself: following, two thresholds, an on-delay."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from teachlab.light.noise import median
from teachlab.model.json_values import Document
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.feasibility.demands import Demands, demands_of
from teachlab.scoring.claimable import wrong_apart
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

Floats = NDArray[np.float64]
DELAYS = (1, 2, 4, 8, 16, 32, 64, 128, 256)
"""On-delays tried, in evaluations; only those shorter than half of the shortest pass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Helps(Document):
    """What the light shows about other kinds of sensor; None if there was nothing to try.

    `following_gain`, `following_offset`: whether one ratio to the median background above dark, or one distance from
    it, works under every condition: a level that follows the background.
    `local_gain`, `local_offset`: whether one ratio to, or one distance from, the median of the neighbouring gaps
    separates the peak of every pass from that of every gap, as recorded; tried if no fixed level does.
    `window`: whether two thresholds with the background between them detect every pass as recorded.
    `on_delay_ms`: an on-delay with which some level, `on_delay_level`, replays without an error as recorded; tried if
    no level does so without one.
    `on_delay_level`: recording units.
    `setting_per_label`, `setting_per_lot`: whether every kind of object, or every lot, has levels that work for it as
    recorded.
    """

    following_gain: bool | None
    following_offset: bool | None
    local_gain: bool | None = None
    local_offset: bool | None = None
    window: bool | None
    on_delay_ms: float | None = None
    on_delay_level: float | None = None
    setting_per_label: bool | None
    setting_per_lot: bool | None


def follows(reach: Demands, dark: float) -> tuple[bool, bool]:
    """Find whether a level in proportion to the neighbouring gaps, or at a distance, separates passes from gaps.

    Every pass and every gap is compared with the median of its own gap, or of the two beside it.
    """
    sign = 1.0 if reach.rise else -1.0
    sound = reach.beside.max(axis=1) >= 0
    own, rest_peak = np.full(reach.start.size, np.nan), np.full(reach.start.size, np.nan)
    some = np.flatnonzero(sound)
    for k, seen in zip(some.tolist(), reach.evaluated.each(reach.start[some], reach.stop[some]), strict=True):
        if (light := reach.upright(seen)).size:
            own[k], rest_peak[k] = median(light), float(light.max())
    sound &= ~np.isnan(own)
    total, count = np.zeros(reach.peak.size + 1), np.zeros(reach.peak.size + 1)
    for side in reach.beside[sound].T:  # −1 falls on the spare last place
        np.add.at(total, side, own[sound])
        np.add.at(count, side, 1)
    beside = count[:-1] > 0
    if not beside.any():
        return False, False
    near = total[:-1][beside] / count[:-1][beside]
    passes, rests = reach.peak[beside], rest_peak[sound]
    distance = bool((passes - near).min() > (rests - own[sound]).max())
    base = sign * near - dark, sign * own[sound] - dark
    if min(part.min() for part in base) <= 0:
        return False, distance
    share = sign * (sign * passes - dark) / base[0], sign * (sign * rests - dark) / base[1]
    return bool(share[0].min() > share[1].max()), distance


def on_delay(recording: Recording, truth: Truth, setting: Setting, *, rules: Rules) -> tuple[float, float] | None:
    """Find an on-delay, ms, and a level with which the recording replays without an error, among those tried."""
    rate = setting.evaluation_rate_hz or recording.info.sample_rate_hz
    shortest = int((truth.end - truth.start)[truth.detect].min()) * rate / recording.info.sample_rate_hz
    for evaluations in DELAYS:
        if evaluations > shortest / 2:
            break
        delay = 1000 * evaluations / rate
        late = replace(setting, taught=None).holding_back(delay)
        background, objects = demands_of(recording, truth, late, rules=rules).ends()
        if not (background < objects if setting.light_on else objects < background):
            continue
        level = (background + objects) / 2
        tried = late.with_levels(level, level)
        if not any(wrong_apart(truth, score(replay(recording, tried), truth, rules=rules, tables=False))):
            return delay, level
    return None
