"""One setting at several speeds of the line: its losses and trips, and the remaining reserves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from teachlab.model.score import USUAL_RULES, Rules
from teachlab.questions.stress.map import StressMap, at_speed, stress_map
from teachlab.questions.surface.given_settings.pairs import PairCounts, score_pairs

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AtSpeed:
    """The result of a setting on a line that runs `factor` times as fast as recorded.

    `line_speed_m_s` (m/s): ``factor ·`` the speed of the recording; None if that is not stored.
    `stressed`: the stress map at this speed, with its reserves.
    """

    factor: float
    line_speed_m_s: float | None
    counts: PairCounts
    stressed: StressMap

    @property
    def faultless(self) -> bool:
        """Whether every trial is right: all passes hit once, no false trip."""
        return self.counts.errors == 0

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        counts, found = self.counts, self.stressed
        return {
            "factor": self.factor, "line_speed_m_s": self.line_speed_m_s, "lost": counts.apart_lost,
            "merged": counts.merged - counts.touching,
            "extra": counts.extra, "false_trips": counts.false_trips, "ignore_trips": counts.ignore_trips,
            "passes": counts.detect_trials,
            **{name: getattr(found, name) for name in ("contamination_reserve", "ambient_reserve")},
            "survival_boundary": found.boundary(),
            "map": {n: getattr(found, n).tolist() for n in ("lost", "false_trips")},
        }  # fmt: skip


def speeds(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    factors: Sequence[float],
    *,
    gain: Sequence[float] = (1.0,),
    ambient: Sequence[float] = (0.0,),
    pedestal: Sequence[float] = (0.0,),
    rules: Rules = USUAL_RULES,
    progress: Callable[[float], None] | None = None,
) -> tuple[AtSpeed, ...]:
    """Count and stress one setting at every speed of the line.

    `setting`: levels, filter, delays and evaluation rate stay; the objects come faster.
    `factors`: how many times as fast, in the order of the result.
    `gain`, `ambient`, `pedestal`, `rules`, `progress`: as in `teachlab.questions.stress.map.stress_map`.
    Raises ParameterError as `teachlab.questions.stress.map.at_speed`.
    """
    bare, found = replace(setting, taught=None), []
    lines = [at_speed(recording, bare, factor) for factor in factors]
    for number, (factor, (line, same)) in enumerate(zip(factors, lines, strict=True)):
        counts = score_pairs(line, truth, [same], rules=rules)[0]
        stressed = stress_map(line, truth, same, gain=gain, ambient=ambient, pedestal=pedestal, rules=rules)
        found.append(AtSpeed(factor=factor, line_speed_m_s=line.info.line_speed_m_s, counts=counts, stressed=stressed))
        if progress is not None:
            progress((number + 1) / len(lines))
    return tuple(found)


def fastest(found: Sequence[AtSpeed]) -> float | None:
    """Return the largest factor at which this and every slower tried speed have no error; otherwise None.

    Of the tried speeds only: a speed between them may behave differently, because a sensor that evaluates at fixed
    times may meet an object at one speed and miss it at another.
    """
    best = None
    for one in sorted(found, key=lambda at: at.factor):
        if not one.faultless:
            break
        best = one.factor
    return best
