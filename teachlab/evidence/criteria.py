"""Acceptance criteria, fixed before the run, and what the data show about each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal, get_args

import numpy as np
from pydantic import Field, model_validator

from teachlab.data.atomic_files import read_text
from teachlab.data.strict_json import SchemaOne, StrictModel, check, parse_toml
from teachlab.errors import ParameterError
from teachlab.evidence.sections.margin_criteria import judged_kept
from teachlab.evidence.sections.position_criteria import POSITIONS, judged_position
from teachlab.model.json_values import Document
from teachlab.model.margin import Margin
from teachlab.model.printable_text import cut, in_figures, number_of
from teachlab.model.score import LOST, CountRate, Outcome, Score
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring.by_lot import false_trips_by_lot, onsets_by_lot
from teachlab.scoring.claimable import Claimable, OpenCondition
from teachlab.scoring.claims import gaps_claim, losses_claim, lot_counts, too_few_lots_text, trips_claim
from teachlab.scoring.clearance import worst_by_unit
from teachlab.scoring.switching_position import SwitchingPosition
from teachlab.statistics.bursts import Bursts
from teachlab.statistics.claims.lot_claims import CLAIM_LOTS, INDEPENDENT, NOTHING, Assumption, LotClaim, lots_needed
from teachlab.statistics.intervals import count, count_limits
from teachlab.statistics.lots import Source
from teachlab.statistics.planning import plan_passes

_Rate = Literal[
    "lost_rate",
    "miss_rate",
    "merged_rate",
    "false_trips_per_gap",
    "lots_with_trips",
    "false_trips_per_gap_hour",
    "false_trips_per_running_hour",
    "ignore_trips_per_pass",
    "extra_per_pass",
]
RATES: tuple[str, ...] = get_args(_Rate)
MARGINS, RESERVES = ("margin_to_noise", "population", "excess_gain"), ("contamination_reserve", "ambient_reserve")
KEPT = (*MARGINS, *RESERVES)
"""Measures of which every lot has its own value."""
COUNTS = ("false_trips_per_gap_hour", "false_trips_per_running_hour", "ignore_trips_per_pass", "extra_per_pass")
"""Measures that are counts per exposure, whose events may come in bursts."""
SMALLEST = 1e-6
"""Smaller shares are told as below it: a recording that shows less would be longer than any."""
SYNTHETIC = "the light is synthetic: a rehearsal, no evidence about a real line; report --rehearsal judges it as one"


class Judgement(StrEnum):
    """What the data show about a criterion."""

    MET = "met"
    NOT_MET = "not met"
    NOT_ENOUGH = "not enough evidence"


class Criterion(StrictModel):
    """One limit: a rate that must not be exceeded, or a margin or number that must be reached.

    `assume` and `icc` state what the bound of a rate assumes beyond independent lots; by default, what the document
    states. ``assume = "lots"``, the default: nothing more. ``assume = "independent"``: all passes are independent.
    ``icc = 0.05``: the outcomes of one lot correlate by at most 0.05.

    A count per time or per pass needs events in at least two of five named lots. With an assumption stated, events are
    taken as independent.

    Every recorded lot, and at least five lots, must keep a margin or a reserve. ``content = 0.9`` asks instead that 90
    % of future lots keep it, at the confidence. With ``assume = "independent"`` it goes by passes: 99 % of them, unless
    stated otherwise.
    """

    measure: Literal[
        _Rate,
        "onset_spread_ms",
        "onset_spread_mm",
        "release_spread_ms",
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
    assume: Literal["lots", "independent"] | None = None
    icc: Annotated[float, Field(ge=0, le=1)] | None = None
    content: Annotated[float, Field(gt=0, lt=1)] | None = None

    @model_validator(mode="after")
    def _one_limit(self) -> Criterion:
        limited_above = (*RATES, *POSITIONS)
        if self.measure in limited_above and (self.max is None or self.min is not None):
            raise ValueError(f"{self.measure} is limited by 'max' alone")
        if self.measure not in limited_above and (self.min is None or self.max is not None):
            raise ValueError(f"{self.measure} is limited by 'min' alone")
        if self.content is not None and self.measure not in KEPT:
            raise ValueError(f"'content' is a share of lots that keep a margin or a reserve, not of {self.measure}")
        return self


class Criteria(SchemaOne):
    """A document of acceptance criteria; `assume` and `icc` hold for every criterion that does not state its own."""

    title: str = ""
    assume: Literal["lots", "independent"] | None = None
    icc: Annotated[float, Field(ge=0, le=1)] | None = None
    criterion: Annotated[list[Criterion], Field(min_length=1)]

    @property
    def assumption(self) -> Assumption:
        """The assumption of the document."""
        return stated_assumption(self.assume, self.icc) or NOTHING


def stated_assumption(assume: str | None, icc: float | None) -> Assumption | None:
    """Return the assumption that a criterion, or a document, states; None if it states none."""
    if icc is not None:
        return Assumption(icc)
    return None if assume is None else INDEPENDENT if assume == "independent" else NOTHING


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged(Document):
    """One criterion with its verdict and the figures that lead to it.

    `limit`: in words, with the confidence.
    `measured`: counts and bound, in words.
    """

    measure: str
    limit: str
    measured: str
    verdict: Judgement
    because: str


def read_criteria(path: str | Path) -> Criteria:
    """Read acceptance criteria from TOML; all faults are in one message.

    Raises ParameterError if the file is no TOML, or a key is unknown, missing or wrong.
    """
    text = read_text(path, "acceptance criteria in TOML", ParameterError)
    values = parse_toml(text, str(path), ParameterError)
    if "criterion" not in values:
        raise ParameterError(
            f"{path}: there is no limit. The file needs schema = 1 and, for each limit, a table such as [[criterion]] "
            'with measure = "lost_rate" and max = 0.05. More: teachlab guide sign'
        )
    return check(Criteria, values, str(path), ParameterError)


def judge(
    criteria: Criteria,
    result: Score,
    margin: Margin | None,
    truth: Truth,
    found: Claimable,
    *,
    reserves: Mapping[str, float | None] | None = None,
    position: SwitchingPosition | None = None,
    setting: Setting | None = None,
    dark_level: float = 0.0,
    rehearsal: bool = False,
) -> list[Judged]:
    """Say for every criterion whether it is met, not met, or cannot be decided with these data.

    A rate is met if its one-sided upper bound by lots lies within the limit, not met if its one-sided lower bound lies
    beyond it, and undecided in between. A margin or a reserve is judged by its lower tolerance limit over lots. No
    criterion is met on evidence that could not have failed it: `found` names the open conditions. With synthetic light,
    a criterion can be met in a rehearsal only.

    `found`: the trials that may support a claim, and the open conditions.
    `setting`: a setting of fixed levels, together with `margin`: for what every lot keeps.
    `dark_level`: recording units.
    `rehearsal`: whether synthetic light is judged as if it were real; the result then says so.
    """
    case = _Case(criteria, result, margin, truth, found, reserves or {}, position, setting, dark_level)
    return [_guarded(_judge(c, case), found, rehearsal=rehearsal) for c in criteria.criterion]


@dataclass(frozen=True, slots=True)
class _Case:
    """The data on which the criteria of one record are judged."""

    criteria: Criteria
    result: Score
    margin: Margin | None
    truth: Truth
    found: Claimable
    reserves: Mapping[str, float | None]
    position: SwitchingPosition | None
    setting: Setting | None
    dark_level: float

    def assumption(self, c: Criterion) -> Assumption:
        """Return the assumption of a criterion: its own statement, or that of the document."""
        return stated_assumption(c.assume, c.icc) or self.criteria.assumption


def overall(judged: Sequence[Judged]) -> Judgement:
    """Return the verdict on all criteria: not met if one is not met, otherwise undecided if one is undecided."""
    found = {item.verdict for item in judged}
    for verdict in (Judgement.NOT_MET, Judgement.NOT_ENOUGH):
        if verdict in found:
            return verdict
    return Judgement.MET


def _guarded(judged: Judged, found: Claimable, *, rehearsal: bool) -> Judged:
    """Withdraw a "met" that the evidence could not have contradicted."""
    decisive = (OpenCondition.SELF_LABELLED, OpenCondition.COPIES, OpenCondition.ELSEWHERE)
    blocking = [
        text for why, text in found.conditions.items() if judged.verdict is not Judgement.NOT_MET or why in decisive
    ]
    if blocking:
        why = blocking[0]
        return replace(judged, verdict=Judgement.NOT_ENOUGH, because=f"{why[:1].lower()}{why[1:]}".rstrip("."))
    if judged.verdict is Judgement.MET and found.synthetic:
        if not rehearsal:
            return replace(judged, verdict=Judgement.NOT_ENOUGH, because=SYNTHETIC)
        return replace(judged, because=f"rehearsal: would be met; {judged.because}")
    return judged


def _judge(c: Criterion, case: _Case) -> Judged:
    if c.measure in RATES:
        return _judge_rate(c, case)
    if c.measure in POSITIONS:
        limit, measured, judgement, because = judged_position(
            c.measure, c.max or 0.0, case.position, confidence=c.confidence,
            by_lots=case.assumption(c) != INDEPENDENT, least_lots=CLAIM_LOTS,
        )  # fmt: skip
        return _judged(c, limit, measured, Judgement(judgement), because)
    limit = f"at least {c.min:g}"
    if c.measure in MARGINS:
        return _judge_kept(c, case, limit)
    if c.measure in RESERVES:
        value = case.reserves.get(c.measure)
        if c.measure == "contamination_reserve" and case.reserves.get("share_of_light_refused"):
            why = "light lies below the dark level, so a share of it means nothing: import with --dark-level"
            return _judged(c, limit, "nothing to measure", Judgement.NOT_ENOUGH, why)
        if value is None and c.measure in case.reserves:
            why = "the unstressed recording already holds a fault"
            return _judged(c, limit, "none", Judgement.NOT_MET, why)
        if value is not None:
            return _judge_kept(c, case, limit, reserve=value)
    else:
        value = _number(c.measure, case)
    if value is None or c.min is None:
        why = "the recording holds nothing to measure it by"
        return _judged(c, limit, "nothing to measure", Judgement.NOT_ENOUGH, why)
    verdict = Judgement.MET if value >= c.min else Judgement.NOT_MET
    if c.measure in {"passes", "lots"} and verdict is Judgement.NOT_MET:
        return _judged(
            c, limit, in_figures(value, 9), Judgement.NOT_ENOUGH, f"record {in_figures(c.min - value, 9)} more"
        )
    why = "of the whole recording" if c.measure == "hysteresis_to_noise" else "counted"
    # A number that is not reached must not look as if it were.
    return _judged(c, limit, in_figures(cut(value, 9, up=value < 0)), verdict, why)


def _judge_kept(c: Criterion, case: _Case, limit: str, *, reserve: float | None = None) -> Judged:
    """Judge a margin by the worst value of every lot. The reserve of a block is already the smallest of its lots."""
    least, by_lots = c.min or 0.0, case.assumption(c) != INDEPENDENT
    trials = case.found.trials
    counts = lot_counts(case.truth, trials)
    if c.content is not None:
        limit += f", by {100 * c.content:g} % of {'lots' if by_lots else 'passes'}"
    limit += f" at {100 * c.confidence:g} % confidence"
    if reserve is not None:
        kept = np.full(counts.named_lots if by_lots else int(counts.passes.sum()), reserve)
    elif case.margin is None or case.setting is None:
        kept = np.empty(0)
    else:
        kept = worst_by_unit(
            c.measure, case.truth, case.setting, case.margin, trials, dark_level=case.dark_level, lots=by_lots
        )
    if reserve is not None and reserve < least:
        return _judged(
            c, limit, in_figures(cut(reserve, 4)), Judgement.NOT_MET, "the light that was recorded leaves less"
        )
    if by_lots and counts.source is not Source.LOTS and (not kept.size or kept.min() >= least):
        few = too_few_lots_text(counts, case.truth)
        why = f'{few}, {CLAIM_LOTS} are needed; or state in the criteria assume = "independent"'
        value = reserve if reserve is not None else kept.min(initial=np.inf)
        said = in_figures(cut(value, 4, up=value < 0)) if np.isfinite(value) else "nothing to measure"
        return _judged(c, limit, said, Judgement.NOT_ENOUGH, why)
    measured, judgement, because = judged_kept(least, kept, lots=by_lots, content=c.content, confidence=c.confidence)
    return _judged(c, limit, measured, Judgement(judgement), because)


def _number(measure: str, case: _Case) -> float | None:
    if measure in {"passes", "lots"}:
        counts = lot_counts(case.truth, case.found.trials)
        return int(counts.passes.sum()) if measure == "passes" else counts.named_lots
    return None if case.margin is None else case.margin.hysteresis_to_noise


def _judge_rate(c: Criterion, case: _Case) -> Judged:
    assumption, most = case.assumption(c), c.max or 0.0
    if c.measure in COUNTS:
        return _judge_count(c, case, assumption)
    trials = case.found.trials
    events = {"miss_rate": (Outcome.MISS,), "merged_rate": (Outcome.MERGED,)}.get(c.measure, LOST)
    counts = lot_counts(case.truth, trials, events)
    if c.measure == "false_trips_per_gap":
        claim = gaps_claim(counts, confidence=c.confidence, assumption=assumption)
    elif c.measure == "lots_with_trips":
        claim = trips_claim(counts, confidence=c.confidence)
    else:
        claim = losses_claim(counts, confidence=c.confidence, assumption=assumption, beside=())
    limit = f"at most {100 * most:g} % at {100 * c.confidence:g} % confidence"
    basis = assumption.condition or f"mean of {claim.lots} {claim.source.units[1]}"
    said = (
        f"{claim.events} of {claim.trials}; one-sided bounds {_percent(claim.low)} and {_percent(claim.upper)} "
        f"({basis})"
    )
    if not claim.trials:
        return _judged(c, limit, said, Judgement.NOT_ENOUGH, "nothing was scored to measure it by")
    if claim.low > most:
        return _judged(c, limit, said, Judgement.NOT_MET, "even the lower bound lies beyond the limit")
    # Whether the claim goes beyond the recording: named lots, or an assumption instead of them.
    if not (claim.claims or (c.measure == "lots_with_trips" and claim.source is Source.LOTS)):
        few = too_few_lots_text(counts, case.truth)
        why = f"{few}, {CLAIM_LOTS} are needed; or state in the criteria what is assumed: assume, or icc"
        return _judged(c, limit, said, Judgement.NOT_ENOUGH, why)
    if claim.upper <= most:
        why = "the upper bound lies within the limit" + (f", {assumption.condition}" if assumption.condition else "")
        return _judged(c, limit, said, Judgement.MET, why)
    why = f"the bounds lie on both sides of the limit: {_more(claim, most)}"
    return _judged(c, limit, said, Judgement.NOT_ENOUGH, why)


def _more(claim: LotClaim, most: float) -> str:
    """Return how many more lots, and under the assumption how many passes, would show the limit if no more are lost."""
    lots = lots_needed(most, claim.confidence, lost_lots=(claim.mean or 0.0) * claim.lots)
    passes = plan_passes(most, claim.confidence, events=claim.events).passes
    more = max(1, lots - claim.lots)
    text = f"record {more:,} more {'lot' if more == 1 else 'lots'} without a further error"
    if passes <= claim.trials:
        return text + '; the passes recorded are enough only where they are independent (assume = "independent")'
    return text + f', or {passes:,} passes in all where they are independent (assume = "independent")'


def _judge_count(c: Criterion, case: _Case, assumption: Assumption) -> Judged:
    rate, bursts = _count_of(c, case)
    most = c.max or 0.0
    limit = f"at most {most:g} per {rate.per} at {100 * c.confidence:g} % confidence"
    effect, basis, assumed = 1.0, "one by one", ""
    refused = ""
    if assumption.icc is not None:
        assumed = ", if they come one by one"
    elif bursts is None or bursts.lots_with_events < 2 or bursts.design_effect is None:
        refused = (
            "fewer than two lots hold one, so that bursts have no known size: limit lots_with_trips instead, or state "
            "in the criteria what is assumed"
        )
    elif bursts.source is not Source.LOTS or bursts.lots < CLAIM_LOTS:
        refused = f"{CLAIM_LOTS} lots are needed: name that of every pass, or state in the criteria what is assumed"
    else:
        effect, basis = bursts.design_effect, f"design effect {bursts.design_effect:.3g} from {bursts.basis}"
    if not rate.exposure:
        said = f"{rate.events} in no {rate.per}"
        return _judged(c, limit, said, Judgement.NOT_ENOUGH, "nothing was scored to measure it by")
    events, exposure = rate.events / effect, rate.exposure / effect
    low = count_limits(events, exposure, 2 * c.confidence - 1)[0]
    upper = count_limits(events, exposure, c.confidence)[2]
    told = number_of(rate.exposure, rate.per, spec=".4g")
    said = f"{rate.events} in {told}; one-sided bounds {in_figures(low, 3)} and {in_figures(upper, 3)} ({basis})"
    if refused:
        return _judged(c, limit, said, Judgement.NOT_ENOUGH, refused)
    if low > most:
        return _judged(c, limit, said, Judgement.NOT_MET, "even the lower bound lies beyond the limit")
    if upper <= most:
        return _judged(c, limit, said, Judgement.MET, f"the upper bound lies within the limit{assumed}")
    return _judged(c, limit, said, Judgement.NOT_ENOUGH, "the bounds lie on both sides of the limit: record longer")


def _count_of(c: Criterion, case: _Case) -> tuple[CountRate, Bursts | None]:
    """Return a count on the trials that may support a claim, with its spread between lots."""
    rate: CountRate = getattr(case.result, c.measure)
    truth, trials = case.truth, case.found.trials
    counts = lot_counts(truth, trials)
    if c.measure in {"extra_per_pass", "ignore_trips_per_pass"}:
        ignored = c.measure == "ignore_trips_per_pass"
        spread = onsets_by_lot(truth, trials, ignored=ignored, per=rate.per, confidence=c.confidence)
        of = case.found.ignore_passes if ignored else int(counts.passes.sum())
        events = int((counts.ignore_trips if ignored else counts.extra).sum())
        return count(events, float(of), c.confidence, per=rate.per), spread
    scored = int(np.count_nonzero(case.result.trials.gaps != Outcome.EXCLUDED))
    kept = int(np.count_nonzero(trials.gaps != Outcome.EXCLUDED))
    # Gaps that were shown while teaching are removed together with their time.
    hours = rate.exposure * kept / scored if scored else 0.0
    spread = false_trips_by_lot(truth, trials, hours, per=rate.per, confidence=c.confidence)
    return count(int(counts.trips.sum()), hours, c.confidence, per=rate.per), spread


def _judged(c: Criterion, limit: str, measured: str, verdict: Judgement, because: str) -> Judged:
    return Judged(measure=c.measure, limit=limit, measured=measured, verdict=verdict, because=because)


def _percent(share: float) -> str:
    return f"below {100 * SMALLEST:g} %" if 0 < share < SMALLEST else f"{100 * share:.3g} %"
