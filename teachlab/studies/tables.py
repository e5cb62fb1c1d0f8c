"""A bench as tables for a terminal."""

from __future__ import annotations

import math
from collections.abc import Callable

from rich.table import Table

from teachlab.model.printable_text import Lines, in_figures, level_text
from teachlab.model.score import CountRate, Rate
from teachlab.studies.result import RecordingBench, StrategyResult
from teachlab.wording.rates import time_unit
from teachlab.wording.tables import margins_table, plain_table

SHOWN_LABELS = 3
"""Columns of labels that fit beside the name of a strategy."""
SHORT = {"hour": "h", "minute": "min", "second": "s"}
SPREAD = "median [5 %, 95 %] over the draws that gave a setting"


def ranking_table(bench: RecordingBench) -> Table:
    """Return the ranking: the cost of every strategy over the draws, and whether it differs from the next."""
    steps = "" if bench.device is None else " in steps of the device"
    table = plain_table(
        f"{bench.recording}: {bench.options.draws} draws{steps}, taught on {bench.teach_passes} passes, scored on "
        f"{bench.scored_passes}; cost of a lost pass : a false or extra switching = "
        f"{bench.options.costs.miss:g} : {bench.options.costs.false:g}",
        f"{SPREAD}; worst = value of the costliest draw; regret = cost above that of the best fixed setting in "
        f"hindsight ({bench.best_fixed.cost:.3g} per pass)",
    )
    table.add_column("", justify="right")
    table.add_column("strategy", no_wrap=True)
    for figure in ("cost per pass", "regret", "abstained"):
        table.add_column(figure, justify="right")
    table.add_column("better than the next row?")
    for result in bench.results:
        row = bench.row_of(result.strategy)
        order = None if row is None else bench.orders[row]
        told = "unranked" if row is None else "" if order is None else order.told
        table.add_row(
            "–" if row is None else str(row + 1),
            result.strategy,
            _cell(result, "cost", _number),
            _cell(result, "regret", _number),
            f"{result.abstained}" + (f" (+{result.failed} failed)" if result.failed else ""),
            result.unusable or told,
        )
    return table


def spread_table(bench: RecordingBench) -> Table:
    """Return the spread of levels and rates over the draws."""
    met = "; lost holds products that touch and merge, which cost nothing" if bench.best_fixed.touching else ""
    table = plain_table("Spread over the draws", f"{SPREAD}; worst = value of the costliest draw{met}")
    word, of = _unit(bench)
    table.add_column("strategy", no_wrap=True)
    for figure in (f"on-level, {bench.unit}", "lost, %", f"false trips per running {word}", "extra per pass"):
        table.add_column(figure, justify="right")
    for result in bench.results:
        table.add_row(
            result.strategy,
            _cell(result, "on_level", in_figures),
            _cell(result, "lost_rate", _share),
            _cell(result, "false_trips_per_running_hour", lambda rate: _number(rate / of)),
            _cell(result, "extra_per_pass", _number),
        )
    return table


def interval_table(bench: RecordingBench) -> Table:
    """Return the exact intervals of every strategy's median setting."""
    table = plain_table(f"Median setting of every strategy, exact {100 * bench.options.rules.confidence:g} % intervals")
    per = f"false trips per {_unit(bench)[0]}"
    for column in ("strategy", "on, off", "lost passes", "gaps tripped", per, "extra"):
        table.add_column(column, no_wrap=column == "strategy")
    for result in bench.results:
        if result.median_draw is None or result.median_draw.setting is None or result.median_score is None:
            continue
        setting, score = result.median_draw.setting, result.median_score
        trips = score.false_trips_per_running_hour
        merged = f", {score.counts.merged} merged" if score.counts.merged else ""
        table.add_row(
            result.strategy,
            Lines.of(level_text(setting.on_level), level_text(setting.off_level)),
            _rate(score.lost_rate, merged),
            _rate(score.false_trips_per_gap),
            _per_time(trips),
            str(score.counts.extra),
        )
    return table


def margin_table(bench: RecordingBench) -> Table:
    """Return margins and reserves of every strategy's median setting."""
    rows = [(r.strategy, r.worth) for r in bench.results if r.worth is not None]
    return margins_table(
        f"Margin and reserves of every strategy's median setting, over all {bench.scored_passes} scored passes",
        rows,
        bench.unit,
    )


def _unit(bench: RecordingBench) -> tuple[str, float]:
    """Return the unit of time of rates, and how many of it an hour has: all strategies are scored equally long."""
    return time_unit(max((r.median_score.running_hours for r in bench.results if r.median_score), default=0.0))


def _per_time(rate: CountRate) -> str:
    """Return counts above estimate and interval."""
    if rate.estimate is None:
        return "no time"
    word, of = time_unit(rate.exposure)
    estimate, low, high = (in_figures(value / of, 3) for value in (rate.estimate, rate.low, rate.high))
    span = f"{in_figures(rate.exposure * of, 3)} {SHORT[word]}"
    return Lines.of(f"{rate.events} in {span}", f"{estimate} [{low}, {high}]")


def _rate(rate: Rate, more: str = "") -> str:
    """Return counts above estimate and interval in percent."""
    if rate.estimate is None:
        return "no trials"
    bounds = f"[{100 * rate.low:.3g}, {100 * rate.high:.3g}]"
    return Lines.of(f"{rate.events} / {rate.trials}{more}", f"{100 * rate.estimate:.3g} % {bounds}")


def label_table(bench: RecordingBench) -> Table | None:
    """Return the lost rate per label, those with most losses first, or None where there is one label only."""
    scores = {r.strategy: r.median_score for r in bench.results if r.median_score is not None}
    labels = dict.fromkeys(label for score in scores.values() for label in score.by_label)
    if len(labels) < 2:
        return None
    lost = {n: sum(s.by_label[n].events for s in scores.values() if n in s.by_label) for n in labels}
    shown = sorted(labels, key=lambda n: -lost[n])[:SHOWN_LABELS]
    left = len(labels) - len(shown)
    more = f"{left} more labels hold no more losses; --json lists them all" if left else ""
    table = plain_table("Lost passes per label, median settings; most losses first", more)
    table.add_column("strategy", no_wrap=True)
    for label in shown:
        table.add_column(label or "(no label)")
    for strategy, score in scores.items():
        rates = score.by_label
        table.add_row(strategy, *(_rate(rates[label]) if label in rates else "–" for label in shown))
    return table


def reason_lines(bench: RecordingBench) -> list[str]:
    """Return why strategies abstained or failed."""
    return [
        f"{r.strategy}: {times} of {len(r.draws)} draws: {reason}"
        for r in bench.results
        for reason, times in list(r.reasons.items())[:3]
    ]


def _cell(result: StrategyResult, name: str, text: Callable[[float], str]) -> str:
    spread = result.spreads.get(name)
    if spread is None:
        return "–"
    levels = (spread.median, spread.p05, spread.p95, spread.worst)
    values = ["–" if math.isnan(value) else text(value) for value in levels]
    if len(set(values)) == 1:
        return values[0]
    return Lines.of(values[0], f"[{values[1]}, {values[2]}]", f"worst {values[3]}")


def _number(value: float) -> str:
    return in_figures(value, 3)


def _share(value: float) -> str:
    return in_figures(100 * value, 3)
