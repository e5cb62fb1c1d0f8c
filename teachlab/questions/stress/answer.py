"""What one setting can bear, as one value: map, reserves, time to cleaning, feasibility, and other speeds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

from teachlab.data.kept_light import held
from teachlab.light.noise import JUDGED, need_for_light
from teachlab.model.json_values import plain
from teachlab.model.printable_text import cut, cut_percent, in_figures
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.verdict import Verdict, VerdictReason
from teachlab.questions.feasibility.answer import Feasibility, feasibility
from teachlab.questions.feasibility.demands import DemandsReading
from teachlab.questions.stress.cleaning import Cleaning, LossRate, cleaning_at, cleaning_from
from teachlab.questions.stress.light import Stress
from teachlab.questions.stress.map import GAINS, StressMap, at_speed, stress_map
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.stress.speeds import AtSpeed, speeds
from teachlab.questions.verdict import JudgedBy, setting_verdict
from teachlab.questions.verdict.claim_words import NOTHING_SHOWN
from teachlab.scoring.scoring import score

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth

Axis = Sequence[float] | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StressAnswer:
    """What one setting can bear on one recording.

    `stressed`: errors over gain, ambient light and pedestal, with the reserves.
    `cleaning`: when the window must be cleaned; None without a rate of loss.
    `possible`: whether any fixed level works under all named conditions.
    `faster`: the same at other speeds of the line.
    `verdict`: the decision on the setting as recorded, with its reserves.
    """

    recording: str
    stressed: StressMap
    cleaning: Cleaning | None
    possible: Feasibility
    faster: tuple[AtSpeed, ...]
    verdict: Verdict

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        document = {
            "schema": 1,
            "verdict": self.verdict,
            **self.stressed.as_dict(),
            "recording": self.recording,
            "days_to_cleaning": None if self.cleaning is None else self.cleaning.days,
            "cleaning": self.cleaning,
            "feasibility": self.possible,
            "speed": list(self.faster),
        }
        return {name: plain(value) for name, value in document.items()}

    @property
    def bears(self) -> str:
        """The reserves in one sentence; empty where the passes show none, or where the output is always active."""
        found, unit = self.stressed, self.stressed.setting.unit
        loss, rise = found.contamination_reserve, found.ambient_reserve
        claim = self.verdict.claim
        if (claim is not None and claim.text == NOTHING_SHOWN) or (
            self.verdict.equal_cost is None and loss is not None
        ):
            return ""
        if found.share_refused:
            return f"No share of the light can be stated: {found.share_refused}."
        if loss is None:
            return "It makes errors already as recorded: there is no reserve."
        added = "" if rise is None else f", or {in_figures(cut(rise, 4))} {unit} of ambient light are added"
        return f"On this recording it makes no error until {cut_percent(loss):.3g} % of the light is lost{added}."


def stress(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    *,
    gain: Axis = None,
    ambient: Axis = None,
    pedestal: Axis = None,
    factors: Sequence[float] = (),
    loss: LossRate | float | None = None,
    rules: Rules = USUAL_RULES,
    by: JudgedBy | None = None,
    progress: Callable[[float], None] | None = None,
) -> StressAnswer:
    """Count losses and trips of one setting with less light, more ambient light, a dirty window, and at other speeds.

    `setting`: of fixed levels.
    `gain`, `ambient`, `pedestal`: shares of light left, added light and backscatter, in recording units. Named
    conditions are also compared with each other: does any fixed level work under all of them?
    `factors`: speeds of the line, 1 as recorded.
    `loss`: loss of light per day: as observed, or a share.
    Raises InputError if recording, passes, setting and conditions do not fit together.
    """
    for factor in factors:
        at_speed(recording, setting, factor)
    full = recording.info.full_scale
    span = 0.0 if full is None else full - recording.info.dark_level
    gains = tuple(gain or GAINS)
    ambients = tuple(ambient or ([round(span * k / 40, 9) for k in range(5)] if span else (0.0,)))
    pedestals = tuple(pedestal or ((0.0, round(span / 20, 9)) if span else (0.0,)))
    # The verdict, with what would mend the setting, usually takes as long as one map and a half.
    parts, say = 2.5 + len(factors), progress or (lambda share: None)
    need_for_light(recording, "a stress map", JUDGED, level=setting.on_level)
    if setting.has_memory:  # such settings are counted on all of the light, many times
        recording = held(recording)
    demanded = DemandsReading(recording, truth, setting, rules)
    reading = SettingReading(recording, truth, setting, rules=rules, beside=[demanded])
    found = stress_map(
        recording, truth, setting, gain=gains, ambient=ambients, pedestal=pedestals, rules=rules,
        progress=lambda share: say(share / parts), reading=reading,
    )  # fmt: skip
    faster = speeds(
        recording, truth, setting, factors, gain=gains, ambient=ambients, pedestal=pedestals, rules=rules,
        progress=lambda share: say((1 + share * len(factors)) / parts),
    )  # fmt: skip
    # Only named conditions are compared with each other: nobody asked whether one level works on the whole default map.
    cells = (Stress(*cell) for cell in product(gain or (1.0,), ambient or (0.0,), pedestal or (0.0,)))
    conditions = [s for s in cells if (s.gain, s.ambient, s.pedestal) != (1, 0, 0)]
    by = replace(by or JudgedBy(), cures=True, alignment=reading.alignment())
    result = score(reading.output, truth, rules=rules)
    verdict = setting_verdict(
        reading, setting, result, by=by, about=by.setting_file, margin=reading.margin_where_known(result)
    )
    answer = StressAnswer(
        recording=recording.name,
        stressed=found,
        cleaning=None,
        possible=feasibility(recording, truth, setting, stresses=conditions, rules=rules, reading=demanded),
        faster=tuple(faster),
        verdict=verdict,
    )  # fmt: skip
    if not answer.bears:  # passes beside the light show no reserve and no error; an output always active keeps doing so
        return replace(answer, cleaning=_cleaning(None, loss))
    shown = verdict.after(VerdictReason(text=answer.bears))
    return replace(answer, cleaning=_cleaning(found.contamination_reserve, loss), verdict=shown)


def _cleaning(reserve: float | None, loss: LossRate | float | None) -> Cleaning | None:
    if loss is None:
        return None
    return cleaning_at(reserve, loss) if isinstance(loss, float) else cleaning_from(reserve, loss)
