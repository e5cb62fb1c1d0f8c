"""The record: everything that a claim about one setting on one recording depends on, as plain JSON."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

import teachlab.evidence.identity as identity
from teachlab.data.alignment.finding import off_lines
from teachlab.data.setting_files import setting_from_dict
from teachlab.data.split import Split, split
from teachlab.errors import Abstained, InputError, TruthError, UnmeasurableError
from teachlab.evidence.criteria import Criteria, judge, overall
from teachlab.evidence.finding import EVIDENCE
from teachlab.evidence.record_parts import (
    SCHEMA,
    RecordOptions,
    Sources,
    checked_text,
    data_of,
    setting_file,
)
from teachlab.evidence.sections.agreement_section import agreement_caution, compared, limited, limits_of_use
from teachlab.evidence.sections.lost_passes import lost_and_worst
from teachlab.evidence.sections.repeat_section import nuisance_cycles, shown_too_much, teach_cloud
from teachlab.light.noise import JUDGED, need_for_light
from teachlab.model.json_values import picked, plain
from teachlab.model.margin import Margin
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Recording
from teachlab.model.score import Score
from teachlab.model.setting import Setting, bare
from teachlab.model.truth import Truth
from teachlab.questions.stale.course import follow
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.stress.worth import worth_of
from teachlab.questions.verdict import FilesJudged, JudgedBy, setting_verdict
from teachlab.questions.verdict.judged_by import LOG
from teachlab.questions.verdict.nearness import light_step
from teachlab.scoring.by_lot import exposure, lot_codes
from teachlab.scoring.claimable import chosen_before, claimable
from teachlab.scoring.dependence import dependence_of
from teachlab.scoring.reasons import reasons_of
from teachlab.scoring.scoring import score
from teachlab.statistics.claims.lot_claims import NOTHING
from teachlab.statistics.lots import ASSUMED_ICC
from teachlab.statistics.tail import tail_bound
from teachlab.switching.family import replay_family
from teachlab.wording.notes import recording_cautions
from teachlab.wording.position import position_lines

SHIFTS = 10
"""Levels tried on either side of the setting's levels, for the sensitivity."""


def judged_record(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    sources: Sources,
    *,
    options: RecordOptions | None = None,
    criteria: Criteria | None = None,
    files: FilesJudged | None = None,
) -> tuple[dict[str, Any], str]:
    """Compute the record, and what must be recorded, or moved to the light, before it decides; or nothing.

    The same inputs give the same record: no clock, host or path enters. The step names `files` as they lie on this
    machine, so it is not in the record. Without `criteria` the record gives no verdict on them.
    Raises InputError if the pieces do not fit together.
    """
    how = RecordOptions() if options is None else options
    cut = None if how.teach_share is None else split(truth, recording.samples, teach_share=how.teach_share)
    first = 0 if cut is None else cut.first_scored
    need_for_light(recording, "a record", JUDGED, level=setting.on_level)
    rules = how.rules.scored_from(first)
    reading = SettingReading(recording, truth, setting, rules=rules)
    alignment = reading.alignment(how.rules)
    worth = worth_of(reading, jitter_ms=None if alignment is None else alignment.measured_jitter_ms)
    result = worth.score
    if result.counts.scored_passes == 0:
        raise TruthError("no detect pass is left to score, so there is nothing to report. Log more passes.")
    if worth.margin is None or worth.reserves is None:
        raise UnmeasurableError(f"margin and reserves cannot be measured: {worth.left_out}")
    margins, reserves, position = worth.margin, dict(worth.reserves), worth.position
    icc = ASSUMED_ICC if criteria is None or criteria.icc is None else criteria.icc
    assumption = NOTHING if criteria is None else criteria.assumption
    dependent = dependence_of(truth, result, proxy=margins.peak_of_pass, icc=icc)
    belongs = alignment is None or alignment.belongs
    judged = []
    if criteria is not None:
        found = claimable(recording, truth, setting, result, rules=rules, copies=reading.copies(), belongs=belongs)
        judged = judge(
            criteria, result, margins, truth, found,
            reserves=reserves, position=position, setting=setting, dark_level=recording.info.dark_level,
            rehearsal=how.rehearsal,
        )  # fmt: skip
    by = JudgedBy(alignment=alignment, assumption=assumption, files=files or FilesJudged(recording=""))
    step = light_step(recording, margins)
    why = reasons_of(recording, truth, setting, result, rules=rules, extremes=reading.extremes, step=step)
    if cut is None:
        verdict = setting_verdict(reading, setting, result, by=by, margin=margins, why_lost=why)
    else:
        # Also where only a part of the passes is scored, the setting is judged as by a replay of all of them.
        whole = SettingReading(recording, truth, bare(setting), rules=how.rules)
        every = score(whole.output, truth, rules=how.rules)
        told = chosen_before(setting, recording, cut.teach_end)
        verdict = setting_verdict(whole, told, every, by=by, margin=whole.margin_where_known(every))
        verdict = replace(verdict, setting=setting)
    seen = setting if how.sensor_setting is None else setting_from_dict(how.sensor_setting, "setting of the sensor")
    agreement = compared(recording, truth, seen, confidence=how.rules.confidence, assumption=assumption)
    verdict, next_step = limited(verdict.leading_to(""), agreement), verdict.next_step
    limits = None if criteria is None else criteria.model_dump(mode="json", by_alias=True)
    record: dict[str, Any] = {
        "schema": SCHEMA,
        "kind": EVIDENCE,
        "title": how.title,
        "verdict": {**verdict.as_dict(), "overall": overall(judged) if judged else None, "criteria": judged},
        "claims": [] if verdict.claim is None else [verdict.claim.text, *verdict.claim.beside, *verdict.claim.more],
        "cautions": [
            *off_lines(alignment),
            *_cautions(recording, truth, cut, setting),
            *agreement_caution(recording, agreement, setting_stated=how.sensor_setting is not None),
        ],
        "agreement": agreement,
        "about": dict(how.about),
        "data": data_of(recording, truth, sources),
        "alignment": alignment,
        "setting": setting,
        "setting_source": _setting_source(setting, sources),
        "options": how,
        "criteria": limits,
        "criteria_sha256": None if limits is None else identity.json_digest(limits),
        "split": _split(recording, truth, cut, result),
        "score": result,
        "dependence": dependent["lost_rate"],
        "dependence_of_rates": dict(dependent),
        "margin": margins,
        "reserves": reserves,
        "clearance": worth.clearance,
        "equal_cost": verdict.equal_cost,
        "switching_position": None
        if position is None
        else position.as_dict() | {"said": position_lines(position, recording.info.unit), "points": position.points()},
        "tail": _tail(truth, margins, result, setting, how.rules.confidence),
        "over_time": follow(truth, setting, margins, result, recording.info, confidence=how.rules.confidence),
        **lost_and_worst(truth, setting, margins, result, why),
        "sensitivity": _sensitivity(recording, truth, setting, margins, how, first),
        "teach_cloud": teach_cloud(
            recording, truth, setting, cut, draws=how.draws, teach_share=how.teach_share, rules=how.rules,
            criteria=criteria,
        ),
        "cycles": nuisance_cycles(
            recording, truth, setting, how.cycles, teach_share=how.teach_share, rules=how.rules
        ),
        "exclusions": _exclusions(result),
        "limits_of_use": limits_of_use(agreement),
        "software": identity.software(),
    }  # fmt: skip
    record = plain(record)
    checked_text(record)
    lacking = next_step.startswith((LOG, "teachlab align "))
    return record | {"record_sha256": identity.json_digest(record)}, next_step if lacking else ""


def _cautions(recording: Recording, truth: Truth, cut: Split | None, setting: Setting) -> list[str]:
    out = recording_cautions(recording, truth)
    if cut is None and setting.taught is None:
        out.append("How the setting was taught is not stated: passes that it was taught on may be among those scored.")
    if caution := shown_too_much(setting, cut):
        out.append(caution)
    return out


def _setting_source(setting: Setting, sources: Sources) -> dict[str, Any]:
    from teachlab.teaching.registry import installed_class, source_fingerprint

    strategy = None
    if setting.taught is not None:
        try:
            strategy = source_fingerprint(installed_class(setting.taught.strategy))
        except InputError:
            strategy = None
    return {
        **setting_file(sources),
        "setting_sha256": identity.json_digest(plain(setting.as_dict())),
        "strategy_source_sha256": strategy,
    }


def _split(recording: Recording, truth: Truth, cut: Split | None, result: Score) -> dict[str, Any] | None:
    if cut is None:
        return None
    scored_from = int(truth.start[cut.first_scored])
    return {
        **picked(cut, "teach_passes", "teach_end", "first_scored"),
        "scored_from": scored_from,
        "teach_samples_sha256": identity.samples_digest(recording, 0, cut.teach_end),
        "scored_samples_sha256": identity.samples_digest(recording, scored_from, recording.samples),
        "exposure": {
            name: {"teach": taught, "scored": scored}
            for name, (taught, scored) in exposure(truth, cut.first_scored - 1, result.trials).items()
        },
    }


def _tail(truth: Truth, margins: Margin, result: Score, setting: Setting, confidence: float) -> dict[str, Any]:
    if result.self_labelled:
        return {"refused": "the passes are self-labelled"}
    rows = result.trials.rows(result.trials.wanted)
    # The level of activation is turned so that active is up, as is how far the light of every pass came.
    level = setting.sign * setting.activation
    reach = np.empty(0) if margins.peak_of_pass is None else margins.peak_of_pass
    try:
        return tail_bound(reach[rows], level, confidence=confidence, lots=lot_codes(truth, rows)[0]).as_dict()
    except Abstained as refusal:
        return {"refused": str(refusal)}


def _sensitivity(
    recording: Recording, truth: Truth, setting: Setting, margins: Margin, how: RecordOptions, first: int
) -> list[dict[str, Any]]:
    """Count losses and trips with both levels shifted together, from the strongest gaps to the weakest passes."""
    weakest, strongest = margins.weakest_pass, margins.strongest_gap
    if weakest is None or strongest is None or weakest == strongest:
        return []
    step = abs(weakest - strongest) / SHIFTS
    shifts = [k * step for k in range(-SHIFTS, SHIFTS + 1)]
    settings = [
        replace(setting, on_level=setting.on_level + s, off_level=setting.off_level + s, taught=None) for s in shifts
    ]
    out = []
    for shift, output in zip(shifts, replay_family(recording, settings), strict=True):
        n = score(output, truth, rules=how.rules.scored_from(first), tables=False).counts
        out.append({"shift": shift, "lost": n.lost, "false_trips": n.false_trips, "extra": n.extra})
    return out


def _exclusions(result: Score) -> list[str]:
    n = result.counts
    found = (
        (n.excluded_passes, "pass to be detected", "passes to be detected"),
        (n.excluded_ignore_passes, "pass to be ignored", "passes to be ignored"),
        (n.excluded_gaps, "gap", "gaps"),
        (n.excluded_onsets, "onset", "onsets"),
    )
    return [f"{number_of(*one)} with invalid samples, or cut by the ends of the light" for one in found if one[0]]
