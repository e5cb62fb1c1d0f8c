"""What the rows of a study say: a ranking per line and over lines, the costliest line, the effect of each parameter."""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.data.recording_places import telling_names
from teachlab.errors import Abstained
from teachlab.model.draws import Costs
from teachlab.model.json_values import Document, picked, plain
from teachlab.model.printable_text import number_of
from teachlab.model.verdict import Verdict, VerdictReason
from teachlab.statistics.claims.orders import Order, orders
from teachlab.statistics.lots import Source
from teachlab.statistics.variance_components import Components, variance_components
from teachlab.studies.family.family_criteria import judged_study
from teachlab.studies.family.family_verdict import FamilyJudge, LineVerdict, supports
from teachlab.studies.family.row_judgement import RowJudgement, in_order_of_choice
from teachlab.studies.family.row_store import NESTED, RowTable
from teachlab.teaching.parameters import describe
from teachlab.teaching.registry import RECOMMENDED

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    from teachlab.evidence.criteria import Judged
    from teachlab.studies.family.study_grid import Row, StudiedLine, StudyGrid

SCHEMA = 1
Method = tuple[str, str, str]
"""Strategy, its parameters as JSON, and the name of the base setting."""
CONDITION = "condition"
"""Kind of the groups by light."""
MOST_STARTS = 12
"""Digits to which costs count as equal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedMethod(Document):
    """One way to teach over all lines.

    `varied`: parameters that the grid gives.
    `label`: strategy and the parameters that are varied, with the base where there are several.
    `cost`: mean over the lines of the median cost per pass; None if it gives a setting in half of the draws on none of
    them.
    `chosen_cost`, `chosen_p95`: the same on the choosing halves, and of the 95 % quantile over the draws there: the
    basis of the choice.
    `claim_cost`: mean over the lines of the cost, on the claim halves, of the settings fixed there.
    `unranked`: lines on which it gives no setting in half of the draws.
    `worst`: the costliest recording; empty if none has a cost.
    `between_sd`, `within_sd`, `share_between`: spread of the cost between lines and between draws on one line, per
    pass, and the share of the first in the variance; None with one line.
    """

    strategy: str
    base: str
    parameters: Mapping[str, Any]
    varied: tuple[str, ...]
    label: str
    cost: float | None
    chosen_cost: float | None
    claim_cost: float | None
    unranked: int
    worst: str
    worst_cost: float | None
    between_sd: float | None
    within_sd: float | None
    share_between: float | None
    chosen_p95: float | None = None

    @property
    def method(self) -> Method:
        """Key of its rows of a line."""
        return self.strategy, json.dumps(dict(self.parameters), sort_keys=True), self.base


@dataclass(frozen=True, slots=True, kw_only=True)
class BestOfStrategy(Document):
    """The best configuration of one strategy over all lines, and its order before the next strategy.

    `equal`: number of other configurations of the strategy that cost the same.
    `order`: how sure it is, by recordings, that it costs less than the next one; None for the last, and before one that
    costs the same.
    """

    method: RankedMethod
    equal: int
    order: Order | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ParameterEffect(Document):
    """What one value of a parameter costs, over all lines and all other values.

    `cost`, `low`, `high`: mean over the lines, and the cheapest and costliest of them, per pass.
    `unranked`: rows in which it gave no setting in half of the draws.
    """

    strategy: str
    parameter: str
    value: Any
    cost: float | None
    low: float | None
    high: float | None
    lines: int
    unranked: int


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupCounts(Document):
    """Results of the recommended way of teaching in one lot, shift, sensor or condition, on the claim halves.

    `by`, `name`: kind of the group, and its name.
    """

    by: str
    name: str
    lines: int
    passes: int
    lost: int
    false: int
    errors_per_pass: float | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyAnswer:
    """What a study found.

    `table`: all rows, lists included.
    `lines`: for each recording, a verdict on the configuration that is best there.
    `ranking`: cheapest first over all lines.
    `judged`: what the recordings show about each stated criterion.
    `failed`: rows with draws that failed.
    `written`: whether rows, document and page were written.
    """

    table: pa.Table
    lines: Sequence[LineVerdict]
    ranking: Sequence[RankedMethod]
    strategies: Sequence[BestOfStrategy]
    effects: Sequence[ParameterEffect]
    groups: Sequence[GroupCounts]
    recommended: RankedMethod | None
    verdict: Verdict
    judged: Sequence[Judged] = ()
    failed: int = 0
    written: bool = False
    costs: Costs = field(default_factory=Costs)

    @property
    def counted(self) -> str:
        """What a cost per pass is called: errors, unless a lost pass or an unwanted switching costs another amount."""
        return "errors" if self.costs == Costs() else "cost"

    @property
    def faults(self) -> list[LineVerdict]:
        """Recordings that could not be studied."""
        return [one for one in self.lines if one.fault]

    def rows(self) -> list[dict[str, Any]]:
        """Return the tidy rows: one per recording and configuration, without lists."""
        flat = self.table.select([name for name in self.table.schema.names if name not in NESTED])
        rows: list[dict[str, Any]] = flat.to_pylist()
        return rows

    def as_dict(self, *, rows: bool = True) -> dict[str, Any]:
        """Return the plain JSON form; without rows, it is the document beside their store."""
        out = {
            "schema": SCHEMA,
            "verdict": self.verdict.as_dict(),
            **picked(self, "recommended", "strategies"),
            "recordings": plain(list(self.lines)),
            **picked(self, "ranking", "effects", "groups"),
            "criteria": plain(list(self.judged)),
        }
        return out | {"rows": plain(self.rows())} if rows else out


@dataclass(slots=True)
class _Line:
    """The rows of one recording by method: seeds side by side, as recorded."""

    name: str
    path: str
    by_method: dict[Method, list[Row]] = field(default_factory=dict)

    def cost(self, method: Method, column: str = "ranking_cost") -> float:
        """Return the mean over the seeds; infinite if one of them is unranked."""
        values = [row[column] for row in self.by_method.get(method, ())]
        if not values or any(value is None for value in values):
            return math.inf
        return float(np.mean(values))


def study_answer(
    table: pa.Table, columns: RowTable, grid: StudyGrid, lines: Sequence[StudiedLine], judge: FamilyJudge
) -> StudyAnswer:
    """Rank, choose and judge by the rows of a study."""
    labels = _labels(grid)
    told = dict(zip([line.path for line in lines], telling_names([line.path for line in lines]), strict=True))
    found: dict[str, _Line] = {line.path: _Line(told[line.path], line.path) for line in lines}
    faults: dict[str, str] = {}
    owner: dict[str, str] = {}
    every = table.to_pylist()
    for row in every:
        first = owner.setdefault(row["key"], row["path"])
        if row["strategy"] is None:
            faults[row["path"]] = row["reason"]
        elif first != row["path"]:
            # Two trials of a claim are two recordings, not one under two names.
            faults[row["path"]] = f"light and passes are those of {told[first]}, which counts once."
        elif row["condition"] == grid.conditions[0].name:
            method = row["strategy"], row["parameters"], row["base"]
            found[row["path"]].by_method.setdefault(method, []).append(row)
    studied = [one for one in found.values() if one.by_method]
    varied = {
        (one.strategy.name, json.dumps(one.parameters, sort_keys=True)): one.varied for one in grid.configurations
    }
    price = _Price(len(studied), judge.costs.miss)
    ranking = sorted((_ranked(m, labels[m], varied[m[:2]], studied, judge) for m in labels), key=price.order)
    if len(lines) > 1:
        chosen = _choice(ranking, price, grid)
    else:
        best = _best_here(next(iter(found.values())))
        chosen = next((one for one in ranking if one.method == best), None)
    strategies = _strategies(ranking, studied, judge, price, grid, "" if chosen is None else chosen.strategy)
    verdicts = [
        judge.line(
            one.name, one.path, one.by_method, labels, _best_here(one, None if chosen is None else chosen.method),
            faults.get(one.path, ""),
        )
        for one in found.values()
    ]  # fmt: skip
    members = [] if chosen is None else [one for one in studied if chosen.method in one.by_method]
    rows = [(one, one.by_method[chosen.method][0]) for one in members if chosen is not None]
    others = {one.name: {labels[m]: some[0] for m, some in one.by_method.items()} for one in studied}
    counted = [row for row in every if row["path"] not in faults]
    groups = [] if chosen is None else _groups(counted, chosen.method, grid, columns)
    failed = [row for row in counted if row["failed"]]
    silent = failed or [row for row in counted if chosen is None and row["abstained"]]
    stressed = [one for one in groups if one.by == CONDITION and one.name != grid.conditions[0].name]
    verdict = judge.family(chosen, rows, others, verdicts, stressed, failed=bool(failed))
    if because := _untaught(silent, labels, len(studied)):
        verdict = replace(verdict, reasons=(VerdictReason(text=because), *verdict.reasons))
    return StudyAnswer(
        table=table,
        lines=verdicts,
        ranking=ranking,
        strategies=strategies,
        effects=_effects(grid, studied, labels),
        groups=groups,
        recommended=chosen,
        verdict=verdict,
        judged=() if judge.criteria is None else judged_study(judge.criteria, [row for _, row in rows]),
        failed=len(failed),
        costs=judge.costs,
    )


def _untaught(rows: Sequence[Row], labels: Mapping[Method, str], recordings: int) -> str:
    """Say which configuration fails, or abstains, on most recordings, on how many and why, and how many others do."""
    places: dict[Method, dict[str, str]] = {}
    for row in rows:
        places.setdefault((row["strategy"], row["parameters"], row["base"]), {})[row["path"]] = row["reason"]
    if not places:
        return ""
    most = max(places, key=lambda one: len(places[one]))
    does = "fail" if rows[0]["failed"] else "abstain"
    others = number_of(len(places) - 1, f"other configuration {does}s", f"other configurations {does}")
    return (
        f"{labels[most]} {does}s on {len(places[most])} of {number_of(recordings, 'recording')}"
        f"{f', and {others} too' if len(places) > 1 else ''}: {next(iter(places[most].values())).rstrip('.')}."
    )


def _labels(grid: StudyGrid) -> dict[Method, str]:
    out: dict[Method, str] = {}
    for one in grid.configurations:
        for base in grid.bases:
            on = f" on {base}" if len(grid.bases) > 1 else ""
            out[one.strategy.name, json.dumps(one.parameters, sort_keys=True), base] = one.label + on
    return out


def _ranked(
    method: Method, label: str, varied: tuple[str, ...], lines: Sequence[_Line], judge: FamilyJudge
) -> RankedMethod:
    costs = np.array([one.cost(method) for one in lines])
    known = np.isfinite(costs)
    # Of those on which it teaches: that it declines on others is told beside it.
    worst = int(np.argmax(np.where(known, costs, -1.0))) if lines else -1
    spread = _spread(method, lines)
    claims = [judge.claim_cost(one.by_method[method][0]) for one in lines if method in one.by_method]
    return RankedMethod(
        strategy=method[0],
        base=method[2],
        parameters=json.loads(method[1]),
        varied=varied,
        label=label,
        cost=_mean(costs[known]),
        chosen_cost=_mean(np.array([one.cost(method, "chosen_cost") for one in lines])[known]),
        chosen_p95=_mean(np.array([one.cost(method, "chosen_p95") for one in lines])[known]),
        claim_cost=_mean(np.array([one for one in claims if one is not None])),
        unranked=int((~known).sum()),
        worst=lines[worst].name if lines and known[worst] and costs[worst] > 0 else "",
        worst_cost=float(costs[worst]) if lines and known[worst] else None,
        between_sd=None if spread is None else spread.between_sd,
        within_sd=None if spread is None else spread.repeatability_sd,
        share_between=None if spread is None else spread.share,
    )


def _spread(method: Method, lines: Sequence[_Line]) -> Components | None:
    groups = {
        one.path: [c for row in one.by_method.get(method, ()) for c in row["draw_costs"] if c is not None]
        for one in lines
    }
    try:
        return variance_components(groups)
    except Abstained:
        return None


def _mean(values: NDArray[np.float64]) -> float | None:
    kept = values[np.isfinite(values)]
    return float(kept.mean()) if kept.size else None


def _up(value: float | None) -> float:
    """Return a cost for sorting: None comes last, and differences by rounding are ignored."""
    return math.inf if value is None else round(value, MOST_STARTS)


@dataclass(frozen=True, slots=True)
class _Price:
    """What is paid where a method could not be ranked: as if every pass of that recording were lost.

    It declined there, which is seen at once: so it comes before a method that is wrong on many recordings.
    """

    recordings: int
    miss: float

    def of(self, one: RankedMethod, cost: float | None) -> float:
        """Return a mean cost over all recordings, for sorting."""
        if cost is None:
            return math.inf
        return _up((cost * (self.recordings - one.unranked) + self.miss * one.unranked) / self.recordings)

    def order(self, one: RankedMethod) -> tuple[Any, ...]:
        """Return by what methods are ranked."""
        return self.of(one, one.cost), one.unranked, _up(one.worst_cost), _up(one.within_sd), one.label


def _choice(ranking: Sequence[RankedMethod], price: _Price, grid: StudyGrid) -> RankedMethod | None:
    """Return what costs least on the choosing halves; among equal ones, the middle of them.

    Among equal ones the strategy with less spread there comes first, then the one that a bench prefers, then the one
    that was given first: what the passes of the claim show must not choose. Of one strategy the default values come
    first; otherwise the values nearest to the middle of all equal ones, because an edge of what works is next to what
    does not.
    """
    able = [one for one in ranking if one.chosen_cost is not None]
    if not able:
        return None
    names, bases = [one.strategy.name for one in grid.configurations], list(grid.bases)

    def key(one: RankedMethod) -> tuple[float, int, float, bool, int, int]:
        asked = names.index(one.strategy), bases.index(one.base)
        cost = price.of(one, one.chosen_cost)
        return cost, one.unranked, _up(one.chosen_p95), one.strategy != RECOMMENDED, *asked

    first = min(able, key=key)
    equal = [o for o in able if (o.unranked, _up(o.chosen_cost)) == (first.unranked, _up(first.chosen_cost))]
    return _middle([one for one in equal if one.strategy == first.strategy and one.base == first.base], grid)


def _middle(equal: Sequence[RankedMethod], grid: StudyGrid) -> RankedMethod:
    made = next(type(one.strategy) for one in grid.configurations if one.strategy.name == equal[0].strategy)
    usual = {one.name: one.default for one in describe(made)}
    defaults = next((one for one in equal if dict(one.parameters) == usual), None)
    if defaults is not None or len(equal) == 1:
        return defaults or equal[0]
    ranks = []
    for name in equal[0].parameters:
        values = sorted({json.dumps(one.parameters[name]) for one in equal}, key=_sorting)
        ranks.append([values.index(json.dumps(one.parameters[name])) / max(1, len(values) - 1) for one in equal])
    away = np.abs(np.array(ranks) - np.array(ranks).mean(axis=1, keepdims=True)).sum(axis=0)
    return equal[int(np.argmin(np.round(away, MOST_STARTS)))]


def _sorting(text: str) -> tuple[bool, float, str]:
    value = json.loads(text)
    number = isinstance(value, int | float)
    return not number, float(value) if number else 0.0, text


def _best_here(line: _Line, preferred: Method | None = None) -> Method | None:
    """Return what a bench of this line would recommend; the preferred one if it costs no more on the choosing half."""
    able = [method for method in line.by_method if math.isfinite(line.cost(method, "chosen_cost"))]
    rows = [line.by_method[method][0] | {"chosen_cost": line.cost(method, "chosen_cost")} for method in able]
    judged = [RowJudgement.of(row) for row in rows]
    if not able:
        return None
    first = in_order_of_choice(judged)[0]
    costs = [(one.useless, round(one.row["chosen_cost"], MOST_STARTS)) for one in judged]
    equal = preferred in able and costs[able.index(preferred)] == costs[first]
    return preferred if equal else able[first]


def _strategies(
    ranking: Sequence[RankedMethod], lines: Sequence[_Line], judge: FamilyJudge, price: _Price, grid: StudyGrid,
    first: str,
) -> list[BestOfStrategy]:  # fmt: skip
    """Return the best configuration of each strategy by the choosing halves, ordered, with how sure each order is.

    `first`: the recommended strategy; it comes first among those that cost the same.
    """
    names = dict.fromkeys(one.strategy for one in ranking)
    best = [_choice([one for one in ranking if one.strategy == name], price, grid) for name in names]
    rows = sorted(
        filter(None, best),
        key=lambda one: (price.of(one, one.claim_cost), one.unranked, one.strategy != first, price.order(one)),
    )
    differences: list[list[float]] = []
    # Strategies that cost the same are one row: an order exists between rows only.
    ends = [k for k, (a, b) in enumerate(pairwise(rows)) if _up(a.claim_cost) != _up(b.claim_cost)]
    firsts = [rows[0], *(rows[k + 1] for k in ends)] if rows else []
    # As in a bench, an order that goes beyond a recording is a claim: passes that can support none are left out of it.
    shows = [x for x in lines if all(supports(kept[0]) for kept in x.by_method.values())]
    for pair in pairwise(firsts):
        both = [[judge.claim_cost(r[0]) if (r := x.by_method.get(m.method)) else None for m in pair] for x in shows]
        differences.append([a - b for a, b in both if a is not None and b is not None])
    sure = orders(differences, source=Source.LOTS, worst=max(judge.costs.miss, judge.costs.false))
    between = dict(zip(ends, sure, strict=True))
    alike = Counter((one.strategy, one.unranked, _up(one.cost)) for one in ranking)
    return [
        BestOfStrategy(method=o, equal=alike[o.strategy, o.unranked, _up(o.cost)] - 1, order=between.get(k))
        for k, o in enumerate(rows)
    ]


def _effects(grid: StudyGrid, lines: Sequence[_Line], labels: Mapping[Method, str]) -> list[ParameterEffect]:
    varied: dict[tuple[str, str], list[Any]] = {}
    for one in grid.configurations:
        for name in one.varied:
            values = varied.setdefault((one.strategy.name, name), [])
            if (value := one.parameters[name]) not in values:
                values.append(value)
    out = []
    for (strategy, name), values in varied.items():
        for value in values if len(values) > 1 else ():
            methods = [m for m in labels if m[0] == strategy and json.loads(m[1]).get(name) == value]
            means, unranked = [], 0
            for line in lines:
                costs = np.array([line.cost(m) for m in methods])
                kept = [row for m in methods for row in line.by_method.get(m, ())]
                unranked += sum(row["ranking_cost"] is None for row in kept)
                if (mean := _mean(costs)) is not None:
                    means.append(mean)
            out.append(
                ParameterEffect(
                    strategy=strategy,
                    parameter=name,
                    value=value,
                    cost=float(np.mean(means)) if means else None,
                    low=min(means, default=None),
                    high=max(means, default=None),
                    lines=len(means),
                    unranked=unranked,
                )
            )
    return out


def _groups(found: Sequence[Row], method: Method, grid: StudyGrid, columns: RowTable) -> list[GroupCounts]:
    """Count, by fact, condition and lot, the results of one way of teaching on the claim halves."""
    first_seed, as_recorded = grid.seeds[0], grid.conditions[0].name
    rows = [
        row for row in found
        if (row["strategy"], row["parameters"], row["base"]) == method and row["seed"] == first_seed and row["setting"]
    ]  # fmt: skip
    here = [row for row in rows if row["condition"] == as_recorded]
    parts: list[tuple[str, Callable[[Row], Any], list[Row]]] = [
        *((name, lambda row, name=name: row[name], here) for name in columns.facts),
        *([(CONDITION, lambda row: row["condition"], rows)] if len(grid.conditions) > 1 else []),
    ]
    out = []
    for by, name_of, some in parts:
        for name in dict.fromkeys(name_of(row) for row in some):
            members = [row for row in some if name_of(row) == name]
            sums = [sum(row[c] for row in members) for c in ("claim_passes", "claim_lost", "claim_false")]
            out.append(_group(by, "not stated" if name is None else str(name), len(members), *sums))
    lots: dict[str, list[tuple[str, Row]]] = {}
    for row in here:
        for lot in row["lots"] if row["lot_source"] == Source.LOTS else ():
            lots.setdefault(lot["lot"], []).append((row["path"], lot))
    for name, held in lots.items():
        false = sum(lot["trips"] + lot["extra"] + lot["ignore_trips"] for _, lot in held)
        passes, lost = (sum(lot[column] for _, lot in held) for column in ("passes", "lost"))
        out.append(_group("lot", name, len({path for path, _ in held}), passes, lost, false))
    return out


def _group(by: str, name: str, lines: int, passes: int, lost: int, false: int) -> GroupCounts:
    errors = (lost + false) / passes if passes else None
    return GroupCounts(by=by, name=name, lines=lines, passes=passes, lost=lost, false=false, errors_per_pass=errors)
