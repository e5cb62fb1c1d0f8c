"""A bench as plain JSON values."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from teachlab.device.keyed_in import REFUSED
from teachlab.model.json_values import picked, plain
from teachlab.model.verdict import Verdict
from teachlab.statistics.claims.decisions import Decision
from teachlab.statistics.claims.orders import Order, OrderStanding
from teachlab.studies.result import Recommendation, RecordingBench, StrategyResult

SCHEMA = 1


def bench_document(benches: Sequence[RecordingBench], **written: str) -> dict[str, Any]:
    """Return the JSON document of a bench over recordings, with the files that were written."""
    verdict = over_all([b.verdict for b in benches])
    return {
        "schema": SCHEMA,
        "verdict": plain(verdict),
        "recordings": [_recording(b) for b in benches],
        **written,
    }


def over_all(verdicts: Sequence[Verdict]) -> Verdict | None:
    """Return the least favourable of several verdicts: it holds for every recording."""
    order = [REFUSED, *map(str, (Decision.NONE, Decision.OPEN, Decision.LIMIT, Decision.USE))]
    return min(verdicts, key=lambda one: order.index(one.decision), default=None)


def _recording(bench: RecordingBench) -> dict[str, Any]:
    options = bench.options
    return {
        **picked(bench, "recording", "verdict", "alignment", "unit", "teach_passes", "scored_passes"),
        "options": {
            **picked(options, "draws", "seed", "teach_share"),
            **picked(options.rules, "tolerance_ms", "confidence"),
            "cost_miss": options.costs.miss,
            "cost_false": options.costs.false,
            "device": bench.device,
        },
        **picked(bench, "self_labelled", "synthetic", "ranking"),
        "strategies": [_strategy(r) for r in bench.results],
        "rows": plain(bench.rows),
        "comparisons": [_order(bench, k, order) for k, order in enumerate(bench.orders) if order is not None],
        **picked(bench, "best_fixed", "ceiling"),
        "recommended": _recommendation(bench.recommendation),
    }


def _strategy(result: StrategyResult) -> dict[str, Any]:
    out: dict[str, Any] = {
        **picked(result, "strategy", "parameters"),
        "draws": len(result.draws),
        **picked(result, "abstained", "failed", "reasons"),
        "unusable": result.unusable or None,
        **plain(result.spreads),
        "median_setting": None,
    }
    if result.median_draw is not None and result.median_draw.setting is not None and result.worth is not None:
        setting = result.median_draw.setting
        out["median_setting"] = {
            "draw": result.median_draw.draw,
            **picked(setting, "on_level", "off_level"),
            "setting": plain(setting),
            **result.worth.as_dict(),
        }
    return out


def _recommendation(found: Recommendation | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        **picked(found, "strategy", "draw", "setting"),
        "chosen_on_passes": found.chosen_on,
        "chosen_at_cost": found.chosen_cost,
        "tied_with": list(found.tied),
        "display": None if found.keyed is None else found.keyed.display() or None,
        "light": None if found.keyed is None else found.keyed.light() or None,
        "worst_end": found.worst_end or None,
        **found.worth.as_dict(),
    }


def _order(bench: RecordingBench, row: int, order: Order) -> dict[str, Any]:
    first, second = bench.rows[row][0], bench.rows[row + 1][0]
    settled = order.standing is OrderStanding.ESTABLISHED and not order.costs_more
    return {"better": first, "worse": second, "established": settled, **order.as_dict()}
