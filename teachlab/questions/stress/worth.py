"""What several settings are worth on one recording: score, margin to noise and reserves, equal settings once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from teachlab.errors import UnmeasurableError
from teachlab.model.json_values import Document
from teachlab.model.margin import Margin
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress.reserves import reserves
from teachlab.questions.surface.count_settings import bare
from teachlab.scoring import measure_margin, score
from teachlab.switching import replay


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Worth(Document):
    """One setting on one recording.

    Parameters
    ----------
    score : Score
    margin : Margin or None
        None for a setting whose levels are not fixed, where nothing was scored, where the light is
        too large to be measured, and where it was not asked for.
    reserves : mapping of str to float or None, or None
        As `teachlab.questions.stress.reserves.reserves` gives them; None with the margin.
    """

    score: Score
    margin: Margin | None
    reserves: Mapping[str, float | None] | None


class Measuring:
    """Measures settings on one recording; settings that differ in their history alone are measured once.

    Parameters
    ----------
    recording, truth
        Scored by the rules.
    rules
        As for the score.
    margins : bool
        Whether to measure margins and reserves, too.
    """

    def __init__(
        self,
        recording: Recording,
        truth: Truth,
        *,
        rules: Rules = USUAL_RULES,
        margins: bool = True,
    ) -> None:
        self._recording, self._truth, self._rules, self._margins = recording, truth, rules, margins
        self._known: dict[Setting, Worth] = {}

    def of(self, setting: Setting) -> Worth:
        """Replay, score and measure one setting."""
        key = bare(setting)
        if key not in self._known:
            self._known[key] = self._measured(key)
        return self._known[key]

    def _measured(self, setting: Setting) -> Worth:
        recording, truth, rules = self._recording, self._truth, self._rules
        output = replay(recording, setting)
        scored = score(output, truth, rules=rules)
        if not self._margins or type(setting) is not Setting or not scored.counts.scored_passes:
            return Worth(score=scored, margin=None, reserves=None)
        try:
            margin = measure_margin(recording, output, truth, scored.trials, rules=rules)
        except UnmeasurableError:
            return Worth(score=scored, margin=None, reserves=None)
        return Worth(
            score=scored,
            margin=margin,
            reserves=reserves(recording, truth, setting, rules=rules, scored=scored),
        )
