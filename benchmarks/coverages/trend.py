"""Simulated coverage of the time to cleaning; writes trend.json beside this file.

    python benchmarks/coverages/trend.py [--repetitions 500]

Passes whose light falls by 10 % an hour over three hours, with a scatter of 10 % of which the intra-lot correlation
lies between lots. Asked is when a tenth of the passes lies below a level: "ahead", half an hour after the recording, or
"within" it. Normal scatter, or lots of two kinds, as of two colours, half of each, or lots that follow one
another, as days do: neighbours correlate by 0.6. `named`: by lots. `unnamed`: by stretches of passes, which begin
anywhere in a lot. `slope` is the coverage of the interval of the slope by lots.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal import lfilter
from scipy.special import ndtr

from teachlab.statistics.over_time.trend import FittedLine, crossing, fit_lowered

HOURS, SLOPE, SCATTER, SHARE = 3.0, -0.1, 0.1, 0.1
CASES = (
    # kind, intra-lot correlation, lots, passes of each
    *(("normal", icc, 20, 20) for icc in (0.0, 0.05, 0.2, 0.6)),
    ("normal", 0.2, 6, 50),
    ("normal", 0.2, 10, 20),
    ("normal", 0.2, 20, 50),
    ("normal", 0.2, 100, 10),
    ("two kinds", 0.2, 20, 20),
    ("two kinds", 0.6, 20, 20),
    ("unequal", 0.2, 20, 20),
    ("following", 0.2, 6, 20),
    ("following", 0.2, 20, 20),
    ("following", 0.2, 40, 20),
    ("following", 0.6, 20, 20),
)
ALIKE = 0.6
"""Correlation of neighbouring lots, as of days, of the kind "following"."""
WHERE = {"ahead": 3.5, "within": 1.5}


def quantile(kind: str, icc: float) -> float:
    """Return the lower tenth of the scatter, in its standard deviations."""
    if kind != "two kinds":
        return -1.2815515655446004
    a, b = math.sqrt(icc), math.sqrt(1 - icc)
    return float(brentq(lambda x: ndtr((x - a) / b) / 2 + ndtr((x + a) / b) / 2 - SHARE, -9, 9))


def held(line: FittedLine | None, level: float, true: float) -> bool:
    """Whether the places that the line does not rule out hold the true one."""
    return line is not None and any(low <= true <= high for low, high in crossing(line, level)[1])


def stretches(passes: int) -> NDArray[np.int64]:
    """Return the number of the stretch of every pass, ten in all, as in a recording without lots."""
    return np.arange(passes) * 10 // passes


def coverage(
    kind: str, icc: float, lots: int, size: int, where: str, *, repetitions: int, seed: int = 0
) -> dict[str, float]:
    """Return how often the intervals hold the true time."""
    rng = np.random.default_rng([seed, lots, size, round(100 * icc), len(kind), len(where)])
    true = WHERE[where]
    level = SLOPE * true + SCATTER * quantile(kind, icc)
    count = dict.fromkeys(("named", "unnamed", "slope"), 0)
    for _ in range(repetitions):
        of = rng.integers(size // 5, 2 * size, lots + 1) if kind == "unequal" else np.full(lots + 1, size)
        between = rng.choice([-1.0, 1.0], lots + 1) if kind == "two kinds" else rng.normal(size=lots + 1)
        if kind == "following":
            between[1:] *= math.sqrt(1 - ALIKE**2)
            between = lfilter([1.0], [1.0, -ALIKE], between)
        code = np.repeat(np.arange(lots + 1), of)
        scatter = SCATTER * (math.sqrt(icc) * between[code] + math.sqrt(1 - icc) * rng.normal(size=code.size))
        named = slice(0, code.size - of[-1])
        at = np.linspace(0, HOURS, named.stop)
        # Not more groups than a recording is cut into: neighbouring lots are taken together.
        line = fit_lowered(at, SLOPE * at + scatter[named], code[named] * min(40, lots) // lots, share=SHARE)
        count["named"] += held(line, level, true)
        count["slope"] += line is not None and line.low <= SLOPE <= line.high
        begin = int(rng.integers(0, min(of[0], of[-1] + 1)))
        rest = scatter[begin : begin + named.stop]
        line = fit_lowered(at, SLOPE * at + rest, stretches(at.size), share=SHARE)
        count["unnamed"] += held(line, level, true)
    return {name: k / repetitions for name, k in count.items()}


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    for (kind, icc, lots, size), where in product(CASES, WHERE):
        found = coverage(kind, icc, lots, size, where, repetitions=repetitions)
        yield {"kind": kind, "icc": icc, "lots": lots, "lot_size": size, "where": where, **found}


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    return {f"smallest_{name}": min(row[name] for row in rows) for name in ("named", "slope", "unnamed")}


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=500)
