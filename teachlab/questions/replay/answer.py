"""Replay, score, margin, reserves and reasons of one setting on one recording, as one value."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from teachlab.light.noise import JUDGED, need_for_light
from teachlab.model.json_values import picked, plain
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.stress.worth import Worth, worth_of
from teachlab.questions.verdict import JudgedBy, setting_verdict
from teachlab.questions.verdict.nearness import light_step
from teachlab.scoring.dependence import dependence_of
from teachlab.scoring.early import early_by_s, early_rows
from teachlab.scoring.reasons import Reasons, reasons_of
from teachlab.switching.run import replay

if TYPE_CHECKING:
    from teachlab.data.alignment.answer import Alignment
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth
    from teachlab.model.verdict import Verdict
    from teachlab.sensor.output import Output
    from teachlab.statistics.bursts import Bursts
    from teachlab.statistics.lots import Dependence


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReplayAnswer:
    """The result of one setting.

    `worth`: score, and margin and reserves if asked for; None without passes.
    `dependent` (mapping of str to Dependence, Bursts or None): rates with lots and bursts taken into account.
    `reasons`: why passes were lost and gaps tripped; None if there were no errors, or if the light was not to be
    examined.
    `early_s`: for false trips that lasted into the next pass: how long before it they began.
    `verdict`: the decision on the setting; None without passes.
    `alignment`: how the passes lie against the light; None without passes, or if it cannot be measured.
    """

    recording: str
    unit: str
    samples: int
    sample_rate_hz: float
    setting: Setting
    output: Output
    worth: Worth | None = None
    dependent: Mapping[str, Dependence | Bursts | None] = field(default_factory=dict)
    reasons: Reasons | None = None
    early_s: tuple[float, ...] = ()
    verdict: Verdict | None = None
    alignment: Alignment | None = None

    @property
    def dependence(self) -> Dependence | Bursts | None:
        """The lost rate, with the resemblance of the passes of one lot taken into account."""
        return self.dependent.get("lost_rate")

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        worth = self.worth
        document = {
            "schema": 1,
            **picked(self, "verdict", "recording", "samples", "sample_rate_hz", "setting"),
            "active_at_start": self.output.active_at_start,
            "onsets": self.output.onsets,
            "releases": self.output.releases,
            **_reference(self.output),
            "score": None if worth is None else worth.score,
            "dependence": self.dependence,
            "dependence_of_rates": dict(self.dependent),
            "margin": None if worth is None else worth.margin,
            "reserves": None if worth is None or worth.reserves is None else dict(worth.reserves),
            "clearance": None if worth is None else worth.clearance,
            "equal_cost": None if self.verdict is None else self.verdict.equal_cost,
            "switching_position": None if worth is None else worth.position,
            **picked(self, "reasons", "alignment"),
        }
        return {name: plain(value) for name, value in document.items()}


def replayed(
    recording: Recording,
    truth: Truth | None,
    setting: Setting,
    *,
    rules: Rules = USUAL_RULES,
    margins: bool = True,
    with_reserves: bool = False,
    by: JudgedBy | None = None,
    progress: Callable[[float], None] | None = None,
) -> ReplayAnswer:
    """Replay a setting over a recording and, if its passes are known, score it and give the reasons of its errors.

    `margins`: measure margin and reasons too.
    `with_reserves`: measure reserves too; with filter or delays this needs some more readings.
    Raises InputError if recording, passes and setting do not fit together.
    """
    about: dict[str, Any] = {
        "recording": recording.name, "unit": recording.info.unit, "samples": recording.samples,
        "sample_rate_hz": recording.info.sample_rate_hz, "setting": setting,
    }  # fmt: skip
    if truth is None:
        return ReplayAnswer(**about, output=replay(recording, setting, progress=progress))
    need_for_light(recording, "a replay", JUDGED, level=setting.on_level)
    reading = SettingReading(recording, truth, setting, rules=rules, margins=margins, progress=progress)
    output = reading.output
    alignment = reading.alignment()
    jitter = None if alignment is None else alignment.jitter_ms
    worth = worth_of(reading, jitter_ms=jitter, with_reserves=with_reserves)
    # If no pass was lost, the weakest passes show how losses would cluster.
    proxy = None if worth.margin is None else worth.margin.peak_of_pass
    reasons = reasons_of(
        recording, truth, setting, worth.score, rules=rules, extremes=reading.extremes,
        step=light_step(recording, worth.margin),
    )  # fmt: skip
    by = replace(by or JudgedBy(), alignment=alignment)
    verdict = setting_verdict(
        reading, setting, worth.score, by=by, about=by.setting_file, margin=worth.margin, why_lost=reasons
    )  # fmt: skip
    return ReplayAnswer(
        **about, output=output, worth=worth, dependent=dependence_of(truth, worth.score, proxy=proxy),
        reasons=reasons if margins and worth.score.counts.errors else None,
        early_s=tuple(early_by_s(output, truth, early_rows(worth.score.trials)).tolist()),
        verdict=verdict, alignment=alignment,
    )  # fmt: skip


def _reference(output: Output) -> dict[str, Any]:
    """Return what the reference of a following setting did, in samples; an empty mapping for other kinds."""
    followed, clock = output.followed, output.clock
    if followed is None:
        return {}
    return {
        "reference": {
            **picked(followed, "last", "lowest", "highest"),
            "releases": clock.sample_of(followed.releases),
            "alarm_begins": clock.sample_of(followed.alarm.rises()),
            "alarm_ends": clock.sample_of(followed.alarm.falls()),
        }
    }
