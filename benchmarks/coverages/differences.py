"""Simulated differences of passes in lots; writes differences.json beside this file.

    python benchmarks/coverages/differences.py [--repetitions 2000]

Lots of 50 passes. "paired": two settings on the same passes; a pass is lost under the first setting only with a rate
that is drawn for its lot from a beta distribution with the intra-lot correlation stated, and so under the second only,
independently of the first; "shared": what is lost under one only is so by one rate of the lot, and it is a toss-up
under which (only in even rates). "unpaired": two recordings, each with lots of its own, lost rates from a beta or a
logit-normal distribution, or a share of bad lots among perfect ones.

`interval` is the coverage of the interval by lots, `naive` that of the one that takes passes as independent. Where both
rates are equal, `size` is the share of recordings with a p-value by lots below 5 %, `size_exact` that of the exact one.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import Any

import numpy as np
from lots import draw

from teachlab.scoring.paired_lots import paired_lots, unpaired_lots
from teachlab.statistics.differences import newcombe, tango
from teachlab.statistics.lots import lot_rate
from teachlab.statistics.paired_tests import Discordance

RATES = ((0.001, 0.001), (0.005, 0.005), (0.02, 0.02), (0.05, 0.05), (0.005, 0.001), (0.02, 0.005), (0.05, 0.01))
LOTS, SIZE = (20, 50, 200), 50
PAIRED = (
    ("independent", 0.0),
    ("beta-binomial", 0.05),
    ("beta-binomial", 0.2),
    ("shared", 0.2),
)
UNPAIRED = (
    ("independent", 0.0),
    ("beta-binomial", 0.05),
    ("beta-binomial", 0.2),
    ("logit-normal", 0.2),
    ("bad lots", 0.2),
    ("unequal beta-binomial", 0.2),
)


def paired(
    kind: str, icc: float, rates: tuple[float, float], lots: int, *, repetitions: int, seed: int = 0
) -> dict[str, float | None]:
    """Return coverage and size for two settings on the same passes."""
    rng = np.random.default_rng([seed, lots, *(round(1e6 * rate) for rate in rates), round(1e3 * icc)])
    true, held, naive, size, size_exact = rates[0] - rates[1], 0, 0, 0, 0
    for _ in range(repetitions):
        if kind == "shared":
            both, of = draw("beta-binomial", icc, sum(rates), lots, SIZE, rng)
            b = rng.binomial(both, 0.5)
            c = both - b
        else:
            (b, of), (c, _) = (draw(kind, icc, rate, lots, SIZE, rng) for rate in rates)
            c = np.minimum(c, of - b)
        found, plain = paired_lots(b, c, of), tango(int(b.sum()), int(c.sum()), int(of.sum()))
        held += found.difference.low <= true <= found.difference.high
        naive += plain.low <= true <= plain.high
        size += found.p < 0.05
        size_exact += Discordance(int(b.sum()), int(c.sum()), int(of.sum())).p_exact < 0.05
    equal = true == 0
    return {
        "interval": held / repetitions,
        "naive": naive / repetitions,
        "size": size / repetitions if equal else None,
        "size_exact": size_exact / repetitions if equal else None,
    }


def unpaired(
    kind: str, icc: float, rates: tuple[float, float], lots: int, *, repetitions: int, seed: int = 0
) -> dict[str, float]:
    """Return coverage for two recordings."""
    rng = np.random.default_rng([seed, lots, *(round(1e6 * rate) for rate in rates), round(1e3 * icc), 2])
    true, held, naive = rates[0] - rates[1], 0, 0
    for _ in range(repetitions):
        one, other = (lot_rate(*draw(kind, icc, rate, lots, SIZE, rng)) for rate in rates)
        found = unpaired_lots(one, other)
        plain = newcombe(*((side.naive.events, side.naive.trials) for side in (one, other)))
        held += found.difference.low <= true <= found.difference.high
        naive += plain.low <= true <= plain.high
    return {"interval": held / repetitions, "naive": naive / repetitions}


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    for of, tried, simulated in (("paired", PAIRED, paired), ("unpaired", UNPAIRED, unpaired)):
        for (kind, icc), lots in product(tried, LOTS):
            for rates in RATES if kind != "shared" else [r for r in RATES if r[0] == r[1]]:
                found = simulated(kind, icc, rates, lots, repetitions=repetitions)
                yield {"of": of, "kind": kind, "icc": icc, "lots": lots, "lot_size": SIZE, "rates": rates, **found}


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    ways, sizes = ("paired", "unpaired"), ("size", "size_exact")
    smallest = {f"smallest_{of}": min(row["interval"] for row in rows if row["of"] == of) for of in ways}
    return smallest | {f"largest_{n}": max(row[n] for row in rows if row.get(n) is not None) for n in sizes}


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=2000)
