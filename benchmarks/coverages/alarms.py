"""Simulated alarms of the cumulative sum on passes in lots; writes alarms.json beside this file.

    python benchmarks/coverages/alarms.py [--repetitions 2000]

Normal passes of variance 1, of which the intra-lot correlation lies between lots; "two kinds": the lots are of two
levels, as of two colours, half of each; sizes equal, or unequal by up to ten times. `across`: a recording against one
before. `unnamed`: the same where nobody named the lots, so that stretches of passes stand in for them; they begin
anywhere in a lot. `within`: a recording of as many lots as are watched, against its first fifth. `passes`: what the
sum does that takes passes as independent. Each is told as the share of recordings with an alarm, where nothing
changes (`steady`: at most 5 % is meant) and where all passes fall by one or two standard deviations (`fall 1`,
`fall 2`; within, from the middle on); `delay` is the median number of passes to the alarm across, of recordings with
one.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.questions.stale.lot_alarm import falling_below, falling_within, level_of_lots
from teachlab.statistics.lots import Source, blocks_of
from teachlab.statistics.over_time.cumulative_sums import sums_of, threshold_for

KINDS = ("normal", "two kinds", "unequal")
CORRELATIONS = (0.0, 0.05, 0.2, 0.6)
LOTS = ((5, 8), (10, 10), (10, 60), (20, 20), (20, 60), (50, 50))
"""Lots before, and lots watched."""
SIZE = 20
Floats = NDArray[np.float64]


def draw(kind: str, icc: float, lots: int, rng: np.random.Generator) -> tuple[Floats, NDArray[np.int64]]:
    """Draw the passes of one recording, and the number of the lot of each."""
    of = rng.integers(SIZE // 5, 2 * SIZE, lots) if kind == "unequal" else np.full(lots, SIZE)
    between = rng.choice([-1.0, 1.0], lots) if kind == "two kinds" else rng.normal(size=lots)
    code = np.repeat(np.arange(lots), of)
    return np.sqrt(icc) * between[code] + np.sqrt(1 - icc) * rng.normal(size=code.size), code


def alarms(
    kind: str, icc: float, lots: tuple[int, int], fall: float, *, repetitions: int, seed: int = 0
) -> dict[str, float | None]:
    """Return the shares of recordings with an alarm."""
    rng = np.random.default_rng([seed, *lots, round(100 * icc), round(10 * fall), KINDS.index(kind)])
    count = dict.fromkeys(("across", "unnamed", "within", "passes"), 0)
    delays = []
    for _ in range(repetitions):
        before, code = draw(kind, icc, lots[0], rng)
        now, now_code = draw(kind, icc, lots[1], rng)
        fallen = now - fall
        level = level_of_lots(before, code)
        found = None if level is None else falling_below(fallen, level, before=before)
        if found is not None and found.alarm is not None:
            count["across"] += 1
            delays.append(found.alarm + 1)
        begin = int(rng.integers(0, SIZE))
        _, of = blocks_of(np.zeros(before.size - begin, bool))
        level = level_of_lots(before[begin:], np.repeat(np.arange(of.size), of), source=Source.BLOCKS)
        found = None if level is None else falling_below(fallen, level, before=before[begin:])
        count["unnamed"] += found is not None and found.alarm is not None
        found = falling_within(np.where(np.arange(now.size) < now.size // 2, now, fallen), now_code)
        count["within"] += found is not None and found.alarm is not None
        sums = sums_of((before.mean() - fallen) / before.std(ddof=1) - 0.5)
        count["passes"] += bool((sums > threshold_for(fallen.size, before.size)).any())
    return {name: k / repetitions for name, k in count.items()} | {
        "delay": float(np.median(delays)) if delays else None
    }


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    for kind, icc, lots in product(KINDS, CORRELATIONS, LOTS):
        row: dict[str, Any] = {"kind": kind, "icc": icc, "lots_before": lots[0], "lots_now": lots[1], "lot_size": SIZE}
        for name, fall, times in (("steady", 0.0, 1), ("fall 1", 1.0, 5), ("fall 2", 2.0, 5)):
            row[name] = alarms(kind, icc, lots, fall, repetitions=max(1, repetitions // times))
        yield row


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    names = ("across", "unnamed", "within", "passes")
    return {"largest_steady": {name: max(row["steady"][name] for row in rows) for name in names}}


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=2000, meant=0.05)
