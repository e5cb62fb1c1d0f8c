"""Simulated coverage of the bound beyond the data; writes tail.json beside this file.

    python benchmarks/coverages/tail.py [--repetitions 4000]

The level is where the true share of passes below it is as stated. Recordings with a pass below the level are
drawn again: there the exact bound applies. Coverage is told for all recordings, and, as the command
does it, without those where the bound is refused for lying more than a decade beyond 1 / n.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

import teachlab.statistics.tail as tail
from teachlab.errors import Abstained

Draw = Callable[[np.random.Generator, int], NDArray[np.float64]]


def _weak_batch(rng: np.random.Generator, n: int) -> NDArray[np.float64]:
    weak = rng.random(n) < 0.02
    return np.where(weak, rng.normal(-3, 1, n), rng.normal(0, 1, n))


FAMILIES: dict[str, tuple[Draw, Callable[[float], float]]] = {
    "normal": (lambda rng, n: rng.normal(size=n), stats.norm.ppf),
    "lognormal": (lambda rng, n: rng.lognormal(0, 0.3, n), stats.lognorm(0.3).ppf),
    "t5": (lambda rng, n: rng.standard_t(5, n), stats.t(5).ppf),
    "bounded beta": (lambda rng, n: rng.beta(5, 3, n), stats.beta(5, 3).ppf),
    "weak batch of 2 %": (
        _weak_batch,
        lambda p: optimize.brentq(lambda x: 0.98 * stats.norm.cdf(x) + 0.02 * stats.norm.cdf(x + 3) - p, -20, 5),
    ),
}


def coverage(family: str, share: float, n: int, *, repetitions: int, seed: int = 0) -> dict[str, Any]:
    """Return how often the bound holds the true share."""
    draw, quantile = FAMILIES[family]
    rng = np.random.default_rng([seed, n, round(-1000 * np.log10(share)), sorted(FAMILIES).index(family)])
    level = float(quantile(share))
    held = shown = shown_held = 0
    bounds = []
    decades, tail.DECADES = tail.DECADES, 99.0
    try:
        for _ in range(repetitions):
            peaks = draw(rng, n)
            while peaks.min() <= level:
                peaks = draw(rng, n)
            bound = tail.tail_bound(peaks, level, check_drift=False).bound
            bounds.append(bound)
            held += bound >= share
            if bound >= 10**-decades / n:
                shown += 1
                shown_held += bound >= share
    finally:
        tail.DECADES = decades
    return {
        "coverage": held / repetitions,
        "refused": 1 - shown / repetitions,
        "coverage_where_shown": shown_held / shown if shown else None,
        "median_bound": float(np.median(bounds)),
        "exact_bound": 1 - 0.05 ** (1 / n),
    }


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    for n, family in product((500, 2000), FAMILIES):
        try:
            found: dict[str, Any] = coverage(family, 1e-5, n, repetitions=repetitions)
        except Abstained as refusal:
            found = {"refused_always": str(refusal)}
        yield {"family": family, "passes": n, "share": 1e-5, **found}


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    return {"smallest_coverage": min(row["coverage"] for row in rows if "coverage" in row)}


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=4000)
