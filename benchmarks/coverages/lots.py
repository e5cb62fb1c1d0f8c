"""Simulated coverage of the interval for passes in lots; writes lots.json beside this file.

    python benchmarks/coverages/lots.py [--repetitions 4000]

Lots of one kind: rates from a beta or a logit-normal distribution with the intra-lot correlation stated, runs of
losses (a Markov chain in every lot whose counts vary as much as with that correlation), or a share of bad lots among
perfect ones; sizes equal, unequal, or one of ten times the others. Lots of two kinds: in "rare bad lots" few lots lose
a quarter (correlation 0.05) to a half (0.2) of their passes and the others lose now and then, which makes the measured
spread small wherever no bad lot was recorded: `interval` and `upper`, as measured, fail there.

`assumed` is the bound that criteria use by default: an intra-lot correlation of at least 0.2, of levels that tell
nothing. `unnamed` is the same where nobody named the lots and stretches of passes stand in for them; they begin
anywhere in a lot.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import expit

from teachlab.statistics.lots import Dependence, Source, blocks_of, lot_rate

RATES = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05)
TWO_KINDS = "rare bad lots"
CASES = (
    # kind, intra-lot correlation
    ("independent", 0.0),
    ("beta-binomial", 0.05),
    ("beta-binomial", 0.2),
    ("logit-normal", 0.05),
    ("logit-normal", 0.2),
    ("runs", 0.05),
    ("runs", 0.2),
    ("bad lots", 0.05),
    ("bad lots", 0.2),
    ("unequal beta-binomial", 0.2),
    ("unequal logit-normal", 0.2),
    ("one big lot, logit-normal", 0.2),
    (TWO_KINDS, 0.05),
    (TWO_KINDS, 0.2),
)

UNNAMED = ("independent", "beta-binomial", "bad lots", "unequal beta-binomial")
"""Where lots that nobody named are simulated too."""


def draw(
    kind: str, icc: float, rate: float, lots: int, size: int, rng: np.random.Generator
) -> tuple[NDArray[Any], NDArray[Any]]:
    """Draw events and trials of every lot of one recording."""
    of = np.full(lots, size)
    if kind.startswith("unequal"):
        of = rng.integers(size // 5, 2 * size, lots)
    if kind.startswith("one big lot"):
        of[0] = 10 * size
    if kind == "runs":
        return _runs(icc, rate, lots, size, rng), of
    if kind == "independent":
        p: Any = rate
    elif kind == "bad lots":
        # A share of lots is bad at a rate b; b - rate times rate over rate (1 - rate) is the correlation.
        bad = rate + icc * (1 - rate)
        p = np.where(rng.random(lots) < rate / bad, bad, 0.0)
    elif kind == TWO_KINDS:
        # Every pass does as its lot does with a chance of the root of the correlation, else as it likes.
        root = np.sqrt(icc)
        p = root * (rng.random(lots) < rate) + (1 - root) * rate
    elif kind.endswith("logit-normal"):
        middle, spread = _logit_normal(rate, icc)
        p = expit(middle + spread * rng.normal(size=lots))
    else:
        p = rng.beta(rate * (1 / icc - 1), (1 - rate) * (1 / icc - 1), lots)
    return rng.binomial(of, p), of


@cache
def _logit_normal(rate: float, icc: float) -> tuple[float, float]:
    """Return mean and standard deviation of the logit with this rate and this intra-lot correlation."""
    z = np.linspace(-12, 12, 4801)
    weight = np.exp(-z * z / 2) / np.exp(-z * z / 2).sum()

    def middle(spread: float) -> float:
        return float(brentq(lambda m: weight @ expit(m + spread * z) - rate, -200, 10))

    def surplus(spread: float) -> float:
        return float((weight @ expit(middle(spread) + spread * z) ** 2 - rate**2) / (rate * (1 - rate)) - icc)

    spread = float(brentq(surplus, 0.05, 25))
    return middle(spread), spread


def _runs(icc: float, rate: float, lots: int, size: int, rng: np.random.Generator) -> NDArray[Any]:
    """Draw the events of lots in which a loss is followed by a loss more often."""
    again = _persistence(icc, size)
    lost = rng.random(lots) < rate
    events = np.zeros(lots, np.int64)
    for _ in range(size):
        events += lost
        lost = rng.random(lots) < rate * (1 - again) + again * lost
    return events


@cache
def _persistence(icc: float, size: int) -> float:
    """Return the correlation of neighbours with which counts of lots vary as with this intra-lot correlation."""
    lag = np.arange(1, size)
    return float(brentq(lambda r: 2 * ((1 - lag / size) * r**lag).sum() - (size - 1) * icc, 0, 0.99999))


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
        # Which passes of a lot are lost is left to chance; the recording begins anywhere in its first lot.
        outcomes = np.zeros(int(of.sum()), bool)
        for first, m, k in zip((np.cumsum(of) - of)[lost > 0], of[lost > 0], lost[lost > 0], strict=True):
            outcomes[first + rng.choice(m, k, replace=False, shuffle=False)] = True
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


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    for (kind, icc), lots, rate in product(CASES, (20, 50, 200), RATES):
        found = coverage(kind, icc, rate, lots, repetitions=repetitions)
        if kind in UNNAMED:
            found |= unnamed(kind, icc, rate, lots, repetitions=repetitions)
        yield {"kind": kind, "icc": icc, "lots": lots, "lot_size": 50, "rate": rate, **found}


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    alike = [row for row in rows if row["kind"] != TWO_KINDS]
    return {
        "smallest_interval": min(row["interval"] for row in alike),
        "smallest_upper": min(row["upper"] for row in alike),
        "smallest_interval_with_rare_bad_lots": min(row["interval"] for row in rows),
        "smallest_assumed": min(min(row["assumed"], row["assumed_upper"]) for row in rows),
        "smallest_unnamed": min(min(row["unnamed"], row["unnamed_upper"]) for row in rows if "unnamed" in row),
    }


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=4000)
