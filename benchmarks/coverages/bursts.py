"""Simulated coverage of the interval for events that come in bursts; writes bursts.json beside this file.

    python benchmarks/coverages/bursts.py [--repetitions 4000]

Counts of stretches of equal length, of unequal ones in "unequal, gamma". "gamma": the rate of every stretch is drawn
from a gamma distribution (counts are negative binomial); "bursts": bursts come one by one, their sizes geometric;
"states": one stretch in five is noisy, all events are in these. Variance over mean of the counts as stated. Lots of two
kinds, "rare states": one stretch in a hundred is noisy and holds half of the events; as measured, that one fails.
`bounded` is the share of recordings for which there is a bound; the others count as held, for they claim nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.statistics.bursts import burst_rate

MEANS = (0.05, 0.1, 0.2, 0.5, 1.0, 5.0)
"""Events per stretch."""
RARE = "rare states"
CASES = (
    ("one by one", 1.0),
    *((kind, ratio) for kind in ("gamma", "bursts", "states", "unequal, gamma") for ratio in (2.0, 5.0)),
)


def draw(
    kind: str, ratio: float, mean: float, lots: int, rng: np.random.Generator
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Draw events and exposure of every stretch of one recording; one event per unit of exposure on average."""
    exposure = np.full(lots, mean)
    if kind == "one by one":
        return rng.poisson(exposure), exposure
    if kind == "bursts":
        # Size geometric with mean g: variance over mean of the count is 2 g - 1.
        g = (ratio + 1) / 2
        bursts = rng.poisson(exposure / g)
        return np.array([rng.geometric(1 / g, b).sum() for b in bursts]), exposure
    if kind == "states":
        # Noisy with a chance of s at a rate of mean / s: variance over mean is 1 + mean (1 / s - 1).
        s = mean / (ratio - 1 + mean)
        return rng.poisson(np.where(rng.random(lots) < s, exposure / s, 0.0)), exposure
    if kind == RARE:
        noisy = rng.random(lots) < 0.01
        return rng.poisson(np.where(noisy, 50 * exposure, 0.0) + 0.5 * exposure), exposure
    if kind.startswith("unequal"):
        exposure = exposure * rng.uniform(0.4, 1.6, lots)
    shape = mean / (ratio - 1)
    return rng.poisson(exposure * rng.gamma(shape, 1 / shape, lots)), exposure


def coverage(
    kind: str, ratio: float, mean: float, lots: int, *, repetitions: int = 4000, seed: int = 0
) -> dict[str, float]:
    """Return how often the intervals and the one-sided bound hold the true rate."""
    rng = np.random.default_rng([seed, lots, round(1e3 * mean), round(10 * ratio)])
    naive = both = upper = plain = bounded = 0
    width = []
    for _ in range(repetitions):
        found = burst_rate(*draw(kind, ratio, mean, lots, rng))
        naive += found.naive.low <= 1 <= found.naive.high
        plain += found.naive.upper >= 1
        both += found.low <= 1 <= found.high
        upper += found.upper >= 1
        bounded += found.design_effect is not None
        width.append((found.high - found.low) / (found.naive.high - found.naive.low))
    typical = float(np.median(width))
    return {
        "naive": naive / repetitions,
        "naive_upper": plain / repetitions,
        "interval": both / repetitions,
        "upper": upper / repetitions,
        "bounded": bounded / repetitions,
        "median_width_over_naive": typical if np.isfinite(typical) else None,
    }


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    for (kind, ratio), lots, mean in product((*CASES, (RARE, 0.0)), (20, 50, 200), MEANS):
        found = coverage(kind, ratio, mean, lots, repetitions=repetitions)
        yield {"kind": kind, "variance_over_mean": ratio, "stretches": lots, "mean": mean, **found}


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    alike = [row for row in rows if row["kind"] != RARE]
    return {f"smallest_{name}": min(row[name] for row in alike) for name in ("interval", "upper")}


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=4000)
