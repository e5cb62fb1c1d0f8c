"""The verdict on a setting, made in one place: decision, claim, reasons, next step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from teachlab.model.margin import Margin
from teachlab.model.printable_text import moment, number_of, typed_again
from teachlab.model.recording import Origin, Recording
from teachlab.model.score import Score
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.model.verdict import TO_BE_COMPARED, Verdict, VerdictReason, sentence
from teachlab.questions.feasibility.designed_cure import can_be_held, tried_both_ways
from teachlab.questions.feasibility.tried_cures import MOST_TRIED, TriedCure, cure_reason, tried_cures
from teachlab.questions.stress.equal_cost import room_of
from teachlab.questions.verdict.claim_words import headline
from teachlab.questions.verdict.count_words import DECIDING_PASSES, in_order, limits_of
from teachlab.questions.verdict.judged_by import LOG, UNSHOWN, Ground, GroundedDecision, JudgedBy
from teachlab.questions.verdict.judgement import JudgedSetting, Overturned
from teachlab.questions.verdict.nearness import near_reason, rim_reason
from teachlab.scoring.claimable import OpenCondition
from teachlab.scoring.error_places import ErrorPlace, error_places
from teachlab.scoring.reasons import Reasons
from teachlab.statistics.claims.decisions import Decision
from teachlab.statistics.claims.lot_claims import CLAIM_LOT_PASSES, CLAIM_LOTS
from teachlab.statistics.claims.orders import CostBound

if TYPE_CHECKING:
    from teachlab.questions.stress.setting_reading import SettingReading

RARE_KIND = 0.05
"""Share of a rare kind in the product, which teaching on few passes may not have been shown."""
MISSED_AT_MOST = 0.05
"""If the probability that a rare kind was not shown is below this, nothing is said."""
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
    keyed: SettingReading | None = None,
) -> Verdict:
    """Judge a setting by its score.

    `reading`: of the recording with all of its passes, by the setting and under the rules of its score.
    `setting`: the same setting with its history: the passes on which it was taught or chosen support no claim.
    `about`: name of the setting: a strategy, a file.
    `candidates`: errors per pass of every setting that was tried, including this one, and whether its output is usable;
    none: only this one.
    `margin`: margin of the setting: with it, the verdict says which levels cost the same.
    `overturned`: if another candidate is right where this setting is wrong: then it is not to be used, or with a limit
    only.
    `why_lost`: reasons of its errors, if they are known.
    `keyed`: reading by the levels that a person keys in, if `setting` is the worse end of what they may mean: of them
    it is told which levels cost the same.
    """
    by = by or JudgedBy()
    recording, truth, rules = reading.recording, reading.truth, reading.rules
    case = JudgedSetting(
        reading, setting, result, by=by, candidates=candidates, margin=margin,
        overturned=overturned or Overturned.told_by(setting, recording), why_lost=why_lost,
    )  # fmt: skip
    judged = case.judge()
    beside = judged.ground in UNSHOWN
    trusted = not beside and judged.ground is not Ground.LONE_GAP
    lost = judged.ground is Ground.LOST_BEFORE
    places = [] if beside else error_places(truth, case.every if lost else case.found.trials)
    causes = [] if beside else cause_reasons(case)
    cures: list[TriedCure] = []
    if trusted and (by.cures or not judged.good or judged.ground is Ground.LOST_KIND):
        cures = tried_cures(recording, truth, setting, result, rules=rules, extremes=reading.extremes, step=case.step)
    if trusted and not judged.good and result.counts.onsets and OpenCondition.NEVER not in case.found.conditions:
        causes += _both_ways(case, places[1:] if lost else places)
    mended = cure_reason(cures, case.mistaken)
    next_step = _next_step(case, judged, _cure(case, () if mended is None else cures))
    if mended is not None and next_step.startswith(LOG):
        # It was found on these passes: the recording that decides on the setting decides on the change too, so that
        # neither goes first.
        mended = cure_reason(cures, case.mistaken, check_on="the new recording too")
    told = place_reasons(recording, places)
    reasons, more = in_order(
        case, judged, places=told, outside=told, causes=causes, mended=mended, rare=rare_kind_text(setting, truth)
    )
    claim = headline(case.counts, case.found, confidence=rules.confidence, assumption=by.assumption, shown=not beside)
    # Levels that cost the same as a useless output are useless too.
    room = room_of(keyed or reading, margin, costs=by.costs) if case.usable and not beside else None
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
        conditions=limits_of(case, judged),
        equal_cost=room,
        step=case.step,
        rehearsal=case.found.synthetic,
        sensor=_compared(recording),
        cures=tuple(cure.told for cure in cures),
        near=near,
        tried=len(case.tried),
    )


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
        both_sides=case.both_sides is not None,
        borders=bool({OpenCondition.BORDERS, OpenCondition.ELSEWHERE} & set(case.found.conditions)),
        log=_enough(case, case.share if again else 1.0) if few or again else "",
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


def _enough(case: JudgedSetting, share: float) -> str:
    """Return how much a recording must hold so that a setting can be decided on this share of it, in lots if named."""
    truth = case.truth
    # Passes that merge with the one that they touch are left out of a new claim as of this one.
    apart = " that do not touch" if case.found.left_out["touching"] else ""
    if truth.lot is not None and set(truth.lot.tolist()) - {""}:
        return f"{math.ceil(CLAIM_LOTS / share)} lots of at least {CLAIM_LOT_PASSES} passes each{apart}"
    return f"at least {math.ceil(DECIDING_PASSES / share)} passes{apart}"


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


def place_reasons(recording: Recording, places: Sequence[ErrorPlace]) -> list[VerdictReason]:
    """Return where most errors lie, the largest number first."""
    rate = recording.info.sample_rate_hz
    return [
        VerdictReason(text=one.sentence(recording), count=one.count, first_at_s=one.first_sample / rate)
        for one in places
    ]


def cause_reasons(case: JudgedSetting) -> list[VerdictReason]:
    """Return the errors by cause, the largest first."""
    info = case.recording.info
    out: list[VerdictReason] = []
    for cause in case.why_lost.causes():
        text = sentence(cause.text)
        if cause.sample is None:
            out.append(VerdictReason(text=text, count=cause.count))
            continue
        where = moment(cause.sample, case.recording) + ("" if cause.row is None else f", pass {cause.row}")
        lead = "At" if cause.count == 1 else "First at"
        at = cause.sample / info.sample_rate_hz
        out.append(VerdictReason(text=f"{text} {lead} {where}.", count=cause.count, first_at_s=at))
    met = "touching" in case.why_lost.counts and case.counts.passes.sum() < case.scored
    if out and (met or case.counts.errors().sum() < case.mistaken):
        # The claim counts fewer: those by which the setting was taught or chosen are left out of it.
        every = number_of(case.scored, "pass", "passes")
        out[0] = replace(out[0], text=f"{out[0].text} Counted on all {every}.")
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
