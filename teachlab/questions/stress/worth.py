"""Measures of several settings on one recording: score, margin to noise and reserves; equal settings once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from teachlab.errors import UnmeasurableError
from teachlab.model.json_values import picked, plain
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Setting, bare
from teachlab.questions.stress.reserves import reserves
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.scoring.clearance import Clearance, clearance_of
from teachlab.scoring.scoring import score
from teachlab.scoring.switching_position import SwitchingPosition, switching_position
from teachlab.switching.run import replay

if TYPE_CHECKING:
    from teachlab.model.margin import Margin
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth
    from teachlab.sensor.output import Output


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Worth:
    """One setting on one recording.

    `margin`: None for a setting whose levels are not fixed, if nothing was scored, if the light is too large to be
    measured, or if it was not asked for.
    `reserves` (mapping of str to float or None, or None): as `teachlab.questions.stress.reserves.reserves` gives them;
    None without a margin, and if not asked for.
    `position`: where in the pass it switches; None if no pass was hit.
    `clearance`: how near the light comes to the levels, and what that shows; None without a margin.
    `left_out`: why there is no margin although one was asked for, otherwise empty.
    """

    score: Score
    margin: Margin | None = None
    reserves: Mapping[str, float | None] | None = None
    position: SwitchingPosition | None = None
    clearance: Clearance | None = None
    left_out: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        out = picked(self, "score", "margin", "reserves", "clearance")
        return out | {"switching_position": plain(self.position)}


def worth_of(reading: SettingReading, *, jitter_ms: float | None = None, with_reserves: bool = True) -> Worth:
    """Score the setting of a reading, and measure its margin and reserves where that was asked for and is possible.

    `jitter_ms`: jitter of the borders against the light, if it was measured: a spread of positions is compared with it.
    `with_reserves`: whether to measure reserves too.
    """
    recording, truth, rules, output = reading.recording, reading.truth, reading.rules, reading.output
    setting, worth = output.setting, scored_worth(recording, truth, output, rules=rules, jitter_ms=jitter_ms)
    scored = worth.score
    if not reading.margins or not scored.counts.scored_passes:
        return worth
    if type(setting) is not Setting:
        return replace(worth, left_out="they need one pair of fixed levels.")
    try:
        margin = reading.margin(scored.trials)
    except UnmeasurableError as fault:
        return replace(worth, left_out=str(fault))
    left = reserves(recording, truth, setting, rules=rules, scored=scored, reading=reading) if with_reserves else None
    return Worth(
        score=scored,
        margin=margin,
        reserves=left,
        position=_position(recording, truth, output, scored, rules, jitter_ms, margin),
        clearance=clearance_of(truth, setting, margin, scored.trials, confidence=rules.confidence),
    )


def scored_worth(
    recording: Recording, truth: Truth, output: Output, *, rules: Rules = USUAL_RULES, jitter_ms: float | None = None
) -> Worth:
    """Score an output without a look at the light; parameters as for `worth_of`."""
    scored = score(output, truth, rules=rules)
    return Worth(score=scored, position=_position(recording, truth, output, scored, rules, jitter_ms))


def _position(
    recording: Recording, truth: Truth, output: Output, scored: Score, rules: Rules, jitter_ms: float | None,
    margin: Margin | None = None,
) -> SwitchingPosition | None:  # fmt: skip
    if not scored.counts.hits:
        return None
    return switching_position(
        output, truth, scored.trials, recording.info, rules=rules, margin=margin, jitter_ms=jitter_ms
    )


class SettingWorth:
    """Measures settings on one recording; settings that differ only in their history are measured once.

    `margins`: whether to measure margins and reserves, too.
    """

    def __init__(
        self,
        recording: Recording,
        truth: Truth,
        *,
        rules: Rules = USUAL_RULES,
        margins: bool = True,
        jitter_ms: float | None = None,
    ) -> None:
        self._recording, self._truth, self._rules, self._margins = recording, truth, rules, margins
        self._jitter_ms = jitter_ms
        self._known: dict[Setting, Worth] = {}
        self._read: dict[Setting, SettingReading] = {}
        self._last: SettingReading | None = None

    def take(self, readings: Iterable[SettingReading]) -> None:
        """Take readings of settings that will be asked for, under the same rules and with margins."""
        self._read.update({reading.output.setting: reading for reading in readings})

    def of(self, setting: Setting) -> Worth:
        """Replay, score and measure one setting."""
        key = bare(setting)
        if key not in self._known:
            recording, truth, rules = self._recording, self._truth, self._rules
            if self._margins and type(key) is Setting:
                reading = self._read.pop(key, None) or SettingReading(recording, truth, key, rules=rules)
                self._known[key] = worth_of(reading, jitter_ms=self._jitter_ms)
                self._last = reading
            else:
                self._known[key] = scored_worth(
                    recording, truth, replay(recording, key), rules=rules, jitter_ms=self._jitter_ms
                )
        return self._known[key]

    def reading_of(self, setting: Setting) -> SettingReading:
        """Return a reading of a setting: that of the last measured one if it is this one."""
        if self._last is None or self._last.output.setting != bare(setting):
            self._last = SettingReading(self._recording, self._truth, bare(setting), rules=self._rules)
        return self._last
