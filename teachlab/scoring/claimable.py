"""Which trials may support a claim, and which conditions of the evidence are open."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from teachlab.errors import SettingError
from teachlab.light.repeats import repeated_stretches
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.arrays import Flags, Integers
from teachlab.model.printable_text import number_of, printable
from teachlab.model.recording import Origin, Recording
from teachlab.model.score import USUAL_RULES, Outcome, Rules, Score, Trials
from teachlab.model.setting import Setting, Taught
from teachlab.model.truth import Truth, TruthSource
from teachlab.sensor.clock import Clock
from teachlab.sensor.output import onset_lag

MOST_IN_DOUBT = 0.05
"""At most this share of the passes may be shorter than the uncertainty of their borders."""

FROM_THIS_LIGHT = (
    "The passes were labelled from this very light, so products that it does not show are missing: they may tune a "
    "setting, they support no claim."
)
NEVER_ALIKE = "Two readings of a sensor are never alike."
NOT_THIS_LIGHT = "The borders of the passes do not follow this light: they may belong to another recording."


class OpenCondition(StrEnum):
    """Reasons why the evidence could not have contradicted a claim."""

    SELF_LABELLED = "self-labelled"
    COPIES = "copies"
    ELSEWHERE = "of another recording"
    BORDERS = "borders in doubt"
    INVERTED = "inverted"
    NEVER = "never switches"
    NOTHING_LEFT = "nothing left"


UNSUPPORTING = frozenset({OpenCondition.SELF_LABELLED, OpenCondition.COPIES, OpenCondition.ELSEWHERE})
"""Under these the passes could not contradict any setting: labelled from the light, copied, or of other light."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EvidenceLimits:
    """What is left out of a claim, and which conditions are open.

    `left_out`: passes left out, by reason: shown while teaching, shorter than the uncertainty of their borders,
    touching.
    `conditions`: open conditions, one sentence for each.
    `ignore_passes`: `ignore` passes among the trials; they are counted beside a claim.
    """

    left_out: Mapping[str, int]
    conditions: Mapping[OpenCondition, str]
    ignore_passes: int

    @property
    def unsupported(self) -> bool:
        """Whether these passes could not contradict any setting."""
        return not UNSUPPORTING.isdisjoint(self.conditions)

    def sentences(self) -> list[str]:
        """Return one sentence for each kind of trial left out and for each remark on the claim."""
        said = {
            "shown": "by which the setting was taught or chosen, or next to one of them",
            "short": "shorter than the doubt of their borders",
            "touching": "that touch the pass before, with the output active between them",
        }
        out = [
            f"Left out of the claim: {count} pass{'' if count == 1 else 'es'} {said[why]}."
            for why, count in self.left_out.items()
            if count
        ]
        if self.ignore_passes:
            many = number_of(self.ignore_passes, "pass to be ignored is", "passes to be ignored are")
            out.append(f"{many} counted separately.")
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimable(EvidenceLimits):
    """The trials that may support a claim.

    `trials`: trials that may not support a claim are excluded.
    `synthetic`: whether the light is synthetic: a rehearsal.
    """

    trials: Trials
    synthetic: bool


def claimable(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    result: Score,
    *,
    rules: Rules = USUAL_RULES,
    copies: Sequence[tuple[int, int]] | None = None,
    belongs: bool = True,
) -> Claimable:
    """Exclude trials that cannot support a claim, and name the conditions that are open.

    `rules`: those of the score.
    `copies`: pairs (pass, earlier pass that it repeats), if known. Otherwise the recording is read to find them.
    `belongs`: whether the borders of the passes follow this light, if that was measured.

    Three kinds of trials are excluded: trials that hold an evaluation which was shown while teaching, and one trial on
    either side of them; passes shorter than the uncertainty of their borders; and passes that touch the one before, if
    the output stayed active over the common border. If more than 5 % of the passes are shorter than the uncertainty, a
    condition stays open.
    """
    trials = result.trials
    first = trials.first_pass
    detect = truth.detect[first:]
    scored = detect & (trials.passes != Outcome.EXCLUDED)
    passes, gaps = _shown(recording, truth, setting, trials, rules)
    shown = passes & (trials.passes != Outcome.EXCLUDED)
    # Each pass is left out for one reason only, so that the counts by reason add up.
    short = scored & ~shown & ((truth.end - truth.start)[first:] < truth.uncertainty_samples)
    touching = scored & ~shown & ~short & touching_merges(truth, trials)
    left = trials.without(shown | short | touching, gaps)
    kept = detect & (left.passes != Outcome.EXCLUDED)
    conditions: dict[OpenCondition, str] = {}
    if truth.source is TruthSource.SELF_LABELLED:
        conditions[OpenCondition.SELF_LABELLED] = FROM_THIS_LIGHT
    if scored.any() and short.sum() > MOST_IN_DOUBT * scored.sum():
        conditions[OpenCondition.BORDERS] = (
            f"{int(short.sum())} of {number_of(int(scored.sum()), 'pass is', 'passes are')} shorter than the doubt of "
            f"their borders, {number_of(truth.uncertainty_samples, 'sample', spec='g')}: at most "
            f"{100 * MOST_IN_DOUBT:g} % may be."
        )
    # Light from before the trials that was copied into them could not have contradicted a claim either.
    copies = repeated_stretches(recording, truth.start, truth.end) if copies is None else copies
    copied = [pair for pair in copies if pair[0] >= first]
    if not belongs:
        conditions[OpenCondition.ELSEWHERE] = NOT_THIS_LIGHT
    if copied:
        one, other = copied[0]
        are = "is a copy of an earlier one" if len(copied) == 1 else "are copies of earlier ones"
        conditions[OpenCondition.COPIES] = (
            f"{number_of(len(copied), 'pass', 'passes')}, or the light right after, {are} (pass "
            f"{one} of pass {other}). {NEVER_ALIKE}"
        )
    if result.probably_inverted:
        conditions[OpenCondition.INVERTED] = (
            "The output is active for most of the gap time: the level lies on the wrong side, or the polarity is "
            "inverted."
        )
    elif scored.any() and not result.counts.onsets:
        conditions[OpenCondition.NEVER] = "The output never switches on."
    if not kept.any() and not conditions:
        conditions[OpenCondition.NOTHING_LEFT] = "No pass is left that may support a claim."
    return Claimable(
        trials=left,
        left_out={"shown": int((shown & detect).sum()), "short": int(short.sum()), "touching": int(touching.sum())},
        conditions=conditions,
        synthetic=recording.info.origin is Origin.SYNTHETIC,
        ignore_passes=int((~detect & (left.passes != Outcome.EXCLUDED)).sum()),
    )


def without_touching(truth: Truth, trials: Trials) -> Trials:
    """Return the trials without passes that merged with the touching pass before: no setting is worse for them."""
    merged = touching_merges(truth, trials)
    return trials.without(merged) if merged.any() else trials


def touching_merges(truth: Truth, trials: Trials) -> Flags:
    """Return which scored passes merged with the touching pass before: the output stayed active between them."""
    out: Flags = truth.touching[trials.first_pass :] & (trials.passes == Outcome.MERGED)
    return out


def wrong_apart(truth: Truth, result: Score) -> tuple[int, int]:
    """Return passes lost, without those that merged with the pass that they touch, and unwanted switchings."""
    return result.counts.lost - int(touching_merges(truth, result.trials).sum()), result.counts.false


def touching_rows(truth: Truth, trials: Trials) -> Integers:
    """Return the rows of the truth that `touching_merges` marks."""
    return trials.rows(touching_merges(truth, trials))


def touching_text(passes: int, more: str = "") -> str:
    """Say how many (`more `) passes are counted with the one that they touch, without an end.

    Examples
    --------
    >>> touching_text(1)
    '1 pass touches the one before: the output counts both as one, which is no error'
    """
    touch = number_of(passes, f"{more}pass touches", f"{more}passes touch")
    return f"{touch} the one before: the output counts both as one, which is no error"


def joined_where(truth: Truth, rows: Integers) -> Truth:
    """Return the truth with each of these passes joined to the pass before it."""
    if not rows.size:
        return truth
    kept = np.ones(truth.passes, bool)
    kept[rows] = False
    # The first pass has none before it to be joined to.
    kept[0] = True
    # A pass that is kept lasts until the end of the last pass joined to it.
    last = np.append(np.flatnonzero(kept)[1:], truth.passes) - 1
    joined = truth.select(kept)
    return replace(joined, end=truth.end[last])


def unusable(result: Score) -> bool:
    """Whether the output is active for more than half of the gap time, or never."""
    return result.probably_inverted or not result.counts.onsets


def chosen_before(setting: Setting, recording: Recording, stop: int, scored_from: int = 0) -> Setting:
    """Return a setting that records where it was taught and chosen, up to a sample: no claim may use that part.

    `scored_from`: sample from which it was scored to be chosen; before it lies what it was taught on. What the setting
    itself says of this recording stays if it reaches as far.
    """
    taught = setting.taught or Taught(strategy="")
    if _sample(chosen_on(setting, recording), "to_sample", 0) >= stop:
        return setting
    on: dict[str, object] = {"recording": recording.name, "at_sample": 0, "to_sample": stop}
    if scored_from:
        on["scored_from_sample"] = scored_from
    if recording.info.digest:
        on["recording_digest"] = recording.info.digest
    return replace(setting, taught=replace(taught, evidence={**taught.evidence, "chosen_on": on}))


def chosen_on(setting: Setting, recording: Recording) -> Mapping[str, Any]:
    """Return what a setting says of its choice on this recording; empty if it says nothing."""
    said = {} if setting.taught is None else setting.taught.evidence.get("chosen_on", {})
    return said if isinstance(said, Mapping) and _may_be(said, recording) else {}


def shown_stretches(setting: Setting, recording: Recording) -> list[tuple[int, int]]:
    """Return the samples ``[first, stop)`` of this recording on which the setting says it was taught or chosen.

    If the setting names another recording, nothing of this one was shown.
    """
    evidence = {} if setting.taught is None else setting.taught.evidence
    drawn, chosen = evidence.get("drawn", {}), evidence.get("chosen_on", {})
    if not isinstance(drawn, Mapping) or not isinstance(chosen, Mapping):
        return []
    parts = [*(drawn.values() if _may_be(drawn, recording) else ()), *([chosen] if _may_be(chosen, recording) else ())]
    rate = setting.evaluation_rate_hz or recording.info.sample_rate_hz
    out = []
    for part in parts:
        if not isinstance(part, Mapping) or "at_sample" not in part:
            continue
        at = _sample(part, "at_sample", 0)
        long = _sample(part, "evaluations", 1) * recording.info.sample_rate_hz / rate
        out.append((at, _sample(part, "to_sample", at + long)))
    return out


def after_teaching(truth: Truth, setting: Setting, trials: Trials, recording: Recording) -> Trials:
    """Return the trials from the first pass on by which a setting was chosen; all of them if it does not say which.

    On passes on which it was taught it looks better than it is; those by which it was chosen may show that it fails.
    """
    first = int(np.searchsorted(truth.start, _sample(chosen_on(setting, recording), "scored_from_sample", 0)))
    return trials if first <= trials.first_pass else trials.from_pass(first)


def _sample(said: Mapping[str, Any], key: str, usual: float) -> int:
    """Return a number of samples that a setting states; a setting may come from anyone."""
    value = said.get(key, usual)
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < math.inf:
        raise SettingError(
            f"the setting says where it was taught or chosen: '{key}' must be a number of at least 0, got "
            f"{printable(repr(value), most=40)}. Teach again."
        )
    return int(value)


def _may_be(drawn: Mapping[str, object], recording: Recording) -> bool:
    digest, name = drawn.get("recording_digest"), drawn.get("recording")
    known = recording.info.digest
    if digest and known:
        return bool(digest == known)
    return name is None or name == recording.name


def _shown(recording: Recording, truth: Truth, setting: Setting, trials: Trials, rules: Rules) -> tuple[Flags, Flags]:
    """Return which scored passes and gaps hold an evaluation that was shown, or are next to one that does.

    A trial is the window of a pass, or what is left between windows: what was shown in the widened part of a window was
    shown in that of its pass.
    """
    spans = shown_stretches(setting, recording)
    if not spans:
        return np.zeros(trials.passes.size, bool), np.zeros(trials.gaps.size, bool)
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)
    border, lag = border_evaluations(truth, clock, rules), onset_lag(setting, clock)
    windows = Windows.of(truth, clock, border=border, lag=lag)
    # Trials in time order; a pass without an evaluation holds nothing, and is next to nothing.
    start, stop = np.append(windows.start, windows.gap_start), np.append(windows.stop, windows.gap_stop)
    order = np.argsort(start, kind="stable")
    order = order[stop[order] > start[order]]
    start, stop = start[order], stop[order]
    held = np.zeros(order.size, bool)
    for span in spans:
        first, last = clock.firsts_at_or_after(np.array(span, np.int64))
        held |= (start < last) & (stop > first)
    near = held.copy()
    near[1:] |= held[:-1]
    near[:-1] |= held[1:]
    of_trial = np.zeros(windows.start.size + windows.gap_start.size, bool)
    of_trial[order] = near
    passes, gaps = np.split(of_trial, [windows.start.size])
    # The scored gaps are the last ones.
    return passes[trials.first_pass :], gaps[gaps.size - trials.gaps.size :]
