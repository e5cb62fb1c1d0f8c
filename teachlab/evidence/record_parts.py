"""Common parts of the records of settings and of abstentions: options, files, identity of the data, cautions."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import teachlab.evidence.identity as identity
from teachlab.errors import InputError, check_least
from teachlab.evidence.about import about_of_record, nothing_stated
from teachlab.model.draws import DRAWS
from teachlab.model.json_values import json_text, picked
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.truth import Truth

SCHEMA = 1

NOT_COMPARED = (
    "The logged trace may not be what the sensor saw: bandwidth, averaging, gain and clipping of the logger differ. "
)
VERIFY = "Verify on the line with marked pieces before release, and again after any change."
LIMITS_OF_USE = (
    "Not a safety device: nothing here may justify protection of people, guarding, muting or a machine stop. Rates "
    "of lost passes are statistics of a process, not probabilities of a dangerous failure.",
    "The evidence covers the recorded product, speed, lamps, temperature, dirt and settings, and nothing else.",
    NOT_COMPARED + VERIFY,
    "No event seen does not mean that the rate is zero: the claim is the bound, with its passes, lots and dates. "
    "Figures beyond the data rest on a model and are indicative.",
    "Where the count is a legal or quality-critical quantity, verify it independently.",
    "Do not look into LED or laser emitters. Changes to the machine are made with energy locked out, guards on, and "
    "by trained or authorised people under the local codes; regulated industries re-validate.",
    "Words here are generic. The manual of the equipment takes precedence.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordOptions:
    """How a record is computed; all options are written into the record.

    `rules`: rules by which the output is scored; the first scored pass follows from the teach share.
    `teach_share`: the setting was taught on this first share of the passes, so only later ones are scored. None: all
    are scored.
    `deviations`: what was done differently from the plan, in the words of the person who reports it.
    `draws`: how often the setting's strategy is taught again inside the teach block; 0: not at all.
    `sensor_setting`: setting, in its JSON form, that the sensor had while its output was logged; None: the setting that
    is judged.
    `about`: what the record is about, as people state it (`teachlab.evidence.about`).
    `cycles`: recurring disturbances, as `cycle_of` reads them: belt=10s, belt=6000mm …
    `rehearsal`: whether synthetic light is judged as if it were real; the result is called a rehearsal.
    """

    title: str = ""
    rules: Rules = USUAL_RULES
    teach_share: float | None = None
    deviations: tuple[str, ...] = ()
    draws: int = DRAWS
    cycles: tuple[str, ...] = ()
    rehearsal: bool = False
    sensor_setting: Mapping[str, Any] | None = None
    about: Mapping[str, str | None] = field(default_factory=nothing_stated)

    def __post_init__(self) -> None:
        object.__setattr__(self, "cycles", tuple(self.cycles))
        check_least("draws", self.draws)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form that a record holds."""
        return {
            "title": self.title,
            **picked(self.rules, "tolerance_ms", "confidence"),
            **picked(self, "teach_share", "deviations", "draws", "cycles", "rehearsal", "sensor_setting"),
        }

    @classmethod
    def of_record(cls, record: Mapping[str, Any]) -> RecordOptions:
        """Return the options that a record holds."""
        given = dict(record["options"]) | {"about": about_of_record(record)}
        rules = Rules(tolerance_ms=given.pop("tolerance_ms"), confidence=given.pop("confidence"))
        return cls(rules=rules, **given | {"deviations": tuple(given["deviations"])})


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Files that a record depends on; only their names and digests are written."""

    recording: str
    truth: str
    setting: str | None = None


def checked_text(record: dict[str, Any]) -> None:
    """Refuse a record with text that cannot be written in UTF-8."""
    try:
        json.dumps(record, ensure_ascii=False).encode()
    except UnicodeEncodeError as fault:
        around = fault.object[max(0, fault.start - 20) : fault.start]
        raise InputError(
            f"a title, label, note or file name holds half of a surrogate pair (after '{around}'), which is no text. "
            "Write it in UTF-8."
        ) from None


def record_text(record: dict[str, Any]) -> str:
    """Return the text of a record as it is written to a file."""
    return json_text(record, indent=1) + "\n"


def data_of(recording: Recording, truth: Truth, sources: Sources) -> dict[str, Any]:
    """Return the identity of recording and passes."""
    info = recording.info
    return {
        "recording": source_name(sources.recording),
        "recording_sha256": identity.file_digest(sources.recording),
        "samples_sha256": identity.samples_digest(recording),
        "samples": recording.samples,
        "stored_type": recording.dtype.name,
        "sample_rate_hz": info.sample_rate_hz,
        "seconds": recording.seconds,
        "began": None if info.began is None else info.began.isoformat(),
        "ended": None if info.began is None else (info.began + timedelta(seconds=recording.seconds)).isoformat(),
        **picked(info, "line_speed_m_s", "dark_level", "unit", "title", "notes", "origin", "sensing"),
        "truth": source_name(sources.truth),
        "truth_file_sha256": identity.file_digest(sources.truth),
        "truth_sha256": identity.truth_digest(truth),
        "truth_source": str(truth.source),
        **picked(truth, "uncertainty_samples", "passes"),
    }


def setting_file(sources: Sources) -> dict[str, Any]:
    """Return the name and digest of the file of the setting, or of the abstention, if there is one."""
    path = sources.setting
    return {
        "file": None if path is None else source_name(path),
        "file_sha256": None if path is None else identity.file_digest(path),
    }


def source_name(path: str) -> str:
    """Return the name of a file or address, without its folder."""
    return Path(path).name if "://" not in path else path.rsplit("/", 1)[-1]
