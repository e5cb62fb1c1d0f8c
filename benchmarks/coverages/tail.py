"""Simulated coverage of the bound beyond the data; writes tail.json beside this file.

    python benchmarks/coverages/tail.py [--repetitions 4000]

The level is where the true share of passes below it is as stated. Recordings with a pass below the level are
drawn again: there the exact bound applies. Coverage is told for all recordings, and, as the command
does it, without those where the bound is refused for lying more than a decade beyond 1 / n.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path
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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repetitions", type=int, default=4000)
    repetitions = parser.parse_args().repetitions
    rows = []
    for n in (500, 2000):
        for share in (1e-5,):
            for family in FAMILIES:
                try:
                    found = coverage(family, share, n, repetitions=repetitions)
                except Abstained as refusal:
                    found = {"refused_always": str(refusal)}
                rows.append({"family": family, "passes": n, "share": share, **found})
                print(rows[-1], flush=True)
    smallest = min(row["coverage"] for row in rows if "coverage" in row)
    document = {"nominal": 0.95, "repetitions": repetitions, "seed": 0, "smallest_coverage": smallest, "rows": rows}
    Path(__file__).with_suffix(".json").write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
