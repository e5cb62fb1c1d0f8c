"""A bench as plain JSON values and as sentences for people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from teachlab.model.score import Rate
from teachlab.statistics.planning import plan_passes
from teachlab.studies.result import Comparison, Recommendation, RecordingBench, StrategyResult
from teachlab.wording.rates import percent

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
            "draws": bench.options.draws,
            "seed": bench.options.seed,
            "teach_share": bench.options.teach_share,
            "tolerance_ms": bench.options.rules.tolerance_ms,
            "confidence": bench.options.rules.confidence,
            "cost_miss": bench.options.costs.miss,
            "cost_false": bench.options.costs.false,
        },
        "self_labelled": bench.self_labelled,
        "synthetic": bench.synthetic,
        "ranking": list(bench.ranking),
        "strategies": [_strategy(r) for r in bench.results],
        "comparisons": [_comparison(c) for c in bench.comparisons],
        "best_fixed": bench.best_fixed.as_dict(),
        "recommended": _recommendation(bench.recommendation),
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
            "margin": None if result.median_margin is None else result.median_margin.as_dict(),
            "reserves": None if result.median_reserves is None else dict(result.median_reserves),
        }
    return out


def _recommendation(found: Recommendation | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "strategy": found.strategy,
        "draw": found.draw,
        "setting": found.setting.as_dict(),
        "chosen_on_passes": found.chosen_on,
        "chosen_at_cost": found.chosen_cost,
        "tied_with": list(found.tied),
        "score": found.score.as_dict(),
        "margin": None if found.margin is None else found.margin.as_dict(),
        "reserves": None if found.reserves is None else dict(found.reserves),
    }


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


def order_text(bench: RecordingBench, better: str, worse: str) -> str:
    """Return whether two neighbours in the ranking differ significantly."""
    c = bench.between(better, worse)
    if c is None:
        return ""
    p = min(c.p_passes, c.p_gaps)
    shown = f"p = {p:.2g}" if p < 1 else "p = 1"
    return f"established ({shown})" if c.established else f"order not established ({shown})"


def verdict(bench: RecordingBench) -> str:
    """Return what to use, what it did on passes that took no part in the choice, and how sure that is."""
    if not bench.ranking:
        return "No strategy teaches in at least half of the draws: see the reasons; nothing can be recommended."
    found = bench.recommendation
    if found is None:
        return _joined(f"{bench.ranking[0]} costs least here, but too few passes are scored to choose on one half "
                       "and to claim on the other: log more.", *notes(bench))  # fmt: skip
    setting, result = found.setting, found.score
    n, false = result.counts, result.false_trips_per_running_hour
    confidence = bench.options.rules.confidence
    did = (
        f"lost {n.lost} of {n.scored_passes} passes of the second half ({100 * confidence:g} % upper bound "
        f"{percent(result.lost_rate.upper)}), with {_times(n.false_trips, 'false trip')} in {false.exposure:.3g} "
        f"running hours (upper bound {false.upper:.3g} per hour) and {_times(n.extra, 'extra onset')}"
    )
    if n.ignore_passes:
        did += f", {_times(n.ignore_false_trips, 'trip')} on {n.scored_ignore_passes} passes to be ignored"
    levels = f"on {setting.on_level:.4g}, off {setting.off_level:.4g} {bench.unit}"
    usable = found.chosen_cost < min(bench.options.costs.miss or math.inf, 1.0) and not result.probably_inverted
    tied = f", at the same cost as {_listed(found.tied)}" if found.tied else ""
    text = (
        f"Use {found.strategy}, chosen on the first {found.chosen_on} scored passes{tied}: its median setting "
        f"({levels}) {did}."
        if usable
        else f"No strategy is usable here: the cheapest, {found.strategy}, costs as much as losing every pass; its "
        f"median setting ({levels}) {did}."
    )
    inverted = (
        "The output is active most of the gap time: the level lies on the wrong side, or the polarity is inverted."
        if result.probably_inverted
        else ""
    )
    claims = usable and not (bench.self_labelled or bench.synthetic)
    return _joined(text, inverted, _margin_text(found, bench.unit), _best_text(bench), _order(bench),
                   _surer(result.lost_rate, confidence) if claims else "", *notes(bench))  # fmt: skip


def _joined(*texts: str) -> str:
    return " ".join(text for text in texts if text)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _margin_text(found: Recommendation, unit: str) -> str:
    margin, left = found.margin, found.reserves
    if margin is None or margin.to_noise is None:
        return ""
    text = (
        f"On those {margin.passes} passes its margin to noise is {margin.to_noise:.3g}, limited by {margin.limited_by}"
    )
    loss, rise = (None, None) if left is None else (left["contamination_reserve"], left["ambient_reserve"])
    if loss is None or rise is None:
        return text + "."
    return f"{text}; {100 * loss:.3g} % of the light may be lost, {rise:.4g} {unit} of ambient light added."


def _best_text(bench: RecordingBench) -> str:
    best = bench.best_fixed
    low, high = best.on_interval
    return (
        f"The best fixed setting in hindsight costs {best.cost:.3g} per pass (on-level from {low:.4g} to {high:.4g} "
        f"with off-level {best.setting.off_level:.4g} {bench.unit})."
    )


def _order(bench: RecordingBench) -> str:
    if len(bench.ranking) < 2:
        return ""
    first, second = bench.ranking[:2]
    return f"Over all scored passes {first} stands before {second}: {order_text(bench, first, second)}."


def _surer(lost: Rate, confidence: float) -> str:
    """Return how many passes without a loss would halve the bound."""
    if lost.events or not lost.trials or lost.upper <= 0:
        return ""
    more = plan_passes(lost.upper / 2, confidence).passes
    return f"To halve that bound, score {more} passes without a loss."


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
