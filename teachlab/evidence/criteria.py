"""Acceptance criteria, fixed before the run, and what the data say about each."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from teachlab.data.files import read_text
from teachlab.data.strict import SchemaOne, StrictModel, check
from teachlab.errors import ParameterError
from teachlab.model.margin import Margin
from teachlab.model.score import CountRate, Score
from teachlab.score.intervals import count, proportion
from teachlab.score.lots import Dependence, effective_limits

RATES = (
    "lost_rate",
    "miss_rate",
    "merged_rate",
    "false_trips_per_gap",
    "false_trips_per_gap_hour",
    "false_trips_per_running_hour",
    "ignore_trips_per_pass",
    "extra_per_pass",
)
MARGINS = ("margin_to_noise", "population", "excess_gain", "hysteresis_to_noise")


class Verdict(StrEnum):
    """What the data say about a criterion."""

    MET = "met"
    NOT_MET = "not met"
    NOT_ENOUGH = "not enough evidence"


class Criterion(StrictModel):
    """One limit: a rate that must not be exceeded, or a margin or number that must be reached.

    `dependence` says how the lost rate allows for passes that resemble one another: as measured between
    lots; where too few lots hold an event, by the proxy of the weakest passes; or not at all.
    """

    measure: Literal[
        "lost_rate",
        "miss_rate",
        "merged_rate",
        "false_trips_per_gap",
        "false_trips_per_gap_hour",
        "false_trips_per_running_hour",
        "ignore_trips_per_pass",
        "extra_per_pass",
        "margin_to_noise",
        "population",
        "excess_gain",
        "hysteresis_to_noise",
        "contamination_reserve",
        "ambient_reserve",
        "passes",
        "lots",
    ]
    max: Annotated[float, Field(gt=0)] | None = None
    min: float | None = None
    confidence: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    dependence: Literal["measured", "proxy", "independent"] = "proxy"

    @model_validator(mode="after")
    def _one_limit(self) -> Criterion:
        if self.measure in RATES and (self.max is None or self.min is not None):
            raise ValueError(f"{self.measure} is limited by 'max' alone")
        if self.measure not in RATES and (self.min is None or self.max is not None):
            raise ValueError(f"{self.measure} is limited by 'min' alone")
        return self


class Criteria(SchemaOne):
    """A document of acceptance criteria."""

    title: str = ""
    criterion: Annotated[list[Criterion], Field(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One criterion with its verdict and the figures behind it.

    Parameters
    ----------
    measure : str
    limit : str
        In words, with the confidence.
    measured : str
        Counts and bound, in words.
    verdict : Verdict
    because : str
    """

    measure: str
    limit: str
    measured: str
    verdict: Verdict
    because: str

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {name: str(getattr(self, name)) for name in self.__slots__}


def read_criteria(path: str | Path) -> Criteria:
    """Read acceptance criteria from TOML; all faults in one message.

    Raises
    ------
    ParameterError
        If the file is no TOML, or a key is unknown, missing or wrong.
    """
    text = read_text(path, "acceptance criteria in TOML", ParameterError)
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise ParameterError(f"{path}: not valid TOML: {fault}.") from None
    return check(Criteria, values, str(path), ParameterError)


def judge(
    criteria: Criteria,
    score: Score,
    margin: Margin | None,
    dependence: Dependence | None,
    reserves: Mapping[str, float | None] | None = None,
) -> list[Judged]:
    """Say of every criterion whether it is met, not met, or cannot be decided by these data.

    A rate is met if its one-sided upper bound lies within the limit, not met if its one-sided lower
    bound lies beyond it, and undecided in between. Self-labelled truth decides no rate.
    """
    return [_judge(c, score, margin, dependence, reserves or {}) for c in criteria.criterion]


def overall(judged: Sequence[Judged]) -> Verdict:
    """Return the verdict on all criteria: one that fails fails them all, one that is open leaves them open."""
    found = {item.verdict for item in judged}
    for verdict in (Verdict.NOT_MET, Verdict.NOT_ENOUGH):
        if verdict in found:
            return verdict
    return Verdict.MET


def _judge(
    c: Criterion,
    score: Score,
    margin: Margin | None,
    dependence: Dependence | None,
    reserves: Mapping[str, float | None],
) -> Judged:
    if c.measure in RATES:
        return _judge_rate(c, score, dependence)
    limit = f"at least {c.min:g}"
    if c.measure.endswith("_reserve"):
        value = reserves.get(c.measure)
        if value is None and c.measure in reserves:
            why = "the unstressed recording already holds a fault"
            return _judged(c, limit, "none", Verdict.NOT_MET, why)
    else:
        value = _number(c.measure, score, margin, dependence)
    if value is None or c.min is None:
        return _judged(
            c, limit, "nothing to measure", Verdict.NOT_ENOUGH, "the recording holds nothing to measure it by"
        )
    verdict = Verdict.MET if value >= c.min else Verdict.NOT_MET
    if c.measure in {"passes", "lots"} and verdict is Verdict.NOT_MET:
        verdict = Verdict.NOT_ENOUGH
    return _judged(c, limit, f"{value:.4g}", verdict, "the value itself is compared")


def _number(measure: str, score: Score, margin: Margin | None, dependence: Dependence | None) -> float | None:
    if measure == "passes":
        return score.counts.scored_passes
    if measure == "lots":
        return dependence.lots if dependence is not None and dependence.source == "lots" else len(score.by_lot)
    if margin is None:
        return None
    return {
        "margin_to_noise": margin.to_noise,
        "population": margin.population.smallest,
        "excess_gain": margin.excess_gain.smallest,
        "hysteresis_to_noise": margin.hysteresis_to_noise,
    }[measure]


def _judge_rate(c: Criterion, score: Score, dependence: Dependence | None) -> Judged:
    rate, two_sided = getattr(score, c.measure), 2 * c.confidence - 1
    most = c.max or 0.0
    if isinstance(rate, CountRate):
        low = count(rate.events, rate.exposure, two_sided).low
        upper = count(rate.events, rate.exposure, c.confidence).upper
        counts, basis = f"{rate.events} in {rate.exposure:.4g} {rate.per}", "independent events in time"
        limit = f"at most {most:g} per {rate.per} at {100 * c.confidence:g} % confidence"
    else:
        effect, basis = 1.0, "independent passes"
        if c.measure == "lost_rate" and c.dependence != "independent" and dependence is not None:
            if c.dependence == "proxy" and dependence.by_proxy is not None:
                dependence = dependence.by_proxy
            effect = dependence.design_effect
            basis = f"design effect {effect:.3g} from {dependence.basis}"
        if rate.trials:
            low = effective_limits(rate.events / effect, rate.trials / effect, two_sided)[0]
            upper = effective_limits(rate.events / effect, rate.trials / effect, c.confidence)[2]
        else:
            low, upper = proportion(0, 0).low, 1.0
        counts = f"{rate.events} of {rate.trials}"
        limit = f"at most {100 * most:g} % at {100 * c.confidence:g} % confidence"
    said = f"{counts}; one-sided bounds {low:.4g} and {upper:.4g} ({basis})"
    if score.self_labelled:
        return _judged(c, limit, said, Verdict.NOT_ENOUGH, "the passes are self-labelled: they support no claim")
    if upper <= most:
        return _judged(c, limit, said, Verdict.MET, "the upper bound lies within the limit")
    if low > most:
        return _judged(c, limit, said, Verdict.NOT_MET, "even the lower bound lies beyond the limit")
    return _judged(c, limit, said, Verdict.NOT_ENOUGH, "the bounds lie on both sides of the limit: record more passes")


def _judged(c: Criterion, limit: str, measured: str, verdict: Verdict, because: str) -> Judged:
    return Judged(measure=c.measure, limit=limit, measured=measured, verdict=verdict, because=because)
