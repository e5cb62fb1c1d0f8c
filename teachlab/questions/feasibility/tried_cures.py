"""What would mend a setting, each tried by replay: filter, delay, band, another level, following the background."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import SettingError
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.light.usable_light import LARGEST
from teachlab.model.following_and_window import Follow, FollowingSetting
from teachlab.model.printable_text import in_figures, level_text, round_level
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Polarity, Setting
from teachlab.questions.feasibility.designed_cure import designed_in_hindsight, parts_text
from teachlab.scoring.claimable import unusable
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth

DELAYS = (2, 4, 8, 16, 32, 64, 128)
FILTERS = (3, 5, 9, 17)
"""Evaluations that a delay lasts, and that must agree; both shorter than half of the shortest pass."""
BANDS = (2.0, 4.0)
"""The distance of the release, in so many times what it is (at least a tenth of the way to the background)."""
FOLLOWING_PASSES = 10
"""Time constant of a level that follows, in passes and their gaps."""
FIRST_GAPS = 5
MOST_SAMPLES = 50_000_000
"""Longer recordings are not read a dozen times for advice; `stress` and `surface` are there for them."""
LEAST_ROOM = 0.1
"""Of the contrast, between weakest objects and strongest gaps: a level in less is no cure."""
WORTH_TELLING = 0.5
"""A cure is told if it leaves at most this share of the errors."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedCure:
    """One change of a setting, and what it gives on the same passes.

    Parameters
    ----------
    text : str
        The change, in words.
    setting : Setting
        With the change.
    lost, false : int
        Passes lost; trips, further onsets and onsets on passes to be ignored.
    """

    text: str
    setting: Setting
    lost: int
    false: int

    @property
    def errors(self) -> int:
        """Lost passes and switchings too many."""
        return self.lost + self.false


def tried_cures(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    result: Score,
    *,
    rules: Rules = USUAL_RULES,
    extremes: PassAndGapExtremes | None = None,
    step: float | None = None,
) -> list[TriedCure]:
    """Return the changes that leave at most half of the errors, best first; one of a kind.

    Parameters
    ----------
    recording, truth, setting
    result : Score
        Of the setting, under the same rules.
    rules : Rules
    extremes : PassAndGapExtremes, optional
        At the setting's evaluation rate, where they are known.
    step : float or None, recording units
        Smallest step of the light, where it is known.
    """
    n = result.counts
    errors = n.lost + n.false_trips + n.ignore_false_trips + n.extra
    # An output that is active in most of the gap time may count as no error, and is none to be used.
    if type(setting) is not Setting or recording.samples > MOST_SAMPLES or not (errors or unusable(result)):
        return []
    found = extremes or PassAndGapExtremes.of(
        recording, truth, evaluation_rate_hz=setting.evaluation_rate_hz, rules=rules
    )
    best: dict[str, TriedCure] = {}
    told = step if step is not None else recording.whole_step
    for kind, text, tried in _candidates(recording, truth, replace(setting, taught=None), found, rules, told):
        given = score(replay(recording, tried), truth, rules=rules, tables=False)
        c = given.counts
        if unusable(given):
            continue
        cure = TriedCure(text=text, setting=tried, lost=c.lost, false=c.false_trips + c.ignore_false_trips + c.extra)
        if cure.errors <= WORTH_TELLING * errors and (kind not in best or cure.errors < best[kind].errors):
            best[kind] = cure
    # Of equal ones the simplest to set: that is their order, and a whole design is told where nothing simpler does it.
    if "designed" in best and any(c.errors <= best["designed"].errors for k, c in best.items() if k != "designed"):
        del best["designed"]
    return sorted(best.values(), key=lambda cure: cure.errors)


def _candidates(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    extremes: PassAndGapExtremes,
    rules: Rules,
    step: float | None,
) -> Iterator[tuple[str, str, Setting]]:
    rate = setting.evaluation_rate_hz or recording.info.sample_rate_hz
    up, sign, active = setting.light_on, setting.sign, setting.activation
    turned = Polarity.DARK_ON if up else Polarity.LIGHT_ON
    yield "polarity", f"the polarity turned to {turned}", replace(setting, polarity=turned)
    if setting.consecutive > 1:
        yield "filter", "no filter", replace(setting, consecutive=1)
    if setting.on_delay_ms:
        yield "on-delay", "no on-delay", replace(setting, on_delay_ms=0.0)
    if setting.off_delay_ms:
        yield "off-delay", "no off-delay", replace(setting, off_delay_ms=0.0)
    yield from _other_levels(setting, truth, extremes, step)
    for _, text, other in _other_levels(replace(setting, polarity=turned), truth, extremes, step):
        yield "polarity", f"the polarity turned to {turned} and {text}", other
    shortest_ms = 1000 * float((truth.end - truth.start)[truth.detect].min()) / recording.info.sample_rate_hz
    for evaluations in FILTERS:
        if setting.consecutive < evaluations < shortest_ms * rate / 2000:
            yield "filter", f"a filter of {evaluations} evaluations", replace(setting, consecutive=evaluations)
    for evaluations in DELAYS:
        delay = 1000 * evaluations / rate
        if setting.holds_back_ms < delay < shortest_ms / 2:
            swapped = setting.delays_swap_roles
            name = "off-delay" if swapped else "on-delay"
            late = replace(setting, off_delay_ms=delay) if swapped else replace(setting, on_delay_ms=delay)
            yield "on-delay", f"an {name} of {in_figures(delay)} ms", late
    real = _real(extremes)
    if not real.any():
        return
    background = float(np.median((extremes.gaps.low[real] + extremes.gaps.high[real]) / 2))
    apart = sign * (active - background)
    for times in BANDS:
        width = times * max(setting.hysteresis, 0.1 * apart)
        if setting.hysteresis < width < 0.9 * apart:
            wider = (active, active - width) if up else (active + width, active)
            yield (
                "band",
                f"a hysteresis of {level_text(round_level(width, apart, step), step)} {setting.unit}",
                setting.with_levels(*wider, setting.polarity),
            )
    # It begins at the background of the first gaps, which the levels were taught above.
    slow = 1000 * FOLLOWING_PASSES * recording.seconds / max(1, truth.passes)
    middles = ((extremes.gaps.low + extremes.gaps.high) / 2)[real]
    if (follower := _follower(recording, setting, float(np.median(middles[:FIRST_GAPS])), slow)) is not None:
        yield "following", "a level that follows the background", follower
    if (designed := designed_in_hindsight(recording, truth, base=setting, rules=rules)) is not None:
        # What clears the background by next to nothing works on these passes alone.
        contrast = abs(float(np.median(extremes.passes.high if up else extremes.passes.low)) - background)
        if abs(designed.activation - background) >= LEAST_ROOM * contrast:
            yield "designed", f"levels, filter and delays designed together ({parts_text(designed, step)})", designed


def _real(extremes: PassAndGapExtremes) -> NDArray[np.bool_]:
    ends = (extremes.gaps.low, extremes.gaps.high)
    out: NDArray[np.bool_] = (extremes.gaps.valid > 0) & (np.abs(ends) < LARGEST).all(axis=0)
    return out


def _other_levels(
    setting: Setting, truth: Truth, extremes: PassAndGapExtremes, step: float | None
) -> Iterator[tuple[str, str, Setting]]:
    """Give the middle between weakest objects and strongest gaps, all of them and without the outermost tenth."""
    up, sign, gaps, passes = setting.light_on, setting.sign, extremes.gaps, extremes.passes
    real = _real(extremes)
    known = (passes.valid > 0) & (np.abs((passes.low, passes.high)) < LARGEST).all(axis=0)
    detect = truth.detect[extremes.pass_rows[known]]
    peaks = sign * (passes.high if up else passes.low)[known][detect]
    tops = sign * (gaps.high if up else gaps.low)[real]
    if not peaks.size or not tops.size:
        return
    background = float(np.median((gaps.low[real] + gaps.high[real]) / 2))
    least = LEAST_ROOM * (float(np.median(peaks)) - sign * background)
    for share in (0.0, 0.02, 0.1):
        weakest, strongest = float(np.quantile(peaks, share)), float(np.quantile(tops, 1 - share))
        if weakest - strongest < least:
            continue
        level = sign * (weakest + strongest) / 2
        level = round_level(level, weakest - strongest, step)
        release = level - sign * min(setting.hysteresis, 0.5 * abs(level - background))
        if sign * (level - background) > 0:
            levels = (max(level, release), min(level, release))
            text = f"the level at {level_text(level, step)} {setting.unit}"
            yield "level", text, setting.with_levels(*levels, setting.polarity)


def _follower(
    recording: Recording, setting: Setting, background: float, time_constant_ms: float
) -> FollowingSetting | None:
    info = recording.info
    above = abs(background - info.dark_level)
    top = info.full_scale if info.full_scale is not None else background + 4 * max(above, 1.0)
    try:
        return FollowingSetting.of(
            setting,
            reference=background,
            low_limit=min(background, background - 0.8 * above),
            high_limit=max(background, top),
            follow=Follow.OFFSET,
            dark_level=info.dark_level,
            time_constant_ms=time_constant_ms,
            guard=0.9,
        )
    except SettingError:  # the release lies on the wrong side of the background
        return None
