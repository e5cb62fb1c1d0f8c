"""What would mend a setting, each tried by replay: filter, delay, band, another level, averaging, following."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from teachlab.errors import InputError, UnmeasurableError
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.light.usable_light import bounded_recording
from teachlab.model.printable_text import in_figures, level_text, number_of, round_level, wrong_text
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Polarity, Setting
from teachlab.model.setting_words import setting_in_words, timings_in_words
from teachlab.model.truth import Truth
from teachlab.model.verdict import VerdictCure, VerdictReason
from teachlab.questions.counterfactual.averaged import averaged
from teachlab.questions.feasibility.designed_cure import MOST_DESIGNED, all_shown, can_be_held, taught_in_hindsight
from teachlab.scoring.claimable import unusable, wrong_apart
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay
from teachlab.teaching.registry import built, installed_class

SPANS = (4, 8, 16, 32, 64, 128)
"""Lengths of the tried averages, in evaluations; each is shorter than half of the shortest pass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AveragedLight:
    """A recording with an average before the levels.

    `recording`: one sample per evaluation.
    `truth`: its passes, later by half the average.
    `setting`: the same levels and delays, for every sample of that recording.
    """

    text: str
    recording: Recording
    truth: Truth
    setting: Setting


def averages(recording: Recording, truth: Truth, setting: Setting) -> Iterator[AveragedLight]:
    """Yield the light under longer and longer averages.

    Notes
    -----
    Recordings longer than those held in memory for a design are not read again for every average.
    """
    if recording.samples > MOST_DESIGNED:
        return
    recording = bounded_recording(recording)  # a mean over infinite light is no number
    rate = setting.evaluation_rate_hz or recording.info.sample_rate_hz
    shortest = int((truth.end - truth.start)[truth.detect].min()) * rate / recording.info.sample_rate_hz
    for span in SPANS:
        if span >= shortest / 2:
            return
        try:
            seen, passes = averaged(recording, truth, span, evaluation_rate_hz=setting.evaluation_rate_hz)
        except InputError:  # a pass between two evaluations, or light too large to be reckoned with
            return
        if passes.passes == truth.passes:
            yield AveragedLight(
                text=f"an average over {number_of(span, 'evaluation')} ({in_figures(1000 * span / rate)} ms)",
                recording=seen, truth=passes, setting=replace(setting, evaluation_rate_hz=None),
            )  # fmt: skip


DELAYS = (2, 4, 8, 16, 32, 64, 128)
FILTERS = (3, 5, 9, 17, 33, 65)
"""Evaluations of a tried delay, and of a tried filter; shorter than half of the shortest pass."""
BANDS = (2.0, 4.0)
"""Multiples of the present distance of the release (at least a tenth of the distance to the background)."""
MOST_TRIED = 50_000_000
"""Longer recordings are not read a dozen times for advice; `stress` and `surface` do this for them."""
LEAST_ROOM = 0.1
"""Share of the contrast between weakest objects and strongest gaps: with less room, a level is no cure."""
PLAIN = ("level", "band", "polarity")
"""Kinds of cure that are fixed levels without filter and delays."""
WHOLE = ("designed", "turning points")
"""Kinds of cure that change the whole setting."""
ELABORATE = (*WHOLE, "following", "averaging")
"""Kinds that need another sensor, or more than one number."""
WORTH_TELLING = 0.5
"""A cure is mentioned in a sentence if it leaves at most this share of the errors."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedCure:
    """One change of a setting, and its result on the same passes.

    `setting`: the changed setting; behind an average if the kind is averaging.
    `lost`, `false`: passes lost; trips, further onsets and onsets on `ignore` passes.
    """

    kind: str
    text: str
    setting: Setting
    lost: int
    false: int

    @property
    def errors(self) -> int:
        """Lost passes and unwanted onsets."""
        return self.lost + self.false

    @property
    def plain(self) -> bool:
        """Whether fixed levels without filter and delays do it."""
        return self.kind in PLAIN

    @property
    def told(self) -> VerdictCure:
        """The same as part of a verdict."""
        return VerdictCure(kind=self.kind, text=self.text, lost=self.lost, false=self.false)


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
    """Return the best change of each kind that leaves fewer errors, best first.

    `result`: of the setting, under the same rules.
    `extremes`: at the setting's evaluation rate, if known.
    """
    n = result.counts
    errors = sum(wrong_apart(truth, result))
    # An output that is active in most of the gap time may count as having no error, but it is useless.
    useless = unusable(result)
    if type(setting) is not Setting or recording.samples > MOST_TRIED or not (errors or useless):
        return []
    if not truth.detect.any():
        return []
    found = extremes or PassAndGapExtremes.of(
        recording, truth, evaluation_rate_hz=setting.evaluation_rate_hz, rules=rules
    )
    best: dict[str, TriedCure] = {}
    told = step if step is not None else recording.whole_step
    plain = replace(setting, taught=None)

    def take(cures: Iterable[TriedCure | None]) -> None:
        for cure in cures:
            if cure is None:
                continue
            fewer = cure.errors < errors or (useless and not cure.errors)
            if fewer and (cure.kind not in best or cure.errors < best[cure.kind].errors):
                best[cure.kind] = cure

    changes = _candidates(recording, truth, plain, found, told, dips=n.extra > 0)
    take(_tried(*one, recording, truth, rules) for one in changes)
    take([averaging_cure(recording, truth, plain, rules=rules, step=told)])
    # Changes that take longest to find, and are hardest to set, are tried only if nothing simpler is without error.
    if min((cure.errors for kind, cure in best.items() if kind != "averaging"), default=1):
        take(_tried(*one, recording, truth, rules) for one in _taught(recording, truth, plain, found, rules, told))
    # Of equal ones the simplest to set comes first. A complete design is mentioned only if nothing simpler works; not
    # every sensor can average.
    simple = min((cure.errors for kind, cure in best.items() if kind not in (*WHOLE, "averaging")), default=errors + 1)
    for kind in WHOLE:
        if kind in best and simple <= best[kind].errors:
            del best[kind]
    return sorted(best.values(), key=lambda cure: (cure.errors, cure.kind == "averaging"))


def cure_reason(cures: Sequence[TriedCure], errors: int, *, check_on: str = "a new recording") -> VerdictReason | None:
    """Say what the best change leaves, and another one that leaves as much; None if none leaves at most half.

    What the other kinds of change leave is told in the details, a line each.

    `cures`: best first.
    `errors`: errors without a change.
    `check_on`: what decides on the change, which was found on the passes that it is told for.

    Examples
    --------
    >>> setting = Setting(unit="mV", on_level=2.0, off_level=1.0)
    >>> kinds = {"filter": 0, "band": 3}
    >>> tried = [TriedCure(kind=k, text=f"a {k}", setting=setting, lost=n, false=0) for k, n in kinds.items()]
    >>> cure_reason(tried, 8).told
    'Better: a filter: no error on these passes. Check it on a new recording.'
    """
    if not cures or cures[0].errors > WORTH_TELLING * errors:
        return None
    # Another change that leaves as much is mentioned if it is as simple.
    told = [
        cure
        for cure in cures[:2]
        if (cure.lost, cure.false) == (cures[0].lost, cures[0].false)
        and (cure.kind in ELABORATE) == (cures[0].kind in ELABORATE)
    ]
    left = wrong_text(told[0].lost, told[0].false)
    text = f"{', or '.join(cure.text for cure in told)}: {left} on these passes. Check it on {check_on}."
    return VerdictReason(text=text, count=cures[0].errors, better=True)


def _candidates(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    extremes: PassAndGapExtremes,
    step: float | None,
    *,
    dips: bool,
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
    between = (truth.start[1:] - truth.end[:-1])[truth.start[1:] > truth.end[:-1]]
    gap_ms = 1000 * float(between.min()) / recording.info.sample_rate_hz if between.size else 0.0
    first, second = ("off", "on") if setting.delays_swap_roles else ("on", "off")
    for evaluations in DELAYS:
        delay = 1000 * evaluations / rate
        if setting.holds_back_ms < delay < shortest_ms / 2:
            yield "on-delay", f"an {first}-delay of {in_figures(delay)} ms", _with_delay(setting, first, delay)
    middles = extremes.gaps.middles()
    if not middles.size:
        return
    background = float(np.median(middles))
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
    # It bridges light that dips inside a pass. Trips in a gap would only become one long trip.
    for evaluations in DELAYS if dips else ():
        delay = 1000 * evaluations / rate
        if (setting.on_delay_ms if second == "on" else setting.off_delay_ms) < delay < gap_ms / 2:
            yield "off-delay", f"an {second}-delay of {in_figures(delay)} ms", _with_delay(setting, second, delay)


def _taught(
    recording: Recording, truth: Truth, setting: Setting, extremes: PassAndGapExtremes, rules: Rules,
    step: float | None,
) -> Iterator[tuple[str, str, Setting]]:  # fmt: skip
    """Teach what follows, and what is designed as a whole, on the same passes."""
    middles = extremes.gaps.middles()
    background = float(np.median(middles)) if middles.size else 0.0
    block = all_shown(recording, truth, setting, rules) if can_be_held(recording, truth) else None
    followers = [built(installed_class("background-follower"), {"follow": form}) for form in ("offset", "gain")]
    for taught in taught_in_hindsight(block, rules, *followers):
        yield "following", "a level that follows the background", taught
    for designed in taught_in_hindsight(block, rules, built(installed_class("designed"), {})):
        # A level that clears the background by almost nothing works on these passes only.
        contrast = abs(float(np.median(extremes.passes.high if setting.light_on else extremes.passes.low)) - background)
        if abs(designed.activation - background) >= LEAST_ROOM * contrast:
            said = setting_in_words(designed, step, brief=True)
            yield "designed", f"levels, filter and delays designed together ({said})", designed
    for turning in taught_in_hindsight(block, rules, built(installed_class("turning-point-follower"), {})):
        yield "turning points", f"a setting that follows turning points ({timings_in_words(turning)})", turning


def _with_delay(setting: Setting, which: str, delay_ms: float) -> Setting:
    return replace(setting, on_delay_ms=delay_ms) if which == "on" else replace(setting, off_delay_ms=delay_ms)


def averaging_cure(
    recording: Recording, truth: Truth, setting: Setting, *, rules: Rules = USUAL_RULES, step: float | None = None
) -> TriedCure | None:
    """Return the average with the fewest errors, with the same levels or new ones; None if none helps.

    `recording`, `truth`, `setting`: a setting of fixed levels.
    """
    found: list[TriedCure] = []
    try:
        for seen in averages(recording, truth, setting):
            extremes = PassAndGapExtremes.of(seen.recording, seen.truth, rules=rules)
            others = [
                (f"{seen.text} and {text}", other)
                for _, text, other in _other_levels(seen.setting, seen.truth, extremes, step)
            ]
            found += [
                cure
                for text, tried in ((seen.text, seen.setting), *others)
                if (cure := _tried("averaging", text, tried, seen.recording, seen.truth, rules)) is not None
            ]
    except UnmeasurableError:  # light that can be compared with levels, and not be averaged
        return None
    return min(found, key=lambda cure: cure.errors, default=None)


def _tried(
    kind: str, text: str, setting: Setting, recording: Recording, truth: Truth, rules: Rules
) -> TriedCure | None:  # fmt: skip
    """Replay a change; None if its output is useless."""
    given = score(replay(recording, setting), truth, rules=rules, tables=False)
    if unusable(given):
        return None
    lost, false = wrong_apart(truth, given)
    return TriedCure(kind=kind, text=text, setting=setting, lost=lost, false=false)


def _other_levels(
    setting: Setting, truth: Truth, extremes: PassAndGapExtremes, step: float | None
) -> Iterator[tuple[str, str, Setting]]:
    """Yield the middle between weakest objects and strongest gaps: of all, and without the outermost tenth.

    Where there are objects to be ignored, those count as gaps do in three further levels.
    """
    up, sign, gaps, passes = setting.light_on, setting.sign, extremes.gaps, extremes.passes
    wanted = truth.detect[extremes.pass_rows]
    highest, tops = (sign * (side.high if up else side.low) for side in (passes, gaps))
    peaks, tops = highest[passes.usable & wanted], tops[gaps.usable]
    if not peaks.size or not tops.size:
        return
    ignored = highest[passes.usable & ~wanted]
    background = float(np.median(gaps.middles()))
    least = LEAST_ROOM * (float(np.median(peaks)) - sign * background)
    below = [tops, np.concatenate((tops, ignored))] if ignored.size else [tops]
    for dark, share in product(below, (0.0, 0.02, 0.1)):
        weakest, strongest = float(np.quantile(peaks, share)), float(np.quantile(dark, 1 - share))
        if weakest - strongest < least:
            continue
        level = sign * (weakest + strongest) / 2
        level = round_level(level, weakest - strongest, step)
        release = level - sign * min(setting.hysteresis, 0.5 * abs(level - background))
        if sign * (level - background) > 0:
            levels = (max(level, release), min(level, release))
            # Where objects lower the light, the output becomes active at the off-level: that one is named.
            named = "level" if setting.light_on else "off-level"
            text = f"the {named} at {level_text(level, step)} {setting.unit}"
            yield "level", text, setting.with_levels(*levels, setting.polarity)
