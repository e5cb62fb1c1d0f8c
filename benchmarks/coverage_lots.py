"""Simulated coverage of the interval for passes in lots; writes coverage_lots.json beside this file.

    python benchmarks/coverage_lots.py [--repetitions 4000]

Lots are drawn from a beta-binomial distribution (intra-lot correlation as stated), or from a few thoroughly
bad lots among good ones, of equal or of unequal size. `assumed` is the bound where too few lots hold an event and an
intra-lot correlation of 0.2 is assumed, of levels that tell nothing; elsewhere it is the measured one. `unnamed` is the
same where nobody named the lots and stretches of passes stand in for them; they begin anywhere in a lot.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.score import lot_rate
from teachlab.score.lots import Dependence, Source, blocks_of

RATES = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05)
CASES = (
    # kind, intra-lot correlation
    ("independent", 0.0),
    ("beta-binomial", 0.05),
    ("beta-binomial", 0.2),
    ("bad lots", 0.2),
    ("unequal lots", 0.2),
)


def draw(
    kind: str, icc: float, rate: float, lots: int, size: int, rng: np.random.Generator
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Draw events and trials of every lot of one recording."""
    of = np.full(lots, size)
    if kind == "unequal lots":
        of = rng.integers(size // 5, 2 * size, lots)
    if kind == "independent":
        p: Any = rate
    elif kind == "bad lots":
        # A share of lots is bad at a rate b; b - rate times rate over rate (1 - rate) is the correlation.
        bad = rate + icc * (1 - rate)
        p = np.where(rng.random(lots) < rate / bad, bad, 0.0)
    else:
        p = rng.beta(rate * (1 / icc - 1), (1 - rate) * (1 / icc - 1), lots)
    return rng.binomial(of, p), of


def assumed(found: Dependence) -> Dependence:
    """Return the bound that criteria use: by assumption where too few lots hold an event."""
    return found if found.by_proxy is None else found.by_proxy


def unnamed(
    kind: str, icc: float, rate: float, lots: int, *, size: int = 50, repetitions: int = 1000, seed: int = 0
) -> dict[str, float]:
    """Return how often the bounds hold the true rate where nobody named the lots."""
    rng = np.random.default_rng([seed, lots, round(1e6 * rate), round(1e3 * icc), 1])
    both = upper = 0
    for _ in range(repetitions):
        lost, of = draw(kind, icc, rate, lots + 1, size, rng)
        at = np.repeat(np.cumsum(of) - of, lost)
        # Which passes of a lot are lost is left to chance; the recording begins anywhere in its first lot.
        inside = np.concatenate([rng.permutation(m)[:k] for m, k in zip(of, lost, strict=True)])
        outcomes = np.zeros(int(of.sum()), bool)
        outcomes[(at + inside).astype(np.int64)] = True
        begin = int(rng.integers(0, of[0]))
        found = assumed(lot_rate(*blocks_of(outcomes[begin : begin + lots * size]), source=Source.BLOCKS))
        both += found.low <= rate <= found.high
        upper += rate <= found.upper
    return {"unnamed": both / repetitions, "unnamed_upper": upper / repetitions}


def coverage(
    kind: str, icc: float, rate: float, lots: int, *, size: int = 50, repetitions: int = 4000, seed: int = 0
) -> dict[str, float]:
    """Return how often the intervals and the one-sided bound hold the true rate."""
    rng = np.random.default_rng([seed, lots, round(1e6 * rate), round(1e3 * icc)])
    naive = both = upper = plain = by_assumption = upper_assumed = 0
    effect, width, naive_width = [], [], []
    for _ in range(repetitions):
        found = lot_rate(*draw(kind, icc, rate, lots, size, rng))
        naive += found.naive.low <= rate <= found.naive.high
        both += found.low <= rate <= found.high
        upper += rate <= found.upper
        plain += rate <= found.naive.upper
        used = assumed(found)
        by_assumption += used.low <= rate <= used.high
        upper_assumed += rate <= used.upper
        effect.append(found.design_effect)
        width.append(found.high - found.low)
        naive_width.append(found.naive.high - found.naive.low)
    return {
        "naive": naive / repetitions,
        "interval": both / repetitions,
        "naive_upper": plain / repetitions,
        "upper": upper / repetitions,
        "assumed": by_assumption / repetitions,
        "assumed_upper": upper_assumed / repetitions,
        "median_design_effect": float(np.median(effect)),
        "median_width_over_naive": float(np.median(np.divide(width, naive_width))),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repetitions", type=int, default=4000)
    repetitions = parser.parse_args().repetitions
    rows = []
    for kind, icc in CASES:
        for lots in (20, 50, 200):
            for rate in RATES:
                found = coverage(kind, icc, rate, lots, repetitions=repetitions)
                found |= unnamed(kind, icc, rate, lots, repetitions=repetitions)
                rows.append({"kind": kind, "icc": icc, "lots": lots, "lot_size": 50, "rate": rate, **found})
                print(rows[-1], flush=True)
    document = {
        "nominal": 0.95,
        "repetitions": repetitions,
        "seed": 0,
        "smallest_interval": min(row["interval"] for row in rows),
        "smallest_upper": min(row["upper"] for row in rows),
        "smallest_assumed": min(min(row["assumed"], row["assumed_upper"]) for row in rows),
        "smallest_unnamed": min(min(row["unnamed"], row["unnamed_upper"]) for row in rows),
        "rows": rows,
    }
    text = json.dumps(document, indent=1)
    Path(__file__).with_suffix(".json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
