"""From draws to a ranking: spreads, the median draw, and which differences are established."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np

from teachlab.model.draws import MEASURES, Costs, Draw, Spread
from teachlab.model.score import Counts, Score
from teachlab.scoring import compare_gaps, compare_passes, holm
from teachlab.studies.result import Comparison, StrategyResult


def cost_of(counts: Counts, costs: Costs) -> float:
    """Return ``(c_miss · lost + c_false · (false trips + ignore false trips + extra)) / scored passes``."""
    false = counts.false_trips + counts.ignore_false_trips + counts.extra
    if counts.scored_passes == 0:
        return math.nan
    return (costs.miss * counts.lost + costs.false * false) / counts.scored_passes


def by_cost(draws: Sequence[Draw]) -> list[Draw]:
    """Return the draws that taught, sorted by (cost, on-level, off-level, draw)."""
    taught = [d for d in draws if d.setting is not None]
    return sorted(taught, key=lambda d: (*(d.measures[m] for m in ("cost", "on_level", "off_level")), d.draw))


def spreads_of(draws: Sequence[Draw]) -> dict[str, Spread]:
    """Return the spread of every measure over the draws that taught.

    Quantiles are values that occurred (inverse of the empirical distribution), so that the median cost is
    the cost of the median draw.
    """
    ordered = by_cost(draws)
    if not ordered:
        return {}
    out = {}
    for name in MEASURES:
        values = np.array([d.measures[name] for d in ordered])
        low, mid, high = np.quantile(values, (0.05, 0.5, 0.95), method="inverted_cdf")
        out[name] = Spread(float(mid), float(low), float(high), float(values[-1]))
    return out


def median_draw(draws: Sequence[Draw]) -> Draw | None:
    """Return the draw at index ``(m − 1) // 2`` of the m that taught, sorted by cost."""
    ordered = by_cost(draws)
    return ordered[(len(ordered) - 1) // 2] if ordered else None


def ranking_cost(draws: Sequence[Draw]) -> float:
    """Return the median cost over all draws; one that did not teach costs infinity."""
    costs = sorted(d.measures["cost"] if d.setting is not None else math.inf for d in draws)
    return costs[(len(costs) - 1) // 2]


def ranked(results: Sequence[StrategyResult]) -> tuple[list[str], list[StrategyResult]]:
    """Return the names in order of cost, and the results with unranked ones last.

    A strategy that teaches in less than half of its draws is unranked. Equal costs are ordered by the
    95 % quantile of the cost, then by name.
    """

    def key(result: StrategyResult) -> tuple[float, float, str]:
        spread = result.spreads.get("cost")
        return (result.ranking_cost, spread.p95 if spread else math.inf, result.strategy)

    ordered = sorted(results, key=key)
    names = [r.strategy for r in ordered if math.isfinite(r.ranking_cost)]
    return names, ordered


def compare_all(ranking: Sequence[str], scores: dict[str, Score]) -> list[Comparison]:
    """Compare the median settings of all pairs, on passes and on gaps, each corrected over all pairs."""
    pairs = list(combinations(ranking, 2))
    passes = [compare_passes(scores[a].trials, scores[b].trials) for a, b in pairs]
    gaps = [compare_gaps(scores[a].trials, scores[b].trials) for a, b in pairs]
    p_passes, p_gaps = (holm([d.p_exact for d in tests]) for tests in (passes, gaps))
    return [
        Comparison(
            better=a,
            worse=b,
            passes=(passes[k].only_first, passes[k].only_second),
            gaps=(gaps[k].only_first, gaps[k].only_second),
            p_passes=float(p_passes[k]),
            p_gaps=float(p_gaps[k]),
        )
        for k, (a, b) in enumerate(pairs)
    ]
