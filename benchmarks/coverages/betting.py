"""Simulated false alarms of the evidence on losses and trips; writes betting.json beside this file.

    python benchmarks/coverages/betting.py [--repetitions 2000]

A line on which nothing changes, looked at after every lot. `known`: the share lost is exactly the limit, the worst
case: by shares of lots; by shares of ten stretches of passes, which begin anywhere in a lot; and, for comparison, by
passes one by one, which is not what `stale` does. `learnt`: the limit is what `stale` takes from a recording before
of the same line, its upper limit with lots allowed for. Kinds: "beta" with an intra-lot correlation, and "rare bad
lots", of which one in twenty loses half. `found`: the same evidence where ten times as much is lost, at most half.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.statistics.betting import evidence_above
from teachlab.statistics.lots import lot_rate

LOTS, SIZE = 20, 20
CASES = (
    *(("beta", icc, rate) for icc in (0.0, 0.05, 0.2, 0.5) for rate in (0.01, 0.05)),
    ("rare bad lots", 0.0, 0.025),
)


def lost_of_lots(rng: np.random.Generator, kind: str, icc: float, rate: float) -> NDArray[np.int64]:
    """Return how many passes of every lot are lost."""
    if kind == "rare bad lots":
        chance = np.where(rng.random(LOTS) < 0.05, rate / 0.05, 0.0)
    elif icc == 0:
        chance = np.full(LOTS, rate)
    else:
        chance = rng.beta(rate * (1 - icc) / icc, (1 - rate) * (1 - icc) / icc, LOTS)
    return rng.binomial(SIZE, chance)


def upper_before(lost: NDArray[np.int64]) -> float:
    """Return the limit that `stale` takes."""
    found = lot_rate(lost, np.full(LOTS, SIZE))
    alone = found.by_proxy is not None and found.lots_with_events < 2
    return float(found.by_proxy.high if alone and found.by_proxy is not None else found.high)


def alarms(kind: str, icc: float, rate: float, *, repetitions: int, seed: int = 0) -> dict[str, float]:
    """Return the share of recordings with an alarm."""
    rng = np.random.default_rng([seed, round(100 * icc), round(1000 * rate), len(kind)])
    count = dict.fromkeys(
        ("known_by_lots", "known_by_stretches", "known_by_passes", "learnt_by_lots", "found_by_lots"), 0
    )
    for _ in range(repetitions):
        lost = lost_of_lots(rng, kind, icc, rate)
        count["known_by_lots"] += evidence_above(lost / SIZE, rate).reached is not None
        passes = np.concatenate([rng.permutation(np.arange(SIZE) < k) for k in lost]).astype(float)
        count["known_by_passes"] += evidence_above(passes, rate).reached is not None
        moved = np.roll(passes, int(rng.integers(SIZE)))
        stretches = [part.mean() for part in np.array_split(moved, 10)]
        count["known_by_stretches"] += evidence_above(stretches, rate).reached is not None
        limit = min(upper_before(lost_of_lots(rng, kind, icc, rate)), 0.95)
        count["learnt_by_lots"] += evidence_above(lost / SIZE, limit).reached is not None
        worse = lost_of_lots(rng, kind, icc, min(10 * rate, 0.5) if kind == "beta" else rate)
        count["found_by_lots"] += evidence_above(worse / SIZE, limit).reached is not None
    return {name: k / repetitions for name, k in count.items()}


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    for kind, icc, rate in CASES:
        yield {"kind": kind, "icc": icc, "rate": rate, **alarms(kind, icc, rate, repetitions=repetitions)}


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    names = ("known_by_lots", "known_by_stretches", "learnt_by_lots", "known_by_passes")
    largest = {f"largest_{name}": max(row[name] for row in rows) for name in names}
    return {"lots": LOTS, "lot_size": SIZE, **largest}


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=2000, largest_meant=0.05)
