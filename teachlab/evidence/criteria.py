"""Acceptance criteria, fixed before the run, and what the data say about each."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from teachlab.data.atomic_files import read_text
from teachlab.data.strict_json import SchemaOne, StrictModel, check
from teachlab.errors import ParameterError
from teachlab.evidence.position_criteria import POSITIONS, judged_position
from teachlab.model.json_values import Document
from teachlab.model.score import CountRate, Rate, Score
from teachlab.scoring.switching_position import SwitchingPosition
from teachlab.statistics.bursts import Bursts, count_limits
from teachlab.statistics.intervals import proportion_limits
from teachlab.statistics.lots import ASSUMED_ICC, Dependence, Source

if TYPE_CHECKING:
    from teachlab.model.margin import Margin

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
OF_PASSES = ("lost_rate", "miss_rate", "merged_rate")
"""Rates that are not decided where it cannot be told how passes resemble one another."""
SELF_LABELLED = "the passes are self-labelled: they support no claim"
LEAST_LOTS = 5
"""With fewer named lots no rate that allows for them is decided."""


class Judgement(StrEnum):
    """What the data say about a criterion."""

    MET = "met"
    NOT_MET = "not met"
    NOT_ENOUGH = "not enough evidence"


class Criterion(StrictModel):
    """One limit: a rate that must not be exceeded, or a margin or number that must be reached.

    `dependence` says how rates allow for passes and gaps that resemble one another, and for events in bursts:

    - ``proxy``: as measured between lots, but at least for the intra-lot correlation `icc` that the document of
      criteria assumes, since no measured spread shows a rare bad lot that was not among those recorded; where fewer
      than two lots hold an event, also for the weakest passes and for the events seen;
    - ``measured``: as measured between lots, naive of rare bad lots; where fewer than two lots hold an event, every
      lot counts as one trial;
    - ``independent``: not at all.

    Counts per time and per pass have no such assumption, as bursts have no largest size: ``proxy`` takes them as
    measured where two lots hold an event, else as coming one by one, and says so; ``measured`` decides nothing there.
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
        "onset_spread_ms",
        "onset_spread_mm",
        "release_spread_ms",
        "passes",
        "lots",
    ]
    max: Annotated[float, Field(gt=0)] | None = None
    min: float | None = None
    confidence: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    dependence: Literal["measured", "proxy", "independent"] = "proxy"

    @model_validator(mode="after")
    def _one_limit(self) -> Criterion:
        limited_above = (*RATES, *POSITIONS)
        if self.measure in limited_above and (self.max is None or self.min is not None):
            raise ValueError(f"{self.measure} is limited by 'max' alone")
        if self.measure not in limited_above and (self.min is None or self.max is not None):
            raise ValueError(f"{self.measure} is limited by 'min' alone")
        return self


class Criteria(SchemaOne):
    """A document of acceptance criteria.

    `icc` is the intra-lot correlation of losses that ``dependence = "proxy"`` assumes at least.
    """

    title: str = ""
    icc: Annotated[float, Field(ge=0, le=1)] = ASSUMED_ICC
    criterion: Annotated[list[Criterion], Field(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged(Document):
    """One criterion with its verdict and the figures behind it.

    Parameters
    ----------
    measure : str
    limit : str
        In words, with the confidence.
    measured : str
        Counts and bound, in words.
    verdict : Judgement
    because : str
    """

    measure: str
    limit: str
    measured: str
    verdict: Judgement
    because: str


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
    except (ValueError, RecursionError) as fault:  # also of an integer with too many digits, and of deep nesting
        raise ParameterError(f"{path}: not valid TOML: {fault}.") from None
    return check(Criteria, values, str(path), ParameterError)


def judge(
    criteria: Criteria,
    score: Score,
    margin: Margin | None,
    dependence: Mapping[str, Dependence | Bursts | None],
    reserves: Mapping[str, float | None] | None = None,
    position: SwitchingPosition | None = None,
) -> list[Judged]:
    """Say of every criterion whether it is met, not met, or cannot be decided by these data.

    A rate is met if its one-sided upper bound lies within the limit, not met if its one-sided lower
    bound lies beyond it, and undecided in between. Self-labelled truth decides nothing, and fewer than
    five named lots no rate that allows for lots.

    Parameters
    ----------
    criteria : Criteria
    score : Score
    margin : Margin, optional
    dependence : mapping of str to Dependence, Bursts or None
        For each rate, how far its trials resemble one another; None where that cannot be known.
    reserves : mapping of str to float or None, optional
    position : SwitchingPosition, optional
    """
    return [
        _judge_position(c, score, position)
        if c.measure in POSITIONS
        else _judge(c, score, margin, dependence, reserves or {})
        for c in criteria.criterion
    ]


def overall(judged: Sequence[Judged]) -> Judgement:
    """Return the verdict on all criteria: one that fails fails them all, one that is open leaves them open."""
    found = {item.verdict for item in judged}
    for verdict in (Judgement.NOT_MET, Judgement.NOT_ENOUGH):
        if verdict in found:
            return verdict
    return Judgement.MET


def _judge_position(c: Criterion, score: Score, position: SwitchingPosition | None) -> Judged:
    limit, measured, verdict, because = judged_position(
        c.measure, c.max or 0.0, position, confidence=c.confidence, by_lots=c.dependence != "independent",
        least_lots=LEAST_LOTS,
    )  # fmt: skip
    if score.self_labelled:
        return _judged(c, limit, measured, Judgement.NOT_ENOUGH, SELF_LABELLED)
    return _judged(c, limit, measured, Judgement(verdict), because)


def _judge(
    c: Criterion,
    score: Score,
    margin: Margin | None,
    dependence: Mapping[str, Dependence | Bursts | None],
    reserves: Mapping[str, float | None],
) -> Judged:
    if c.measure not in RATES and score.self_labelled:
        return _judged(c, f"at least {c.min:g}", "not judged", Judgement.NOT_ENOUGH, SELF_LABELLED)
    if c.measure in RATES:
        return _judge_rate(c, score, dependence.get(c.measure))
    limit = f"at least {c.min:g}"
    if c.measure.endswith("_reserve"):
        value = reserves.get(c.measure)
        if c.measure == "contamination_reserve" and reserves.get("share_of_light_refused"):
            why = "light lies below the dark level, so a share of it means nothing: import with --dark-level"
            return _judged(c, limit, "nothing to measure", Judgement.NOT_ENOUGH, why)
        if value is None and c.measure in reserves:
            why = "the unstressed recording already holds a fault"
            return _judged(c, limit, "none", Judgement.NOT_MET, why)
    else:
        value = _number(c.measure, score, margin, dependence.get("lost_rate"))
    if value is None or c.min is None:
        return _judged(
            c, limit, "nothing to measure", Judgement.NOT_ENOUGH, "the recording holds nothing to measure it by"
        )
    verdict = Judgement.MET if value >= c.min else Judgement.NOT_MET
    if c.measure in {"passes", "lots"} and verdict is Judgement.NOT_MET:
        verdict = Judgement.NOT_ENOUGH
    return _judged(c, limit, f"{value:.4g}", verdict, "the value itself is compared")


def _number(measure: str, score: Score, margin: Margin | None, dependence: Dependence | Bursts | None) -> float | None:
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


def _judge_rate(c: Criterion, score: Score, dependence: Dependence | Bursts | None) -> Judged:
    rate, most = getattr(score, c.measure), c.max or 0.0
    if isinstance(rate, CountRate):
        bounds = _bounds_of_count(c, rate, dependence if isinstance(dependence, Bursts) else None)
        counts = f"{rate.events} in {rate.exposure:.4g} {rate.per}"
        limit = f"at most {most:g} per {rate.per} at {100 * c.confidence:g} % confidence"
        bounds_said = f"{bounds.low:.3g} and {bounds.upper:.3g} per {rate.per}"
    else:
        bounds = _bounds_of_share(c, rate, dependence if isinstance(dependence, Dependence) else None)
        counts = f"{rate.events} of {rate.trials}"
        limit = f"at most {100 * most:g} % at {100 * c.confidence:g} % confidence"
        bounds_said = f"{100 * bounds.low:.3g} % and {100 * bounds.upper:.3g} %"
    said = f"{counts}; one-sided bounds {bounds_said} ({bounds.basis})"
    if score.self_labelled:
        return _judged(c, limit, said, Judgement.NOT_ENOUGH, SELF_LABELLED)
    if bounds.refused:
        return _judged(c, limit, said, Judgement.NOT_ENOUGH, bounds.refused)
    if bounds.upper <= most:
        why = "the upper bound lies within the limit" + (f", if {bounds.assumes}" if bounds.assumes else "")
        return _judged(c, limit, said, Judgement.MET, why)
    if bounds.low > most:
        return _judged(c, limit, said, Judgement.NOT_MET, "even the lower bound lies beyond the limit")
    return _judged(
        c, limit, said, Judgement.NOT_ENOUGH, "the bounds lie on both sides of the limit: record more passes"
    )


@dataclass(frozen=True, slots=True)
class _Bounds:
    """One-sided bounds of a rate, what they rest on and assume, and why they may decide nothing."""

    low: float
    upper: float
    basis: str
    assumes: str = ""
    refused: str = ""


def _bounds_of_share(c: Criterion, rate: Rate, dependence: Dependence | None) -> _Bounds:
    effect, basis, assumes, refused = 1.0, "taken as independent", "", ""
    if c.dependence != "independent":
        if dependence is None:
            refused = "too few passes to tell how they resemble one another" if c.measure in OF_PASSES else ""
        else:
            refused = _few(dependence)
            if c.dependence == "proxy" and dependence.by_proxy is not None:
                dependence = dependence.by_proxy
                of = "trips" if c.measure == "false_trips_per_gap" else "losses"
                assumes = f"{of} of one lot correlate by at most {dependence.assumed_icc:g}"
            effect = dependence.design_effect
            basis = f"design effect {effect:.3g} from {dependence.basis}"
    if not rate.trials:
        return _Bounds(0.0, 1.0, basis, assumes, refused or "nothing was scored to measure it by")
    events, trials = rate.events / effect, rate.trials / effect
    low = proportion_limits(events, trials, 2 * c.confidence - 1)[0]
    return _Bounds(low, proportion_limits(events, trials, c.confidence)[2], basis, assumes, refused)


def _bounds_of_count(c: Criterion, rate: CountRate, bursts: Bursts | None) -> _Bounds:
    basis, assumes, refused, effect = "events taken as independent in time", "", "", 1.0
    if c.dependence != "independent":
        if bursts is not None and bursts.design_effect is not None:
            effect, refused = bursts.design_effect, _few(bursts)
            basis = f"design effect {effect:.3g} from {bursts.basis}"
        else:
            assumes = "events come one by one: too few lots hold one to tell"
            refused = "too few lots hold an event to tell how events cluster" if c.dependence == "measured" else ""
    if not rate.exposure:
        return _Bounds(0.0, math.inf, basis, assumes, refused or "nothing was scored to measure it by")
    events, exposure = rate.events / effect, rate.exposure / effect
    low = count_limits(events, exposure, 2 * c.confidence - 1)[0]
    return _Bounds(low, count_limits(events, exposure, c.confidence)[2], basis, assumes, refused)


def _few(found: Dependence | Bursts) -> str:
    """Say why nothing is decided with so few named lots; nothing where there are enough."""
    if found.source is not Source.LOTS or found.lots >= LEAST_LOTS:
        return ""
    return f"only {found.lots} lots, {LEAST_LOTS} are needed: record from more lots"


def _judged(c: Criterion, limit: str, measured: str, verdict: Judgement, because: str) -> Judged:
    return Judged(measure=c.measure, limit=limit, measured=measured, verdict=verdict, because=because)
