"""From draws to a ranking: spreads, the median draw, and rows of strategies that cost the same."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.draws import MEASURES, Draw, Spread

if TYPE_CHECKING:
    from teachlab.studies.result import StrategyResult


def by_cost(draws: Sequence[Draw]) -> list[Draw]:
    """Return the draws that gave a setting, sorted by (cost, on-level, off-level, draw)."""
    taught = [d for d in draws if d.setting is not None]
    return sorted(taught, key=lambda d: (*(d.measures[m] for m in ("cost", "on_level", "off_level")), d.draw))


def spreads_of(draws: Sequence[Draw]) -> dict[str, Spread]:
    """Return the spread of every measure over the draws that gave a setting.

    Quantiles are values that occurred (inverse of the empirical distribution), so the median cost is the cost of the
    median draw.
    """
    ordered = by_cost(draws)
    if not ordered:
        return {}
    out = {}
    for name in MEASURES:
        values = np.array([d.measures[name] for d in ordered])
        out[name] = Spread.of(values, worst=float(values[-1]))
    return out


def median_draw(draws: Sequence[Draw]) -> Draw | None:
    """Return the draw at index ``(m − 1) // 2`` of the m that gave a setting, sorted by cost."""
    ordered = by_cost(draws)
    return ordered[(len(ordered) - 1) // 2] if ordered else None


def ranking_cost(draws: Sequence[Draw]) -> float:
    """Return the median cost over all draws; a draw without a setting costs infinity."""
    costs = sorted(d.measures["cost"] if d.setting is not None else math.inf for d in draws)
    # The lower median is a cost that occurred; if more than half abstain it is infinite, and the strategy is unranked.
    return costs[(len(costs) - 1) // 2]


def ranked(results: Sequence[StrategyResult], first: str = "") -> tuple[list[list[str]], list[StrategyResult]]:
    """Return the names in rows of one cost, and the results in that order with unranked ones last.

    A strategy that gives a setting in less than half of its draws is unranked. Rows come in order of cost. Within a
    row, `first` is first: the recommended strategy. Then the setting with the largest reserve of light comes, then the
    strategy with less spread, then the name. Settings that never switch, or are active for most of the gap time,
    come last at any cost.
    """

    def key(result: StrategyResult) -> tuple[bool, float, bool, float, float, str]:
        spread, reserves = result.spreads.get("cost"), (result.worth and result.worth.reserves) or {}
        reserve = reserves.get("contamination_reserve")
        return (
            bool(result.unusable),
            result.ranking_cost,
            result.strategy != first,
            math.inf if reserve is None else -reserve,
            spread.p95 if spread else math.inf,
            result.strategy,
        )

    ordered = sorted(results, key=lambda r: (math.isinf(r.ranking_cost), *key(r)))
    rows: list[list[str]] = []
    last: tuple[bool, float] | None = None
    for result in ordered:
        if not math.isfinite(result.ranking_cost):
            continue
        if key(result)[:2] != last:
            rows.append([])
        rows[-1].append(result.strategy)
        last = key(result)[:2]
    return rows, ordered
