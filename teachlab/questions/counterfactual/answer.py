"""What a better sensor would gain on the same light: margin under other rates, filters and averages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np

from teachlab.data.alignment.answer import Alignment
from teachlab.data.alignment.finding import aligned_first
from teachlab.data.alignment.room import alignment_of
from teachlab.errors import SettingError, TruthError
from teachlab.light.noise import LightMemory, need_for_light
from teachlab.light.usable_light import bounded_recording
from teachlab.model.draws import Costs
from teachlab.model.json_values import Document
from teachlab.model.printable_text import in_figures
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict, VerdictReason, sentence
from teachlab.questions.counterfactual.averaged import averaged
from teachlab.questions.counterfactual.margin import SensorMargin, measure, nothing
from teachlab.questions.counterfactual.sensors import ComparedSensor, sensors
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.given_settings.grid import replayed_surface
from teachlab.questions.surface.hindsight import best_of
from teachlab.teaching.block import polarity_for

_HELD, _HELD_WITH_BEST = LightMemory(15.0, 120.0), LightMemory(320.0, 40.0, whole=3_000_000)
"""By the crossings of the middle of the light. With the best settings measured: 0.4 GB for a million samples of noise,
0.8 for three, 1.2 for thirty; 0.7 for a hundred million of clean light. The edges of a grid of pairs are bounded."""
UNSEPARATED = "noise is small enough, but no level is reached by all passes and by no gap"
GRID = 25
"""Number of levels of the grid on which a sensor with filter or delays is searched with hysteresis."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counterfactual(Document):
    """Results of other sensors on the light of one recording.

    `sensors`: the present sensor, and the others.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("verdict",)

    schema: int = 1
    recording: str
    sensors: tuple[SensorMargin, ...]
    alignment: Alignment | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form, which tells the alignment by the verdict."""
        out = Document.as_dict(self)
        del out["alignment"]
        return out

    @property
    def verdict(self) -> Verdict:
        """Whether the present sensor has enough margin, and which other one would have the most."""
        return aligned_first(self._found, self.alignment)

    @property
    def _found(self) -> Verdict:
        now, others = self.sensors[0], self.sensors[1:]
        promise = "This compares sensors on this light. It promises nothing about another sensor."
        if now.margin is None or now.needed is None:
            why = now.sensor.missing or "the background does not vary: there is no noise to measure a margin in"
            return Verdict(
                decision="no comparison",
                reasons=(VerdictReason(text=sentence(why)),),
                conditions=(promise,),
            )
        told = (
            f"Present margin: {in_figures(now.margin, 3)} times the noise; against white noise alone it must be "
            f"{in_figures(now.needed, 3)}."
        )
        about = "the present sensor"
        if now.margin <= 0:
            decision, about = "no margin: light of passes and of gaps overlaps", ""
            told = (
                "With the present sensor, no fixed level without hysteresis separates the weakest passes from the gaps."
            )
        else:
            decision = "enough margin" if now.margin >= now.needed else "too little margin"
        reasons = [VerdictReason(text=told)]
        if now.margin >= now.needed > 0 and now.clean is None:
            decision, about = UNSEPARATED, ""
            clean = [one.sensor.name for one in others if one.clean is not None]
            told = f"Such a level exists with: {', '.join(clean)}." if clean else "No other sensor has one either."
            text = "No fixed level without hysteresis is reached by every pass and by no gap."
            reasons.insert(0, VerdictReason(text=f"{text} {told}"))
        best = max((one for one in others if one.spare is not None), key=lambda one: one.spare or 0.0, default=None)
        gained = "None of the other sensors would have more."
        if best is not None and best.spare is not None and best.spare > max(now.spare or 0.0, 0.0):
            gained = f"Most margin: {best.sensor.name}, {in_figures(best.margin, 3)} times its noise"
            gained += (
                "."
                if best.times is None
                else f"; compared with what each needs, {in_figures(best.times, 3)} times as much as now."
            )
        return Verdict(
            decision=decision,
            about=about,
            reasons=(*reasons, VerdictReason(text=gained)),
            conditions=(promise,),
        )


def counterfactual(
    recording: Recording,
    truth: Truth,
    setting: Setting | None = None,
    *,
    mains_hz: float = 50.0,
    rules: Rules = USUAL_RULES,
    costs: Costs | None = None,
    progress: Callable[[float], None] | None = None,
) -> Counterfactual:
    """Measure the margin of the present sensor and of four others on the same light.

    `setting`: filter, delays and rate of the present sensor; its levels are not used; default: none of them.
    `rules`: their tolerance is added to every border of every pass.
    `costs`: if given, find the best fixed setting of each sensor for these costs too. This counts one surface for each
    sensor (with filter or delays: every level without hysteresis, and a grid of pairs with it).

    Notes
    -----
    The margin compares sensors; it is no promise. An average hides what is shorter than itself, merges gaps that are
    shorter than itself, and delays the output by half its own length. A faster sensor needs a log that is as fast.
    """
    if setting is None:
        polarity = polarity_for(recording, truth)
        setting = Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0, polarity=polarity)
    if setting.unit != recording.info.unit:
        raise SettingError(
            f"the setting is in '{setting.unit}' but {recording.name} is in '{recording.info.unit}': give the filter, "
            "delays and rate of a sensor in the unit of the recording."
        )
    need_for_light(recording, "a comparison of sensors", _HELD if costs is None else _HELD_WITH_BEST)
    recording = bounded_recording(recording)
    found = []
    asked = sensors(recording, truth, setting, mains_hz=mains_hz)
    for k, one in enumerate(asked):
        found.append(_bought(recording, truth, one, rules, costs))
        if progress is not None:
            progress((k + 1) / len(asked))
    first = found[0].spare
    return Counterfactual(
        recording=recording.name,
        sensors=tuple(
            replace(one, times=None if spare is None or first is None or first <= 0 else spare / first)
            for one, spare in ((one, one.spare) for one in found)
        ),
        alignment=alignment_of(recording, truth, rules),
    )


def _bought(
    recording: Recording, truth: Truth, sensor: ComparedSensor, rules: Rules, costs: Costs | None
) -> SensorMargin:
    if sensor.missing:
        return nothing(sensor)
    setting = sensor.setting
    if sensor.average > 1:
        try:
            recording, truth = averaged(recording, truth, sensor.average, evaluation_rate_hz=setting.evaluation_rate_hz)
        except TruthError as fault:
            return nothing(replace(sensor, missing=str(fault)))
        setting = replace(setting, evaluation_rate_hz=None)
    out = measure(recording, truth, sensor, setting, rules=rules)
    if costs is None or out.margin is None:
        return out
    tables = [surface(recording, truth, setting, rules=rules)]
    if setting.has_memory and out.objects is not None and out.background is not None:
        # With filter or delays, pairs with hysteresis are replayed on a grid around the relevant levels.
        span = out.objects - out.background
        grid = np.linspace(out.background - span / 2, out.objects + span / 2, GRID)
        tables.append(replayed_surface(recording, truth, setting, levels=np.sort(grid), rules=rules))
    return replace(out, best=best_of(tables, costs=costs))
