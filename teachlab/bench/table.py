"""A bench as tables for a terminal."""

from __future__ import annotations

import math
from collections.abc import Callable

from rich.table import Table

from teachlab.bench.document import count_text, order_text, percent, rate_text
from teachlab.model.benchmark import RecordingBench, Spread, StrategyResult


def spread_table(bench: RecordingBench) -> Table:
    """Return the ranking with the spread of every measure over the draws."""
    low, high = "5 %", "95 %"
    table = Table(
        title=(
            f"{bench.recording}: {bench.draws} draws, taught on {bench.teach_passes} passes, scored on "
            f"{bench.scored_passes}; cost of a lost pass : a false or extra switching = "
            f"{bench.costs.miss:g} : {bench.costs.false:g}"
        ),
        caption=(
            f"median [{low}, {high}] worst; worst = value of the costliest draw; regret = cost above that of the best "
            f"fixed setting in hindsight ({bench.best_fixed.cost:.3g} per pass)"
        ),
        title_justify="left",
        caption_justify="left",
    )
    table.add_column("", justify="right")
    table.add_column("strategy", no_wrap=True)
    table.add_column("cost per pass", justify="right")
    table.add_column("regret", justify="right")
    table.add_column(f"on-level, {bench.unit}", justify="right")
    table.add_column("lost", justify="right")
    table.add_column("false trips per running hour", justify="right")
    table.add_column("extra per pass", justify="right")
    table.add_column("abstained", justify="right")
    table.add_column("against the next", justify="left")
    for k, result in enumerate(bench.results):
        ranked = result.strategy in bench.ranking
        follower = bench.ranking[k + 1] if ranked and k + 1 < len(bench.ranking) else None
        table.add_row(
            str(k + 1) if ranked else "–",
            result.strategy,
            _cell(result, "cost", _number),
            _cell(result, "regret", _number),
            _cell(result, "on_level", _level),
            _cell(result, "lost_rate", percent),
            _cell(result, "false_trips_per_running_hour", _number),
            _cell(result, "extra_per_pass", _number),
            f"{result.abstained}" + (f" (+{result.failed} failed)" if result.failed else ""),
            order_text(bench, result.strategy, follower) if follower else "" if ranked else "unranked",
        )
    return table


def interval_table(bench: RecordingBench) -> Table:
    """Return the exact intervals of every strategy's median setting."""
    table = Table(
        title=f"Median setting of every strategy, exact {100 * bench.confidence:g} % intervals",
        title_justify="left",
    )
    for column in ("strategy", "on / off", "lost passes", "of them merged", "gaps tripped", "false trips", "extra",
                   "margin to noise"):  # fmt: skip
        table.add_column(column, justify="left")
    for result in bench.results:
        if result.median_draw is None or result.median_draw.setting is None or result.median_score is None:
            continue
        setting, score = result.median_draw.setting, result.median_score
        table.add_row(
            result.strategy,
            f"{setting.on_level:.4g} / {setting.off_level:.4g}",
            rate_text(score.lost_rate),
            str(score.counts.merged),
            rate_text(score.false_trips_per_gap),
            count_text(score.false_trips_per_running_hour),
            str(score.counts.extra),
            _margin(result),
        )
    return table


def _margin(result: StrategyResult) -> str:
    margin = result.median_margin
    if margin is None or margin.to_noise is None:
        return "–"
    gain = margin.excess_gain.smallest
    return f"{margin.to_noise:.3g} ({margin.limited_by})" + ("" if gain is None else f", excess gain {gain:.3g}")


def label_table(bench: RecordingBench) -> Table | None:
    """Return the lost rate per label, or None where there is one label only."""
    labels = dict.fromkeys(
        label for r in bench.results if r.median_score is not None for label in r.median_score.by_label
    )
    if len(labels) < 2:
        return None
    table = Table(title="Lost passes per label, median settings", title_justify="left")
    table.add_column("strategy")
    for label in labels:
        table.add_column(label or "(no label)")
    for r in bench.results:
        if r.median_score is not None:
            rates = r.median_score.by_label
            table.add_row(r.strategy, *(rate_text(rates[label]) if label in rates else "–" for label in labels))
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
    values = [_or_dash(v, text) for v in _values(spread)]
    if len(set(values)) == 1:
        return values[0]
    return f"{values[0]}\n[{values[1]}, {values[2]}] {values[3]}"


def _values(spread: Spread) -> tuple[float, float, float, float]:
    return spread.median, spread.p05, spread.p95, spread.worst


def _or_dash(value: float, text: Callable[[float], str]) -> str:
    return "–" if math.isnan(value) else text(value)


def _number(value: float) -> str:
    return f"{value:.3g}"


def _level(value: float) -> str:
    return f"{value:.4g}"
