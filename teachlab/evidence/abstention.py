"""The record of an abstention: why there is no setting, and what the recording offers; it can be verified."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

from pydantic import Field

import teachlab.evidence.identity as identity
from teachlab.data.atomic_files import read_text
from teachlab.data.quality.report import inspect_recording
from teachlab.data.setting_files import setting_from_dict
from teachlab.data.strict_json import SchemaOne, StrictModel, check, parse_json
from teachlab.errors import Abstained, InputError, SettingError
from teachlab.evidence.finding import ABSTENTION
from teachlab.evidence.record_parts import (
    LIMITS_OF_USE,
    RecordOptions,
    Sources,
    checked_text,
    data_of,
    setting_file,
)
from teachlab.model.json_values import plain
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.statistics.intervals import proportion
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_draws, teach_once
from teachlab.teaching.parameters import parameters_of
from teachlab.teaching.registry import built, installed_class, source_fingerprint
from teachlab.wording.notes import recording_cautions

SCHEMA = 1
NO_SETTING = "no setting"
NOTHING_SCORED = "Nothing was scored: no setting, so no rate and no margin."
MOST_REASONS = 5


class Abstention(StrictModel):
    """A strategy that declined, and everything that is needed to ask it again.

    `seed`: seed of what was shown.
    `base`: the base setting as plain JSON.
    `reason`, `measured`, `required`: the strategy's own words.
    """

    strategy: str
    parameters: dict[str, Any] = Field(default_factory=dict)
    seed: int = 0
    tolerance_ms: float = 0.0
    base: dict[str, Any] | None = None
    reason: str
    measured: str
    required: str

    @classmethod
    def of(
        cls, strategy: Strategy, refusal: Abstained, *, seed: int, tolerance_ms: float, base: Setting | None
    ) -> Abstention:
        """Record a refusal to teach."""
        return cls(
            strategy=strategy.name,
            parameters=plain(parameters_of(strategy)),
            seed=seed,
            tolerance_ms=tolerance_ms,
            base=None if base is None else plain(base.as_dict()),
            reason=refusal.reason,
            measured=refusal.measured,
            required=refusal.required,
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {"schema": SCHEMA, "abstained": self.model_dump()}

    def made(self) -> Strategy:
        """Return the strategy, with its parameters."""
        return built(installed_class(self.strategy), self.parameters)


class _Document(SchemaOne):
    abstained: Abstention


def abstention_from_dict(values: object, where: str) -> Abstention:
    """Return an abstention from its parsed JSON; all faults are in one message."""
    return check(_Document, values, where, SettingError).abstained


def read_released(path: str | Path) -> Setting | Abstention:
    """Read the result of a teaching: a setting, or the document of an abstention."""
    values = parse_json(read_text(path, "a setting in JSON", SettingError), str(path), SettingError)
    if isinstance(values, dict) and "abstained" in values:
        return abstention_from_dict(values, str(path))
    return setting_from_dict(values, str(path))


def build_abstention(
    recording: Recording, truth: Truth, refused: Abstention, sources: Sources, *, options: RecordOptions
) -> dict[str, Any]:
    """Ask the strategy again, as often as draws are asked for, and record that it abstains.

    `options`: title, draws, confidence and deviations are used; no score is made.
    Raises InputError if the strategy does not abstain here, or abstains for another reason.
    """
    strategy, block = refused.made(), _block(recording, truth, refused)
    _again(strategy, block, refused)
    asked = options.draws or 1
    reasons, failed = _draws(strategy, block, refused.seed, asked)
    quality = inspect_recording(recording, truth, rules=Rules(tolerance_ms=refused.tolerance_ms)).as_dict()
    said = f"{refused.reason} (measured: {refused.measured}; required: {refused.required})"
    rate = proportion(sum(reasons.values()), asked, options.rules.confidence)
    record: dict[str, Any] = {
        "schema": SCHEMA,
        "kind": ABSTENTION,
        "title": options.title,
        "verdict": {"overall": NO_SETTING, "because": said},
        "claims": [
            f"No setting: {refused.strategy} abstained because {said}.",
            f"Taught {number_of(asked, 'time')} on other showings of this recording, it abstained "
            f"{number_of(rate.events, 'time')}.",
        ],
        "cautions": [*recording_cautions(recording, truth), NOTHING_SCORED],
        "about": dict(options.about),
        "data": data_of(recording, truth, sources),
        **refused.as_dict(),
        "source": {**setting_file(sources), "strategy_source_sha256": source_fingerprint(type(strategy))},
        "draws": {
            "abstained": rate.as_dict(),
            "failed": failed,
            "reasons": dict(reasons.most_common(MOST_REASONS)),
        },
        "offers": {
            key: quality[key]
            for key in ("direction", "background", "contrast", "noise", "invalid", "saturated", "separable",
                        "separability", "passes", "gaps")
        },
        "options": options.as_dict(),
        "limits_of_use": list(LIMITS_OF_USE),
        "software": identity.software(),
    }  # fmt: skip
    record = plain(record)
    checked_text(record)
    return record | {"record_sha256": identity.json_digest(record)}


def _block(recording: Recording, truth: Truth, refused: Abstention) -> TeachBlock:
    base = None if refused.base is None else setting_from_dict(refused.base, "base setting of the abstention")
    return TeachBlock(recording, truth, base=base, rules=Rules(tolerance_ms=refused.tolerance_ms))


def _again(strategy: Strategy, block: TeachBlock, refused: Abstention) -> None:
    """Refuse to record an abstention that cannot be repeated here."""
    here = f"strategy '{refused.strategy}', seed {refused.seed}"
    hint = "Teach it on this recording and record what comes of that: teachlab teach … --json"
    try:
        teach_once(strategy, block, refused.seed, 0)
    except Abstained as refusal:
        found = (refusal.reason, refusal.measured, refusal.required)
        if found != (refused.reason, refused.measured, refused.required):
            raise InputError(f"{here}: abstains here for another reason: {refusal}. {hint}") from None
        return
    raise InputError(f"{here}: does not abstain on this recording. {hint}")


def _draws(strategy: Strategy, block: TeachBlock, seed: int, draws: int) -> tuple[Counter[str], int]:
    taught = teach_draws(strategy, block, range(draws), seed)
    return Counter(d.abstained for d in taught if d.abstained), sum(bool(d.failed) for d in taught)
