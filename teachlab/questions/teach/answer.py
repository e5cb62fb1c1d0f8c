"""One setting from one showing, judged on the passes that were not shown."""

from __future__ import annotations

from dataclasses import dataclass, replace

from teachlab.data.alignment.answer import Alignment
from teachlab.light.noise import DESIGNED, JUDGED, need_for_light
from teachlab.model.json_values import Document
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.verdict import JudgedBy, setting_verdict
from teachlab.scoring.scoring import score
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_once


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TeachAnswer(Document):
    """A setting, its results on the passes that were not shown, and how the passes lie against the light."""

    schema: int = 1
    verdict: Verdict
    setting: Setting
    alignment: Alignment | None


def taught_and_judged(
    recording: Recording,
    truth: Truth,
    strategy: Strategy,
    *,
    base: Setting | None = None,
    seed: int = 0,
    rules: Rules = USUAL_RULES,
    by: JudgedBy | None = None,
) -> TeachAnswer:
    """Teach once from the whole recording, and judge the setting on the passes that were not shown.

    `base`: delays, filter and evaluation rate.
    `seed`: selects what is shown.
    Raises Abstained if the strategy declines.
    Raises InputError if the pieces do not fit together.
    """
    held = JUDGED._replace(crossing=DESIGNED.crossing, edges=False)
    need_for_light(recording, "a teaching", held, beside=truth.start)
    setting = teach_once(strategy, TeachBlock(recording, truth, base=base, rules=rules), seed, 0)
    reading = SettingReading(recording, truth, setting, rules=rules)
    result = score(reading.output, truth, rules=rules)
    alignment = reading.alignment()
    verdict = setting_verdict(
        reading, setting, result, about=strategy.name, margin=reading.margin_where_known(result),
        by=replace(by or JudgedBy(), alignment=alignment),
    )  # fmt: skip
    return TeachAnswer(setting=setting, verdict=verdict, alignment=alignment)
