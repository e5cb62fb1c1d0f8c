"""Why a setting loses passes, trips in gaps or counts passes twice: one code and one sentence for each cause.

A setting switches on the light that it evaluates, so reasons are found in that light: a peak between two evaluations
does not count.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.light.sides import sides_of
from teachlab.model.following_and_window import Follow, FollowingSetting, TurningPointSetting, WindowSetting
from teachlab.model.json_values import picked, plain
from teachlab.model.printable_text import level_text, number_of
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Outcome, Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring.early import early_rows
from teachlab.sensor.clock import delay_evaluations

CLIPPED_SHARE = 0.5
"""A pass that does not reach the level is clipped if more than this share of it lies at an end of the scale."""
LONG_STILL = 32
"""So many evaluations of exactly the same light are no chance where the light of gaps flickers."""
STRONG_SHARE = 0.25
"""A gap is as strong as a pass if its light goes as far as that of all passes but this share."""
MOST_STRONG = 0.2
"""If more of the gaps are so, no single rows are missing."""
GAP_SHARE = 0.75
"""A pass has the light of a gap if it stays within the range of this share of the gaps; others may hold trips."""

LOWEST_SPREADS = 4.0
"""Quartile ranges of the weakest light of gaps by which that of an empty pass, which is shorter, may differ."""
EMPTY_SHARE = 0.1
"""Share of the usual contrast below which nothing passed."""

STANDS_STILL, LIKE_A_GAP = "stands-still", "like-a-gap"
REASONS = {
    "too-weak": "lost: {their} {strongest} light {stays} the level of {level} {unit} at which the output becomes "
    "active",
    LIKE_A_GAP: "lost: {their} light is that of the gaps: nothing passed, it is too faint, or the label is wrong",
    "between": "lost: {their} light{span} stays between the thresholds of {low} and {high} {unit}",
    "other-side": "lost: {darker} than the background, and no level {above} the background sees {them}",
    "saturated": "lost: {their} light is clipped at an end of the scale and does not reach the level of {level} {unit}",
    STANDS_STILL: "lost: the light does not change by a single step in {them}: the logger or the sensor had stopped",
    "dropout": "lost: the recording has no valid light in part of {them}",
    "not-evaluated": "lost: {they_are} so short that the sensor evaluates no sample of {them}",
    "shorter-than-delay": "lost: the {back} is longer than {they_last}, whatever the level: shorten it",
    "too-brief": "lost although the light reaches the level: too briefly for filter or delay",
    "not-active": "lost: the output does not become active; its levels are not fixed, so no level can be "
    "named as the cause",
    "early": "merged: the output became active in the gap just before, one event that counts as a false trip and as "
    "a loss. Move the level towards the objects, or allow for borders in doubt with --tolerance-ms",
    "held-by-delay": "merged: the {held} bridges the gap before {them}, whatever the level: shorten it",
    "held-by-filter": "merged: the gap before {them} is too short for {consecutive} evaluations in a row",
    "touching": "merged: {they_touch} the pass before {them}, and the output was still active from before",
    "held-by-level": "merged: the output was still active from before, since the light had not come back to the "
    "level of release of {release} {unit}",
}
"""The text of every code, after the number of passes."""


@dataclass(frozen=True, slots=True)
class LossReason:
    """Why one pass was lost.

    `row`: row of the pass in the truth.
    `code`: one of `REASONS`.
    `sample`: sample at which the pass starts.
    `at_s`: the same from the start of the recording.
    """

    row: int
    code: str
    sample: int
    at_s: float
    label: str

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {"pass": self.row, "reason": self.code, "sample": self.sample, "at_s": self.at_s}


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of errors, and what it did.

    `text`: what the cause did, without a full stop.
    `count`: number of passes, or gaps, with this cause.
    `row`, `sample`: first pass and sample with this cause; for a gap, its start.
    """

    text: str
    count: int
    row: int | None
    sample: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reasons:
    """Reasons for the errors of a setting.

    `losses`: one reason for every lost pass, in time order.
    `gaps_tripped`: gaps with a false trip, except those reported with the pass after them.
    `gaps`: scored gaps.
    `counted_again`: passes that were counted more than once.
    `first_trip`: sample at which the first such gap starts.
    `ignored`, `ignored_tripped`: scored `ignore` passes, and those that switched the output.
    `strong_gaps`: tripped gaps whose light is as strong as that of passes; 0 if that was not measured.
    `first_again`, `first_again_sample`, `first_ignored`, `first_ignored_sample`: row and first sample of the first pass
    that was counted more than once, and of the first `ignore` pass that tripped.
    """

    setting: Setting
    losses: tuple[LossReason, ...]
    gaps_tripped: int
    gaps: int
    counted_again: int
    ignored: int = 0
    ignored_tripped: int = 0
    step: float | None = None
    first_trip: int | None = None
    first_ignored: int | None = None
    first_ignored_sample: int | None = None
    first_again: int | None = None
    first_again_sample: int | None = None
    strong_gaps: int = 0
    lowest_level: float | None = None
    reached: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def counts(self) -> dict[str, int]:
        """Lost passes by code, the most frequent cause first; equal ones in the order of `REASONS`."""
        found = Counter(loss.code for loss in self.losses)
        return {code: found[code] for code in sorted(found, key=lambda c: (-found[c], list(REASONS).index(c)))}

    def says(self, code: str, *, one: bool = False, reached: tuple[float, float] | None = None) -> str:
        """Return the sentence of a code, for one pass or several, without their number; with how far their light goes.

        `reached` ((float, float), recording units): their lowest and their highest light.
        """
        setting = self.setting
        up = setting.light_on
        back, held = ("off", "on") if setting.delays_swap_roles else ("on", "off")
        if code == "not-active" and isinstance(setting, WindowSetting):
            return "lost: the light passes neither threshold for as long as filter and delays ask"
        text = REASONS[code]
        if code == "too-weak" and type(setting) is not Setting:
            text = (
                "lost: {their} {strongest} light {stays} the level, which follows the background and is nowhere "
                "{short_of} {lowest} {unit}"
            )
        lowest = level_text(setting.activation if self.lowest_level is None else self.lowest_level, self.step)
        short_of = "below" if up else "above"
        stays, span = f"stays {short_of}", ""
        if reached is not None:
            low, high = (level_text(level, self.step) for level in reached)
            span, furthest = f", {low} to {high} {setting.unit},", high if up else low
            # What differs by less than is printed is not told as a figure.
            stays = stays if furthest == lowest else f"reaches {furthest}, not"
        return text.format(
            their="its" if one else "their",
            them="it" if one else "them",
            they_are="is it" if one else "are they",
            they_last="it lasts" if one else "they last",
            darker="darker" if up else "brighter",
            above="above" if up else "below",
            they_touch="it touches" if one else "they touch",
            strongest="strongest" if up else "darkest",
            short_of=short_of,
            stays=stays,
            span=span,
            level=level_text(setting.activation, self.step),
            release=level_text(setting.release, self.step),
            lowest=lowest,
            low=level_text(setting.off_level, self.step),
            high=level_text(setting.on_level, self.step),
            unit=setting.unit,
            consecutive=setting.consecutive,
            back=f"{back}-delay of {setting.holds_back_ms:g} ms",
            held=f"{held}-delay of {setting.holds_on_ms:g} ms",
        )

    def causes(self) -> list[Cause]:
        """Return one sentence for each cause, the largest first, each with the place of its first error."""
        told = []
        for code, n in self.counts.items():
            struck = [x for x in self.losses if x.code == code]
            text = f"{_passes(struck)} {self.says(code, one=n == 1, reached=self.reached.get(code))}"
            told.append(Cause(text, n, struck[0].row, struck[0].sample))
        if self.gaps_tripped:
            # Of which gaps before an early onset come first, if they are the larger cause.
            more = " more" if self.counts.get("early", 0) >= self.gaps_tripped else ""
            text = (
                f"{self.gaps_tripped}{more} of {number_of(self.gaps, 'gap')} tripped: the background reaches "
                f"{self._level()}"
            )
            text = self.missing_text(more) or text
            told.append(Cause(text, self.gaps_tripped, None, self.first_trip))
        if n := self.ignored_tripped:
            text = (
                f"{n} of {number_of(self.ignored, 'pass', 'passes')} to be ignored switched the output: "
                f"{'its' if n == 1 else 'their'} light reaches {self._level()}"
            )
            told.append(Cause(text, n, self.first_ignored, self.first_ignored_sample))
        if n := self.counted_again:
            them = "it" if n == 1 else "them"
            again = f"within {them} the light crosses both levels again"
            text = f"{number_of(n, 'pass', 'passes')} counted more than once: {again}"
            told.append(Cause(text, n, self.first_again, self.first_again_sample))
        return sorted(told, key=lambda cause: -cause.count)

    def missing_text(self, more: str = "") -> str:
        """Return what is said of gaps that trip on light as strong as a pass; empty if there are none."""
        if not self.strong_gaps:
            return ""
        which = f", {self.strong_gaps} of them" if self.strong_gaps < self.gaps_tripped else ""
        return (
            f"{self.gaps_tripped}{more} of {number_of(self.gaps, 'gap')} tripped{which} on light as strong as a pass: "
            f"{'is a product' if self.strong_gaps == 1 else 'are products'} missing in the table of passes?"
        )

    def _level(self) -> str:
        if type(self.setting) is not Setting:
            return "a threshold" if isinstance(self.setting, WindowSetting) else "the level, which is not fixed"
        return f"the level of {level_text(self.setting.activation, self.step)} {self.setting.unit}"

    def lines(self) -> list[str]:
        """Return one sentence for each cause, the largest first."""
        return [cause.text for cause in self.causes()]

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "counts": self.counts,
            "says": {code: self.says(code, reached=self.reached.get(code)) for code in self.counts},
            "lost_passes": plain(self.losses),
            **picked(self, "gaps_tripped", "counted_again", "ignored_tripped"),
        }


def reasons_of(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    score: Score,
    *,
    rules: Rules = USUAL_RULES,
    extremes: PassAndGapExtremes | None = None,
    step: float | None = None,
) -> Reasons:
    """Find the reason for every lost pass in the light that the setting evaluates.

    `extremes`: extremes of the recording at the setting's evaluation rate, if known: several settings share them. At
    another rate they are measured again.
    """
    trials = score.trials
    lost = trials.rows(trials.lost)
    # If a delay holds the output, the delay is the cause, whatever started it.
    early = early_rows(trials)[: 0 if _holds(setting) or not lost.size else None]
    codes: dict[int, str] = {}
    lowest: float | None = None
    rate = setting.evaluation_rate_hz or recording.info.sample_rate_hz
    if extremes is not None and extremes.rate_hz != rate:
        extremes = None
    if lost.size:
        merged = trials.passes[lost - trials.first_pass] == Outcome.MERGED
        if extremes is None:
            extremes = PassAndGapExtremes.of(
                recording, truth, evaluation_rate_hz=setting.evaluation_rate_hz, rules=rules
            )
        lowest = None if type(setting) is Setting else _nearest_level(setting, extremes)
        missed = _missed(lost[~merged], setting, truth, extremes, lowest)
        codes.update(zip(lost[~merged].tolist(), missed, strict=True))
        codes.update(zip(lost[merged].tolist(), _merged(lost[merged], setting, truth, extremes), strict=True))
        codes |= dict.fromkeys(early.tolist(), "early")
    hz = recording.info.sample_rate_hz
    start = truth.start
    again = trials.rows(trials.hit_again)
    other = ~truth.detect[trials.first_pass :] & (trials.passes != Outcome.EXCLUDED)
    wrong = trials.rows(other & (trials.pass_onsets > 0))
    # A gap has the number of the pass before it: the gap before an early pass k is k − 1.
    after = trials.gap_after[(trials.gaps == Outcome.TRIPPED) & ~np.isin(trials.gap_after, early - 1)]
    return Reasons(
        setting=setting,
        losses=tuple(
            LossReason(k, codes[k], int(start[k]), int(start[k]) / hz, str(truth.label[k])) for k in sorted(codes)
        ),
        # A gap that ends in an early onset is reported with the pass after it.
        gaps_tripped=int(after.size),
        gaps=score.counts.gaps,
        counted_again=int(again.size),
        first_trip=None if not after.size else int(truth.end[after[0]]) if after[0] >= 0 else 0,
        ignored=int(np.count_nonzero(other)),
        ignored_tripped=int(wrong.size),
        step=step if step is not None else recording.whole_step,
        first_ignored=int(wrong[0]) if wrong.size else None,
        first_ignored_sample=int(start[wrong[0]]) if wrong.size else None,
        first_again=int(again[0]) if again.size else None,
        first_again_sample=int(start[again[0]]) if again.size else None,
        strong_gaps=0 if extremes is None else _strong_gaps(after, setting, truth, extremes),
        lowest_level=lowest,
        reached={} if extremes is None else _reached(codes, extremes),
    )


def _reached(codes: Mapping[int, str], extremes: PassAndGapExtremes) -> dict[str, tuple[float, float]]:
    """Return the lowest and the highest light of the passes that are lost since it does not reach a level."""
    found = {}
    for code in ("too-weak", "between"):
        rows = np.isin(extremes.pass_rows, [row for row, one in codes.items() if one == code])
        if rows.any():
            found[code] = float(extremes.passes.low[rows].min()), float(extremes.passes.high[rows].max())
    return found


def _nearest_level(setting: Setting, extremes: PassAndGapExtremes) -> float | None:
    """Return the level at which the output becomes active, at the background that brings it nearest to the background.

    No background that is followed lies beyond the furthest light of the recording and the taught one.
    """
    up = setting.light_on
    parts = [one.low if up else one.high for one in (extremes.passes, extremes.between, extremes.gaps)]
    light = np.concatenate(parts)
    light = light[np.isfinite(light)]
    if isinstance(setting, FollowingSetting):
        taught, gain = setting.reference, setting.follow is Follow.GAIN
    elif isinstance(setting, TurningPointSetting) and setting.rise == up:
        taught, gain = setting.background, setting.form is Follow.GAIN
    else:
        return None
    nearest = float(light.min(initial=taught) if up else light.max(initial=taught))
    if not gain:
        return setting.activation + nearest - taught
    return setting.dark_level + (setting.activation - setting.dark_level) * (nearest - setting.dark_level) / (
        taught - setting.dark_level
    )


def _strong_gaps(after: NDArray[np.int64], setting: Setting, truth: Truth, extremes: PassAndGapExtremes) -> int:
    """Count the gaps, named by the pass before them, whose strongest light is that of passes.

    If many gaps are so, the passes do not lie where the light is, and nothing is missing in the table.
    """
    light, gaps, up = extremes.passes, extremes.gaps, setting.light_on
    seen = truth.detect[extremes.pass_rows] & (light.valid > 0)
    if not after.size or not seen.any():
        return 0
    usual = float(np.quantile((light.high if up else -light.low)[seen], STRONG_SHARE, method="inverted_cdf"))
    strong = (gaps.high if up else -gaps.low) >= usual
    before = np.searchsorted(light.start, gaps.start, side="right") - 1
    rows = np.where(before < 0, -1, extremes.pass_rows[before])
    return int(np.count_nonzero(strong & np.isin(rows, after))) if strong.mean() <= MOST_STRONG else 0


def _missed(
    rows: NDArray[np.int64], setting: Setting, truth: Truth, extremes: PassAndGapExtremes, nearest: float | None
) -> list[str]:
    """Return the codes of passes without any onset: the first condition that holds, from the record to the delays."""
    if not extremes.pass_rows.size:
        return ["not-evaluated"] * rows.size
    up = setting.light_on
    fixed, window = type(setting) is Setting, isinstance(setting, WindowSetting)
    level = setting.activation if fixed else nearest
    # Passes without an evaluation have no extremes. They are marked −1, and no other column of theirs is read.
    at = np.full(truth.passes, -1, np.int64)
    at[extremes.pass_rows] = np.arange(extremes.pass_rows.size)
    k = at[rows]
    light = extremes.passes
    peak, lasts = (light.high if up else light.low)[k], (light.stop - light.start)[k]
    back = delay_evaluations(setting.holds_back_ms, extremes.rate_hz)
    # As the comparator compares: light begins at x >= on-level, ends at x < off-level.
    weak = np.zeros(rows.size, bool) if level is None else peak < level if up else peak >= level
    within = (light.high[k] < setting.on_level) & (light.low[k] >= setting.off_level) & (window and up)
    empty = like_gaps(k, extremes, (True, False) if window else (up,))
    gaps = extremes.gaps
    # Light without noise is constant everywhere. But where gaps flicker, a pass that does not is not real light.
    seen = gaps.valid > 0
    flickers = bool(np.mean((gaps.high > gaps.low)[seen]) >= 0.5) if seen.any() else False  # infinite ones too
    still = flickers & (light.high[k] == light.low[k]) & (lasts + _still_beside(k, extremes) >= LONG_STILL)
    sides = sides_of(truth, extremes)
    other = np.empty(0, np.int64) if sides is None else sides.below if up else sides.above
    unread = [(k < 0, "not-evaluated"), (light.valid[k] < lasts, "dropout")]
    if not fixed:
        moved = [(still, STANDS_STILL), (empty, LIKE_A_GAP), (within, "between"), (weak, "too-weak")]
        return _first([*unread, *moved], "not-active")
    found = [
        *unread,
        (weak & np.isin(rows, other), "other-side"),
        (weak & (extremes.clipped[k] > CLIPPED_SHARE), "saturated"),
        (weak & still, STANDS_STILL),
        (weak & empty, LIKE_A_GAP),
        (weak, "too-weak"),
        (lasts <= back if back else np.zeros(rows.size, bool), "shorter-than-delay"),
    ]
    return _first(found, "too-brief")


def _still_beside(rows: NDArray[np.int64], extremes: PassAndGapExtremes) -> NDArray[np.int64]:
    """Return how many evaluations of the gaps beside passes hold the same light as the pass, without any change."""
    gaps, light = extremes.gaps, extremes.passes
    after = np.searchsorted(gaps.start, light.start[rows])
    out = np.zeros(rows.size, np.int64)
    for beside in (after - 1, after):
        at = np.clip(beside, 0, max(0, gaps.start.size - 1))
        inside = (beside >= 0) & (beside < gaps.start.size)
        if inside.any():
            same = inside & (gaps.high[at] == gaps.low[at]) & (gaps.high[at] == light.high[rows])
            out += np.where(same, gaps.stop[at] - gaps.start[at], 0)
    return out


def empty_text(empty: int, passes: int) -> str:
    """Say in how many passes nothing is seen."""
    return (
        f"In {empty:,} of {number_of(passes, 'pass', 'passes')} the light is that of the gaps: no setting can be "
        "judged by them. Nothing passed, it is too faint, or the times of the passes are wrong."
    )


def like_gaps(rows: NDArray[np.int64], extremes: PassAndGapExtremes, upwards: Sequence[bool]) -> NDArray[np.bool_]:
    """Whether the light of passes is that of most gaps and of the gaps beside them, by objects of each way.

    `rows`: passes, by their place in the extremes.
    `upwards`: whether objects raise the light: several where they may do either.
    """
    low, high = _usual_gap(extremes)
    found: NDArray[np.bool_] = (extremes.passes.high[rows] <= high) & (extremes.passes.low[rows] >= low)
    for up in upwards:
        found &= _as_beside(rows, extremes, up)
    return found


def _as_beside(rows: NDArray[np.int64], extremes: PassAndGapExtremes, up: bool) -> NDArray[np.bool_]:
    """Whether the light of passes is that of the gaps beside them, half their range beyond it included.

    Where light falls along the line, a pass may have the light of gaps far from it. The strongest light of a gap may be
    the edge of an object beside it: where nothing passed, the weakest light of the pass too is that of the gaps.
    """
    gaps, light = extremes.gaps, extremes.passes
    known = np.flatnonzero(gaps.valid > 0)
    if not known.size:
        return np.zeros(rows.size, bool)
    after = np.searchsorted(gaps.start[known], light.start[rows])
    beside = known[np.clip((after - 1, after), 0, known.size - 1)]
    low, high = gaps.low[beside].min(axis=0), gaps.high[beside].max(axis=0)
    with np.errstate(invalid="ignore"):  # infinite light has no range
        more = np.nan_to_num((high - low) / 2, nan=0.0)
        as_beside: NDArray[np.bool_] = (light.low[rows] >= low - more) & (light.high[rows] <= high + more)
        weak, strong, far = (light.low, gaps.low, light.high) if up else (-light.high, -gaps.high, -light.low)
        spread = np.subtract(*np.quantile(strong[known], (0.75, 0.25), method="inverted_cdf"))
        contrast = np.nanmedian(far) - np.median(strong[known])
        empty = np.nan_to_num(max(LOWEST_SPREADS * spread, EMPTY_SHARE * contrast), nan=0.0)
    as_beside &= weak[rows] <= strong[beside].max(axis=0) + empty
    return as_beside


def _usual_gap(extremes: PassAndGapExtremes) -> tuple[float, float]:
    """Return the lowest and the highest light of most gaps; an empty range if there is no gap."""
    known = extremes.gaps.valid > 0
    if not known.any():
        return np.inf, -np.inf
    # Mirrored, not the quantile at the other share: so mirrored light gives exactly the mirrored range.
    low = np.quantile(-extremes.gaps.low[known], GAP_SHARE, method="inverted_cdf")
    return -float(low), float(np.quantile(extremes.gaps.high[known], GAP_SHARE, method="inverted_cdf"))


def _merged(rows: NDArray[np.int64], setting: Setting, truth: Truth, extremes: PassAndGapExtremes) -> list[str]:
    """Return the codes of merged passes: the delay is the cause if the light fell far enough for the comparator."""
    up = setting.light_on
    stretches, level = extremes.between, setting.release
    released = stretches.low < level if up else stretches.high >= level
    fell = np.isin(rows, extremes.between_before[released]) & (type(setting) is Setting)
    touching = np.isin(rows, np.flatnonzero(truth.start[1:] == truth.end[:-1]) + 1)
    found = [
        (touching, "touching"),
        (fell & _holds(setting), "held-by-delay"),
        (fell & (setting.consecutive > 1), "held-by-filter"),
    ]
    return _first(found, "held-by-level")


def _first(found: Sequence[tuple[NDArray[np.bool_], str]], otherwise: str) -> list[str]:
    """Return, for every row, the code of the first condition that holds."""
    codes = np.select([condition for condition, _ in found], [code for _, code in found], otherwise)
    return [str(code) for code in codes]


def _holds(setting: Setting) -> bool:
    """Whether a delay holds the output after an object."""
    return setting.holds_on_ms > 0


def _passes(losses: Sequence[LossReason]) -> str:
    labels = Counter(loss.label for loss in losses)
    named = ", ".join(f"{count} '{label}'" for label, count in labels.most_common(4) if label)
    return number_of(len(losses), "pass", "passes") + (f" ({named})" if named else "")
