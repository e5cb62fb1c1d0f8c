"""The verdict on a setting, made in one place: decision, claim, reasons, next step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.margin import Margin
from teachlab.model.printable_text import (
    in_figures,
    moment,
    number_of,
    printable,
    round_figure,
    typed_again,
    unlike_figures,
)
from teachlab.model.recording import Origin, Recording
from teachlab.model.score import Outcome, Score, Trials
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.model.verdict import TO_BE_COMPARED, Verdict, VerdictReason, sentence
from teachlab.questions.feasibility.designed_cure import can_be_held, tried_both_ways
from teachlab.questions.feasibility.tried_cures import MOST_TRIED, TriedCure, cure_reason, tried_cures
from teachlab.questions.stress.equal_cost import room_of
from teachlab.questions.verdict.claim_words import few_lots_text, headline
from teachlab.questions.verdict.judged_by import LOG, JudgedBy
from teachlab.questions.verdict.judgement import UNSHOWN, Ground, GroundedDecision, JudgedSetting, Overturned
from teachlab.questions.verdict.nearness import near_reason, rim_reason
from teachlab.scoring.claimable import OpenCondition, wrong_apart
from teachlab.scoring.error_places import ErrorPlace, error_places
from teachlab.scoring.reasons import Reasons, empty_text
from teachlab.statistics.claims.decisions import DECIDING_STRETCHES, Decision
from teachlab.statistics.claims.lot_claims import CLAIM_LOT_PASSES, CLAIM_LOTS
from teachlab.statistics.claims.orders import CostBound, lots_to_exceed
from teachlab.statistics.lots import Source

if TYPE_CHECKING:
    from teachlab.questions.stress.setting_reading import SettingReading

DECIDING_PASSES = DECIDING_STRETCHES * CLAIM_LOT_PASSES
"""Number of passes with enough stretches for a decision if no lots are named."""
RARE_KIND = 0.05
"""Share of a rare kind in the product, which teaching on few passes may not have been shown."""
SAID_BY_THE_CLAIM = frozenset({OpenCondition.INVERTED, OpenCondition.NEVER, OpenCondition.NOTHING_LEFT})
SWAPPED, FEWEST_SWAPPED = 0.9, 5
"""Kinds may be swapped if this share of both kinds of passes, and at least so many, come out the opposite way."""
MISSED_AT_MOST = 0.05
"""If the probability that a rare kind was not shown is below this, nothing is said."""
BESIDE_TEXT = "The passes do not lie where the light is: no setting can be judged by them."
NEVER_COMPARED = "The replay was never compared with this sensor: its own switching was not logged."


def setting_verdict(
    reading: SettingReading,
    setting: Setting,
    result: Score,
    *,
    by: JudgedBy | None = None,
    about: str = "",
    candidates: Sequence[tuple[CostBound, bool]] = (),
    margin: Margin | None = None,
    overturned: Overturned | None = None,
    why_lost: Reasons | None = None,
) -> Verdict:
    """Judge a setting by its score.

    Parameters
    ----------
    reading : SettingReading
        Of the recording with all of its passes, by the setting and under the rules of its score.
    setting : Setting
        The same setting with its history: the passes on which it was taught or chosen support no claim.
    about : str
        Name of the setting: a strategy, a file.
    candidates : sequence of (CostBound, bool)
        Errors per pass of every setting that was tried, including this one, and whether its output is usable; none:
        only this one.
    margin : Margin, optional
        Margin of the setting: with it, the verdict says which levels cost the same.
    overturned : Overturned, optional
        If another candidate is right where this setting is wrong: then it is not to be used, or with a limit only.
    why_lost : Reasons, optional
        Reasons of its errors, if they are known.
    """
    by = by or JudgedBy()
    recording, truth, rules = reading.recording, reading.truth, reading.rules
    case = JudgedSetting(
        reading, setting, result, by=by, candidates=candidates, margin=margin, overturned=overturned,
        why_lost=why_lost,
    )  # fmt: skip
    judged = case.judge()
    beside = judged.ground in UNSHOWN
    trusted = not beside and judged.ground is not Ground.LONE_GAP
    first, more = _before_errors(case, judged)
    # Errors on passes in which nothing is seen are none of the setting.
    lost = judged.ground is Ground.LOST_BEFORE
    places = [] if beside else error_places(truth, case.every if lost else case.found.trials)
    if lost:
        first, places = [_lost_before(case, places), *first], places[1:]
    errors = [] if beside else _errors(case, places)
    cures: list[TriedCure] = []
    if trusted and (by.cures or not judged.good or judged.ground is Ground.LOST_KIND):
        cures = tried_cures(recording, truth, setting, result, rules=rules, extremes=reading.extremes, step=case.step)
    if trusted and not judged.good and result.counts.onsets and OpenCondition.NEVER not in case.found.conditions:
        errors += _both_ways(case, places)
    wrong = sum(wrong_apart(truth, result))
    mended = cure_reason(cures, wrong)
    next_step = _next_step(case, judged, _cure(case, () if mended is None else cures))
    if mended is not None and next_step.startswith(LOG):
        # It was found on these passes: the recording that decides on the setting decides on the change too, so that
        # neither goes first.
        mended = cure_reason(cures, wrong, check_on="the new recording too")
    # What would mend it follows after the place of the errors.
    before = 1 if places or not first else 0
    reasons = [
        *_only_counted(case, judged),
        *first,
        *errors[:before],
        *([] if mended is None else [mended]),
        *errors[before:],
    ]
    reasons += filter(None, [_none_works(case, judged), None if beside else rare_kind_text(setting, truth)])
    claim = headline(case.counts, case.found, confidence=rules.confidence, assumption=by.assumption, shown=not beside)
    # Levels that cost the same as a useless output are useless too.
    room = room_of(reading, margin, costs=by.costs) if case.usable and not beside else None
    near = None
    if margin is not None and not beside:
        near = near_reason(recording, truth, setting, margin, case.found, room=room, step=case.step)
        near = near or rim_reason(setting, margin, room, case.step)
    return Verdict(
        decision=str(judged.decision),
        about=about,
        setting=setting,
        claim=replace(claim, more=(*more, *claim.more)),
        reasons=tuple(reasons),
        next_step=next_step,
        conditions=_conditions(case, judged),
        equal_cost=room,
        step=case.step,
        rehearsal=case.found.synthetic,
        sensor=_compared(recording),
        cures=tuple(cure.told for cure in cures),
        near=near,
        tried=len(case.tried),
    )


def _conditions(case: JudgedSetting, judged: GroundedDecision) -> tuple[str, ...]:
    """Return the open conditions, with that of another setting that works first; none if it may just be used."""
    if judged.decision is Decision.USE or judged.ground in UNSHOWN:
        return ()
    # What the claim says about the output itself is no limit of its use.
    limits = [text for why, text in case.found.conditions.items() if why not in SAID_BY_THE_CLAIM]
    few = few_lots_text(case.counts, case.truth, amount=judged.good) if case.passes else ""
    if judged.good:
        limits += [_lost_group_text(*group) for group in case.lost_groups()]
    if judged.ground is Ground.SCALE_END:
        limits.append(
            "The level lies at an end of the scale, where the light is clipped: a small change of light may stop it, "
            "and these passes cannot show it."
        )
    # Said before the claim, in a good case as in a bad one.
    first = [] if case.overturned is None else [case.overturned.reason.text]
    return tuple(text for text in (*first, *limits, few) if text)


def _lost_group_text(what: str, names: Sequence[str], lost: int, of: int) -> str:
    shown = ", ".join(f"'{printable(name, most=24)}'" for name in names[:2])
    shown += f" and {len(names) - 2} more" if len(names) > 2 else ""
    group = f"the {what if len(names) == 1 else f'{what}s'} {shown}"
    like = f"products like those of {group}" if what == "lot" else group
    return f"Not for {like}: {lost} of {number_of(of, 'pass', 'passes')} lost."


def _next_step(case: JudgedSetting, judged: GroundedDecision, cure: str | None) -> str:
    """Return how to go on; empty if no files are known."""
    files, lies, fixed = case.by.files, case.by.alignment, type(case.setting) is Setting
    if files is None:
        return ""
    if judged.ground in {Ground.LOG_STOPPED, Ground.LONE_GAP, Ground.PASSES_EMPTY}:
        return f"teachlab inspect {typed_again(files.recording, truth=files.truth)}"
    # New lots decide for whichever setting is chosen on them. Teaching and choosing take their share of them.
    again = case.overturned is not None and not judged.good
    # Errors on passes by which it was taught or chosen may be enough to show that it fails.
    few = case.usable and not case.enough and judged.ground is not Ground.LOST_BEFORE
    few = few and judged.decision is not Decision.NONE
    apart = lies is not None and (judged.ground is Ground.PASSES_BESIDE or lies.off)
    return files.next_step(
        judged.decision,
        fixed=fixed,
        both_sides=case.sides is not None,
        borders=bool({OpenCondition.BORDERS, OpenCondition.ELSEWHERE} & set(case.found.conditions)),
        log=_enough(case.truth, case.share_of_passes() if again else 1.0) if few or again else "",
        cure=cure,
        align=lies if apart else None,
        again=again,
    )


def _cure(case: JudgedSetting, cures: Sequence[TriedCure]) -> str | None:
    """Return the kind of the best change that is told, empty if there is none; None if that says nothing."""
    if type(case.setting) is not Setting:
        # For other kinds of setting nothing is tried: a design has all of them to choose from.
        return "designed"
    if cures:
        return cures[0].kind
    if not case.usable or case.recording.samples > MOST_TRIED:
        return None
    return "" if can_be_held(case.recording, case.truth) else "designed"


def _enough(truth: Truth, share: float) -> str:
    """Return how much a recording must hold so that a setting can be decided on this share of it, in lots if named."""
    if truth.lot is not None and set(truth.lot.tolist()) - {""}:
        return f"{math.ceil(CLAIM_LOTS / share)} lots of at least {CLAIM_LOT_PASSES} passes each"
    return f"at least {math.ceil(DECIDING_PASSES / share)} passes"


def _before_errors(case: JudgedSetting, judged: GroundedDecision) -> tuple[list[VerdictReason], tuple[str, ...]]:
    """Return what is told before the errors themselves, and what more of this recording would do."""
    told: list[VerdictReason] = []
    more: tuple[str, ...] = ()
    if judged.ground is Ground.PASSES_BESIDE:
        off = case.by.alignment is not None and case.by.alignment.off
        text = "The borders of the passes are less sure than stated: measure how sure before a setting is judged."
        return [VerdictReason(text=BESIDE_TEXT if off else text)], more
    if judged.ground is Ground.PASSES_EMPTY:
        return [VerdictReason(text=empty_text(case.empty, case.result.counts.scored_passes), count=case.empty)], more
    if case.sides is not None:
        told.append(VerdictReason(text=case.sides.sentence(), count=min(case.sides.above, case.sides.below)))
    if case.overturned is None and judged.decision is Decision.OPEN and judged.ground is Ground.LONE_GAP:
        told.append(_lone_gap(case))
    elif case.overturned is None and judged.decision is Decision.OPEN and judged.ground is not Ground.LOG_STOPPED:
        undecided, more = _undecided(case)
        told += undecided
    if swapped := swapped_kinds(case.truth, case.found.trials):
        told.append(swapped)
    return told, more


def _lost_before(case: JudgedSetting, places: Sequence[ErrorPlace]) -> VerdictReason:
    """Say that errors on passes which the claim leaves out forbid the setting, and where most of them lie."""
    rate, accepted = 100 * case.wrong / case.of, 100 * case.by.accepted
    outside = case.wrong - round((case.errors or 0.0) * case.passes)
    place = f" {places[0].sentence(case.recording)}" if places else ""
    return VerdictReason(
        text=f"It makes {number_of(case.wrong, 'error', 'errors')} on all {case.of:,} passes, "
        f"{unlike_figures(rate, accepted)} per 100; {accepted:g} are accepted. {outside} lie outside the claim.{place}",
        count=case.wrong,
        first_at_s=places[0].first_sample / case.recording.info.sample_rate_hz if places else None,
    )


def _lone_gap(case: JudgedSetting) -> VerdictReason:
    """Name the one gap in which the output stays active."""
    row, info = case.lone_gap, case.recording.info
    first = int(case.truth.end[row]) if row is not None and row >= 0 else 0
    after = f"after pass {row}" if row is not None and row >= 0 else "before the first pass"
    return VerdictReason(
        text=f"That gap is {after}, from {moment(first, case.recording)} on. If a product stands there, "
        "correct the end of its pass; else leave the stretch out.",
        first_at_s=first / info.sample_rate_hz,
    )


def swapped_kinds(truth: Truth, trials: Trials) -> VerdictReason | None:
    """Say that kinds may be swapped, if nearly all detect passes and nearly all `ignore` passes come out wrong."""
    detect, scored = truth.detect[trials.first_pass :], trials.passes != Outcome.EXCLUDED
    seen = trials.pass_onsets > 0
    wanted, unwanted = (int(np.count_nonzero(scored & kind)) for kind in (detect, ~detect))
    lost = int(np.count_nonzero(scored & detect & ~seen))
    switched = int(np.count_nonzero(scored & ~detect & seen))
    if min(wanted, unwanted) < FEWEST_SWAPPED or lost < SWAPPED * wanted or switched < SWAPPED * unwanted:
        return None
    return VerdictReason(
        text=f"{switched} of {unwanted} passes to be ignored switch, and {lost} of {wanted} to be detected do not: "
        "detect and ignore may be swapped in the table of passes.",
        count=lost + switched,
    )


def _compared(recording: Recording) -> str:
    # There is no sensor with which synthetic light could be compared.
    if recording.info.origin is Origin.SYNTHETIC:
        return ""
    return NEVER_COMPARED if recording.info.output is None else TO_BE_COMPARED


def rare_kind_text(setting: Setting, truth: Truth) -> VerdictReason | None:
    """Say how likely teaching did not show a kind that makes up 5 % of the product; None if that is unlikely.

    It is said only if kinds are known to differ: more than one label, or more than one lot.
    """
    drawn = {} if setting.taught is None else setting.taught.evidence.get("drawn", {})
    shown = max(
        (int(part.get("passes", 1)) for name, part in drawn.items() if name in {"object", "sweep", "events"}),
        default=0,
    )
    kinds = len(set(truth.label[truth.detect].tolist()))
    lots = 0 if truth.lot is None else len(set(truth.lot.tolist()))
    missed = (1 - RARE_KIND) ** shown
    if not shown or max(kinds, lots) < 2 or missed <= MISSED_AT_MOST:
        return None
    there = number_of(kinds, "kind", "kinds") if kinds > 1 else number_of(lots, "lot")
    return VerdictReason(
        text=f"Taught on {number_of(shown, 'pass', 'passes')}; the recording holds {there}. With a probability of "
        f"{100 * missed:.0f} %, a kind that makes up {100 * RARE_KIND:g} % of the product was not among them.",
        count=shown,
    )


def _undecided(case: JudgedSetting) -> tuple[list[VerdictReason], tuple[str, ...]]:
    """Say why nothing is decided, if the errors themselves do not say so; and what more of this recording would do."""
    errors, passes, cost, by = case.errors, case.passes, case.cost, case.by
    if errors is None:
        return [VerdictReason(text="To judge takes passes that teaching did not use and that are not left out.")], ()
    # If teaching and choosing took their share of the passes, they take it of future passes too.
    share = case.share_of_passes()
    if not case.enough:
        few = max(1, DECIDING_PASSES - passes)
        again = max(1, math.ceil((DECIDING_PASSES - passes) / share))
        more = number_of(few, "more pass", "more passes")
        more += f" ({again:,} if it is taught again)" if again > few else ""
        in_lots = f" in {number_of(cost.lots, 'lot')}" if cost.source is Source.LOTS else ""
        return (
            [VerdictReason(text=f"{number_of(passes, 'pass', 'passes')}{in_lots} "
                                f"{'is' if passes == 1 else 'are'} too few to decide.", count=passes)],
            (f"To decide for this recording alone, record {more} in it.",),
        )  # fmt: skip
    if errors > by.accepted:
        lots = cost.source is Source.LOTS
        judged = number_of(cost.lots, "lot") if lots else number_of(passes, "pass", "passes")
        unsure = f"{judged} are too few to be sure that it makes too many."
        if case.beyond:
            unsure = "With those by which it was taught or chosen it is not sure that it makes too many."
        if (low := case.fails.low) > by.accepted:
            unsure = f"At least {in_figures(100 * low, 2)} are sure, but not that no setting tried works."
        told = (
            f"{unlike_figures(100 * errors, 100 * by.accepted)} errors per 100 passes, {100 * by.accepted:g} are "
            f"accepted. {unsure}"
        )
        nearest = _least_errors(case)
        need = None if nearest is None else lots_to_exceed(nearest, by.accepted)
        if nearest is None or need is None or need <= nearest.lots:
            return [VerdictReason(text=told)], ()
        # Candidates may also rest on the choosing half.
        further = (need - nearest.lots) * cost.lots / nearest.lots / share
        more = f"{round_figure(further if lots else further * passes / cost.lots)} more {'lots' if lots else 'passes'}"
        return [VerdictReason(text=told)], (f"About {more} with as many errors would show that it makes too many.",)
    return [], ()


def _least_errors(case: JudgedSetting) -> CostBound | None:
    """Return the errors of the usable setting that makes the fewest at least; None if none is usable."""
    return min((bound for bound, usable in case.tried if usable), key=lambda bound: bound.low, default=None)


def _only_counted(case: JudgedSetting, judged: GroundedDecision) -> list[VerdictReason]:
    """Say of a setting that may be used that its errors are few here, where that is not shown for other lots."""
    errors, accepted = case.errors, case.by.accepted
    if not judged.good or not errors or case.counts.bound(confidence=case.reading.rules.confidence).upper <= accepted:
        return []
    other = "other lots" if case.counts.source is Source.LOTS else "other passes"
    return [
        VerdictReason(
            text=f"{in_figures(100 * errors, 2)} errors per 100 passes were counted, {100 * accepted:g} are accepted. "
            f"That {other} make no more than that is not shown.",
            count=round(errors * case.passes),
        )
    ]


def _none_works(case: JudgedSetting, judged: GroundedDecision) -> VerdictReason | None:
    """Say how many errors the best of the usable settings makes at least, if none works."""
    best = _least_errors(case)
    if judged.decision is not Decision.NONE or best is None:
        return None
    of = f"{best.lots} {best.source.units[1]}"
    if case.beyond:
        of += ", with those by which it was taught or chosen"
    every = "Every setting tried makes" if len(case.tried) > 1 else "It makes"
    return VerdictReason(
        text=f"{every} at least {in_figures(100 * best.low, 2)} errors per 100 passes at {100 * best.confidence:g} % "
        f"confidence ({of}), more than the {100 * case.by.accepted:g} accepted.",
    )


def _errors(case: JudgedSetting, places: Sequence[ErrorPlace]) -> list[VerdictReason]:
    """Return the errors by place and by cause, the largest first."""
    info = case.recording.info
    out: list[VerdictReason] = []
    for place in places:
        at = place.first_sample / info.sample_rate_hz
        out.append(VerdictReason(text=place.sentence(case.recording), count=place.count, first_at_s=at))
    for cause in case.why_lost.causes():
        text = sentence(cause.text)
        if cause.sample is None:
            out.append(VerdictReason(text=text, count=cause.count))
            continue
        where = moment(cause.sample, case.recording) + ("" if cause.row is None else f", pass {cause.row}")
        lead = "At" if cause.count == 1 else "First at"
        at = cause.sample / info.sample_rate_hz
        out.append(VerdictReason(text=f"{text} {lead} {where}.", count=cause.count, first_at_s=at))
    if len(out) > len(places) and case.counts.errors().sum() < sum(wrong_apart(case.truth, case.result)):
        # The claim counts fewer: those by which the setting was taught or chosen are left out of it.
        every = number_of(case.result.counts.scored_passes, "pass", "passes")
        out[len(places)] = replace(out[len(places)], text=f"{out[len(places)].text} Counted on all {every}.")
    return out


def _both_ways(case: JudgedSetting, places: Sequence[ErrorPlace]) -> list[VerdictReason]:
    """Try the first gap or stretch with most errors both ways: left out, and designed against."""
    for place in places:
        tried = tried_both_ways(
            case.recording, case.truth, case.setting, place, rules=case.reading.rules, step=case.step
        )
        if tried is not None:
            wrong = min(sum(one) for one in (tried.left_out, tried.against) if one is not None)
            return [VerdictReason(text=tried.sentence(), count=wrong)]
    return []
