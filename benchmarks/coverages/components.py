"""Simulated coverage of the interval of the intraclass share; writes components.json beside this file.

    python benchmarks/coverages/components.py [--repetitions 1000]

Groups of people, shifts or lots, with several values each; the share of the variance between them as stated. The
interval is exact where both effects are normal, whatever the sizes. Other effects, of variance 1: "flat" (uniform),
"two kinds" (+1 or −1), "long tails" (Student's t with 5), "skew" (exponential less 1), of the groups ("between"), of
the values ("within"), or of both.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.statistics.variance_components import variance_components

SHARES = (0.0, 0.05, 0.2, 0.6)
DESIGNS = {"5 of 4": (4,) * 5, "20 of 10": (10,) * 20, "6 unequal": (2, 3, 5, 10, 20, 40)}
EFFECTS = (
    ("normal", "normal"),
    ("flat", "normal"),
    ("two kinds", "normal"),
    ("long tails", "normal"),
    ("skew", "normal"),
    ("normal", "long tails"),
    ("normal", "skew"),
    ("skew", "skew"),
)


def draw(kind: str, size: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw effects of mean 0 and variance 1."""
    if kind == "flat":
        return rng.uniform(-math.sqrt(3), math.sqrt(3), size)
    if kind == "two kinds":
        return rng.choice([-1.0, 1.0], size)
    if kind == "long tails":
        return rng.standard_t(5, size) * math.sqrt(3 / 5)
    if kind == "skew":
        return rng.exponential(1.0, size) - 1
    return rng.normal(size=size)


def coverage(
    effects: tuple[str, str], share: float, sizes: tuple[int, ...], *, repetitions: int, seed: int = 0
) -> dict[str, float]:
    """Return how often the interval holds the true share."""
    rng = np.random.default_rng([seed, *sizes, round(1000 * share), EFFECTS.index(effects)])
    held = 0
    cuts = np.cumsum(sizes)[:-1]
    for _ in range(repetitions):
        between = np.repeat(draw(effects[0], len(sizes), rng), sizes)
        values = math.sqrt(share) * between + math.sqrt(1 - share) * draw(effects[1], int(sum(sizes)), rng)
        found = variance_components({str(k): part for k, part in enumerate(np.split(values, cuts))})
        held += found.share_low <= share <= found.share_high
    return {"interval": held / repetitions}


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    for effects, (design, sizes), share in product(EFFECTS, DESIGNS.items(), SHARES):
        found = coverage(effects, share, sizes, repetitions=repetitions)
        yield {"between": effects[0], "within": effects[1], "design": design, "share": share, **found}


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    normal = [row["interval"] for row in rows if row["between"] == row["within"] == "normal"]
    return {"smallest_normal": min(normal), "smallest_other": min(row["interval"] for row in rows)}


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=1000)
