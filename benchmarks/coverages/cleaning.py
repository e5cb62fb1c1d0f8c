"""Simulated coverage of the time to cleaning from levels seen over days; writes cleaning.json beside this file.

    python benchmarks/coverages/cleaning.py [--repetitions 1000]

The logarithm of the light falls by 1 % a day; what is seen of it scatters by 3 %, as lamps, product and temperature
differ from day to day, and neighbouring days correlate by `alike`. `kind`: "steady"; "temperature", with 6 % more that
comes and goes over weeks: neighbouring days correlate by 0.95; "steps", where dirt falls once in ten days on average;
"season", where the light also rises and falls by 3 % over a year, begun at any day: what looks like dirt for the days
observed no interval can allow for. Asked is the time until a reserve of 20 % is used up. `covered`: its interval, which
may have no end, holds the true time. `plain`: least squares with Student's t, which takes days as independent. `ends`:
the interval has an end, that is, a loss is shown. One day in five is missing. `refused`: the scatter is taken for a
cleaning; the other shares are of what is answered.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import chain, product
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from teachlab.errors import ParameterError
from teachlab.questions.stress.cleaning import cleaning_from, observed_loss
from teachlab.statistics.over_time.trend import fit_line

RATE, SCATTER, RESERVE = 0.01, 0.03, 0.2
ALIKE = (0.0, 0.3, 0.6, 0.8)
DAYS = (5, 10, 20, 40, 90)
DEMANDED = 0.93


def lost(kind: str, days: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Return the logarithm of the light on every day, without what differs from day to day."""
    steady = -RATE * np.arange(days)
    if kind == "steps":
        return -10 * RATE * np.cumsum(rng.poisson(0.1, days))
    if kind == "temperature":
        shocks = rng.normal(size=days)
        shocks[1:] *= math.sqrt(1 - 0.95**2)
        return steady + 2 * SCATTER * lfilter([1.0], [1.0, -0.95], shocks)
    if kind == "season":
        return steady + 0.03 * np.sin(2 * np.pi * (np.arange(days) / 365 + rng.random()))
    return steady


def coverage(alike: float, days: int, kind: str = "steady", *, repetitions: int, seed: int = 0) -> dict[str, float]:
    """Return how often the interval of the time holds the true one."""
    rng = np.random.default_rng([seed, days, round(100 * alike)])
    true = -math.log(1 - RESERVE) / RATE
    count = dict.fromkeys(("covered", "plain", "ends"), 0)
    refused = 0
    for _ in range(repetitions):
        shocks = rng.normal(size=2 * days + 1)
        shocks[1:] *= math.sqrt(1 - alike**2)
        wander = SCATTER * lfilter([1.0], [1.0, -alike], shocks)
        at = np.sort(rng.permutation(math.ceil(1.25 * days))[:days])
        logs = 6.0 + lost(kind, wander.size, rng)[at] + wander[at]
        try:
            found = cleaning_from(RESERVE, observed_loss(at.tolist(), np.exp(logs).tolist()))
        except ParameterError:
            refused += 1
            continue
        earliest, latest = found.earliest or 0.0, found.latest or 0.0
        count["covered"] += earliest <= true <= latest
        count["ends"] += math.isfinite(latest)
        line = fit_line(at, logs)
        count["plain"] += line is not None and line.low <= -RATE <= line.high
    answered = repetitions - refused
    return {name: k / answered for name, k in count.items()} | {"refused": refused / repetitions}


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    steady = product(("steady",), ALIKE, DAYS)
    for kind, alike, days in chain(steady, product(("temperature", "steps", "season"), (0.0,), (20, 40, 90))):
        found = coverage(alike, days, kind, repetitions=repetitions)
        yield {"kind": kind, "alike": alike, "days": days, **found}


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "smallest": min(row["covered"] for row in rows if row["kind"] == "steady"),
        "smallest_to_alike_0.6": min(row["covered"] for row in rows if row["kind"] == "steady" and row["alike"] <= 0.6),
        **{
            f"smallest_{kind}": min(row["covered"] for row in rows if row["kind"] == kind)
            for kind in ("temperature", "steps", "season")
        },
        "most_refused": max(row["refused"] for row in rows),
    }


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=1000, nominal=0.95, demanded=DEMANDED)
