"""The question about repeated teachings, and the results: frozen values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from teachlab.errors import ParameterError
from teachlab.model.arrays import Floats
from teachlab.model.draws import MEASURES, Draw, Spread
from teachlab.model.json_values import Document, picked, plain
from teachlab.model.score import Rate

if TYPE_CHECKING:
    from teachlab.model.teaching import Strategy
    from teachlab.questions.surface.hindsight import Hindsight

VARIED = (1, 2, 5, 10, 30)
"""Passes in a sweep, or pieces averaged, unless others are asked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """What counts as worse: a measure outside ``[low, high]``.

    `measure`: one of `MEASURES`.
    `low`, `high`: in the unit of the measure.
    """

    measure: str
    low: float = -math.inf
    high: float = math.inf

    def __post_init__(self) -> None:
        if self.measure not in MEASURES:
            raise ParameterError(f"a limit is set on one of {', '.join(MEASURES)}; got '{self.measure}'.")
        if not self.low <= self.high:
            raise ParameterError(f"the limits of {self.measure} must ascend, got {self.low:g} to {self.high:g}.")

    def broken(self, value: float) -> bool:
        """Whether a value lies outside."""
        return not self.low <= value <= self.high

    def breach(self, teachings: int) -> str:
        """Say what so many teachings outside the limits do, in words that follow their number."""
        s = "s" if teachings == 1 else ""
        if math.isinf(self.low) and self.high == 0 and self.measure in ("lost_rate", "regret"):
            return f"lose{s} a pass" if self.measure == "lost_rate" else f"cost{s} more than the best fixed setting"
        ends = f"above {self.high:g}" if math.isinf(self.low) else f"outside {self.low:g} to {self.high:g}"
        measure = self.measure.replace("_level", "-level").replace("_", " ")
        return f"give{s} a{'n' if measure[0] in 'aeiou' else ''} {measure} {ends}"


USUAL_LIMITS = (Limit(measure="lost_rate", high=0.0), Limit(measure="regret", high=0.0))
"""A draw that loses any pass, and one that costs more than the best fixed setting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """One way of teaching that is repeated.

    `average`: the levels of this many teachings are averaged into one setting.
    """

    strategy: Strategy
    average: int = 1

    def __post_init__(self) -> None:
        if self.average < 1:
            raise ParameterError(f"at least 1 teaching makes a setting, got {self.average}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeated(Document):
    """A measure over the draws that gave a setting, in its unit; quantiles are values that occurred.

    `sd`: standard deviation (n − 1); None with fewer than two draws.
    """

    median: float
    p05: float
    p95: float
    sd: float | None
    least: float
    most: float

    @classmethod
    def of(cls, values: Floats) -> Repeated:
        """Describe at least one value."""
        sd = float(values.std(ddof=1)) if values.size > 1 else None
        low, high = float(values.min()), float(values.max())
        usual = Spread.of(values, worst=high)
        return cls(median=usual.median, p05=usual.p05, p95=usual.p95, sd=sd, least=low, most=high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cloud:
    """Results of repeated teachings.

    `average`: teachings averaged into each setting.
    `draws`: in order of their numbers.
    `distinct`: number of different settings among them.
    `spreads`: by measure; empty if no draw gave a setting.
    `worse`: for each limit, the share of the draws with a setting that exceed it.
    `abstained`: share of all draws that gave no setting.
    """

    strategy: str
    parameters: dict[str, Any]
    average: int
    draws: Sequence[Draw]
    distinct: int
    spreads: dict[str, Repeated]
    worse: tuple[tuple[Limit, Rate], ...]
    abstained: Rate

    @property
    def taught(self) -> list[Draw]:
        """The draws that gave a setting."""
        return [d for d in self.draws if d.setting is not None]

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form; the points as one list per measure."""
        taught = self.taught
        points: dict[str, list[float]] = {name: [d.measures[name] for d in taught] for name in MEASURES}
        reasons: dict[str, int] = {}
        for d in self.draws:
            if text := d.abstained or d.failed:
                reasons[text] = reasons.get(text, 0) + 1
        return {
            **picked(self, "strategy", "parameters", "average"),
            "draws": len(self.draws),
            **picked(self, "distinct", "abstained"),
            "reasons": reasons,
            "spreads": plain(self.spreads),
            "worse": [
                {"measure": limit.measure, "limit_low": limit.low, "limit_high": limit.high, **rate.as_dict()}
                for limit, rate in self.worse
            ],
            "points": {"draw": [d.draw for d in taught], **points},
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """Clouds of several ways of teaching on one recording, compared with one best setting.

    `best`: best fixed setting among all pairs of levels; None if no draw gave a setting.
    """

    clouds: tuple[Cloud, ...]
    best: Hindsight | None
    teach_passes: int
    scored_passes: int
