"""The replay compared with the sensor's own logged output: what a record says about it, and what it limits."""

from __future__ import annotations

from dataclasses import replace

from teachlab.device.agreement import AGREES, DIFFERS, LIMITED, Agreement, agree
from teachlab.errors import InputError
from teachlab.evidence.record_parts import LIMITS_OF_USE, NOT_COMPARED, VERIFY
from teachlab.model.recording import Origin, Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict
from teachlab.questions.verdict.of_setting import NEVER_COMPARED
from teachlab.statistics.claims.decisions import GOOD, Decision
from teachlab.statistics.claims.lot_claims import Assumption


def compared(
    recording: Recording, truth: Truth, setting: Setting, *, confidence: float, assumption: Assumption
) -> Agreement | None:
    """Compare with the logged output, using the setting that the sensor had; None if no output was logged."""
    if recording.info.output is None:
        return None
    try:
        return agree(recording, setting, truth, confidence=confidence, assumption=assumption)
    except InputError:
        # An output that never switches shows nothing. A setting that does not fit was refused before.
        return None


def agreement_caution(recording: Recording, found: Agreement | None, *, setting_stated: bool) -> list[str]:
    """Return what a reader must know about the comparison: one sentence, or none."""
    if found is None:
        return [] if recording.info.origin is Origin.SYNTHETIC else [NEVER_COMPARED]
    text = f"Replay and sensor: {found.verdict.decision}. {_claim(found)}"
    if found.verdict.decision == DIFFERS and not setting_stated:
        text += " If the sensor had another setting while it was logged, state it: --sensor-setting."
    return [text]


def limited(verdict: Verdict, found: Agreement | None) -> Verdict:
    """Return the verdict with the comparison as a condition. If it fails, a setting may be used with a limit only."""
    if found is None:
        return verdict
    said = f"Replay and sensor: {found.verdict.decision}. {_claim(found)}"
    if found.verdict.decision in (AGREES, LIMITED):
        return replace(verdict, sensor=said)
    what = "does not agree" if found.verdict.decision == DIFFERS else "is not shown to agree"
    limit = f"The replay {what} with the sensor's own output."
    # Where the setting is not to be used, the limit that says why comes first.
    good = verdict.decision in GOOD
    return replace(
        verdict,
        decision=str(Decision.LIMIT) if verdict.decision == Decision.USE else verdict.decision,
        conditions=(limit, *verdict.conditions) if good else (*verdict.conditions, limit),
        sensor=said,
    )


def limits_of_use(found: Agreement | None) -> list[str]:
    """Return the limits of use; a measured fact replaces the general caution."""
    if found is None:
        return list(LIMITS_OF_USE)
    said = f"Replay and sensor were compared: {found.verdict.decision}. {_claim(found)} "
    return [said + VERIFY if text == NOT_COMPARED + VERIFY else text for text in LIMITS_OF_USE]


def _claim(found: Agreement) -> str:
    return "" if found.verdict.claim is None else found.verdict.claim.text
