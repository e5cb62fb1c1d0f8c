"""A bench as plain JSON values and as sentences for people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from teachlab.model.benchmark import Comparison, RecordingBench, StrategyResult
from teachlab.model.score import CountRate, Rate

SCHEMA = 1


def bench_document(benches: Sequence[RecordingBench]) -> dict[str, Any]:
    """Return the JSON document of a bench over recordings."""
    return {"schema": SCHEMA, "recordings": [_recording(b) for b in benches]}


def _recording(bench: RecordingBench) -> dict[str, Any]:
    return {
        "recording": bench.recording,
        "unit": bench.unit,
        "teach_passes": bench.teach_passes,
        "scored_passes": bench.scored_passes,
        "options": {
            "draws": bench.draws,
            "seed": bench.seed,
            "teach_share": bench.teach_share,
            "tolerance_ms": bench.tolerance_ms,
            "confidence": bench.confidence,
            "cost_miss": bench.costs.miss,
            "cost_false": bench.costs.false,
        },
        "self_labelled": bench.self_labelled,
        "synthetic": bench.synthetic,
        "ranking": list(bench.ranking),
        "strategies": [_strategy(r) for r in bench.results],
        "comparisons": [_comparison(c) for c in bench.comparisons],
        "verdict": verdict(bench),
    }


def _strategy(result: StrategyResult) -> dict[str, Any]:
    out: dict[str, Any] = {
        "strategy": result.strategy,
        "parameters": dict(result.parameters),
        "draws": len(result.draws),
        "abstained": result.abstained,
        "failed": result.failed,
        "reasons": result.reasons,
        **{name: spread.as_dict() for name, spread in result.spreads.items()},
        "median_setting": None,
    }
    if result.median_draw is not None and result.median_draw.setting is not None and result.median_score is not None:
        setting = result.median_draw.setting
        out["median_setting"] = {
            "draw": result.median_draw.draw,
            "on_level": setting.on_level,
            "off_level": setting.off_level,
            "setting": setting.as_dict(),
            "score": result.median_score.as_dict(),
        }
    return out


def _comparison(c: Comparison) -> dict[str, Any]:
    return {
        "better": c.better,
        "worse": c.worse,
        "discordant_passes": list(c.passes),
        "discordant_gaps": list(c.gaps),
        "p_passes": c.p_passes,
        "p_gaps": c.p_gaps,
        "established": c.established,
    }


def percent(share: float) -> str:
    """Return a share as percent with three significant digits."""
    return f"{100 * share:.3g} %"


def rate_text(rate: Rate) -> str:
    """Return counts, estimate and exact interval of a proportion."""
    if rate.estimate is None:
        return "no trials"
    return f"{rate.events} / {rate.trials} = {percent(rate.estimate)} [{100 * rate.low:.3g}, {100 * rate.high:.3g}] %"


def count_text(rate: CountRate) -> str:
    """Return count, estimate and exact interval of a count per exposure."""
    if rate.estimate is None:
        return f"{rate.events}, no {rate.per}"
    return f"{rate.events} in {rate.exposure:.3g} {rate.per}s: {rate.estimate:.3g} [{rate.low:.3g}, {rate.high:.3g}]"


def order_text(bench: RecordingBench, better: str, worse: str) -> str:
    """Return whether two neighbours in the ranking differ significantly."""
    c = bench.between(better, worse)
    if c is None:
        return ""
    p = min(c.p_passes, c.p_gaps)
    shown = f"p = {p:.2g}" if p < 1 else "p = 1"
    return f"established ({shown})" if c.established else f"order not established ({shown})"


def verdict(bench: RecordingBench) -> str:
    """Return one sentence: what loses least here, on how many trials, and how sure the order is."""
    if not bench.ranking:
        return "No strategy teaches in at least half of the draws: see the reasons; nothing can be recommended."
    best = next(r for r in bench.results if r.strategy == bench.ranking[0])
    if best.median_draw is None or best.median_draw.setting is None or best.median_score is None:
        return "No strategy taught."
    setting, score = best.median_draw.setting, best.median_score
    n, false = score.counts, score.false_trips_per_running_hour
    text = (
        f"its median setting (on {setting.on_level:.4g}, off {setting.off_level:.4g} {bench.unit}) lost {n.lost} of "
        f"{n.scored_passes} scored passes ({100 * bench.confidence:g} % upper bound {percent(score.lost_rate.upper)}), "
        f"with {_times(n.false_trips, 'false trip')} in {false.exposure:.3g} running hours (upper bound "
        f"{false.upper:.3g} per hour) and {_times(n.extra, 'extra onset')}"
    )
    if n.ignore_passes:
        text += f", {_times(n.ignore_false_trips, 'trip')} on {n.scored_ignore_passes} passes to be ignored"
    usable = best.ranking_cost < min(bench.costs.miss or math.inf, 1.0) and not score.probably_inverted
    text = (
        f"{best.strategy} costs least here: {text}"
        if usable
        else (f"No strategy is usable here: the cheapest, {best.strategy}, costs as much as losing every pass; {text}")
    )
    if len(bench.ranking) > 1:
        text += f"; against {bench.ranking[1]}: {order_text(bench, *bench.ranking[:2])}"
    text += "."
    if score.probably_inverted:
        text += (
            " The output is active most of the gap time: the level lies on the wrong side, or the polarity is inverted."
        )
    for note in notes(bench):
        text += f" {note}"
    return text


def _times(count: int, what: str) -> str:
    return f"{count or 'no'} {what}{'' if count == 1 else 's'}"


def notes(bench: RecordingBench) -> list[str]:
    """Return what the evidence may not be used for."""
    out = []
    if bench.self_labelled:
        out.append("Self-labelled truth: this may tune, it supports no claim.")
    if bench.synthetic:
        out.append("Synthetic light: no evidence about a real line.")
    return out
