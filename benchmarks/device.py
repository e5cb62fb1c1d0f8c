"""Simulated sensors, identified: coverage of the set, width of the levels, refusals. Writes results/device.{json,md}.

Lines, settings, rates, lags and faults are drawn; a sensor passes the gate when its own output, without jitter and
faults, contradicts at most one in ten logged edges and there are eight of each direction.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from teachlab.device.identification import identify_edges
from teachlab.device.identified import Identification
from teachlab.device.logged_edges import LoggedEdges
from teachlab.device.matching import ContradictedEdge, MatchedEdges
from teachlab.synthetic.sensor.logged_output import SimulatedSensor

SIGMA = 12.0
RESULTS = Path(__file__).parent / "results"


def line(rng: np.random.Generator, passes: int = 200) -> np.ndarray:
    """Return light of objects with ramps, short ones and notched ones among them, with noise of SIGMA counts."""
    parts = [np.full(60, 200.0)]
    for _ in range(passes):
        wide = int(rng.integers(3, 40)) if rng.random() < 0.4 else int(rng.integers(20, 80))
        top = rng.normal(900, 120)
        up = np.linspace(200, top, int(rng.integers(6, 30)) + 1)
        parts += [up, np.full(wide, top), up[::-1]]
        if rng.random() < 0.25:
            parts += [np.full(rng.integers(1, 8), 200.0), up, np.full(rng.integers(2, 12), top), up[::-1]]
        parts.append(np.full(rng.integers(25, 90), 200.0))
    whole = np.concatenate(parts)
    return np.clip(np.round(whole + rng.normal(0, SIGMA, whole.size)), 0, 4095).astype(np.uint16)


def drawn_sensor(rng: np.random.Generator, faults: float, jitter: int) -> SimulatedSensor:
    """Return a sensor with drawn levels, filter, delays, rate, phase and lag."""
    ratio = int(rng.choice([1, 1, 2, 3, 4, 5]))
    middle, half = float(rng.uniform(450, 650)), float(rng.choice([0, 10, 30]))
    on, off = (int(rng.integers(0, most)) if rng.random() < 0.5 else 0 for most in (4, 5))
    return SimulatedSensor(
        on_level=middle + half, off_level=middle - half, light_on=bool(rng.random() < 0.7),
        consecutive=int(rng.integers(1, 4)), on_delay=on, off_delay=off, ratio=ratio, phase=int(rng.integers(0, ratio)),
        lag=int(rng.integers(0, 6)), jitter=jitter, missing=faults, spurious=faults,
    )  # fmt: skip


def missing_from(found: Identification, sensor: SimulatedSensor) -> list[str]:
    """Return which of a sensor's parameters are not in the set."""
    n, d1, d2 = sensor.consecutive, sensor.on_delay, sensor.off_delay
    true = {
        "latency_active": sensor.lag + sensor.ratio * (n - 1 + d1),
        "latency_inactive": sensor.lag + sensor.ratio * (n - 1 + d2),
        "delay_difference": d2 - d1,
        "pulse_survives": max(n, d1 + 1),
        "gap_survives": max(n, d2 - d1 + 1),
        "lag": sensor.lag,
        "on_level": sensor.on_level,
        "off_level": sensor.off_level,
    }
    out = []
    for name, value in true.items():
        span = found.span(name)
        if span is None or not span.low <= value <= span.high:
            out.append(name)
    same = [c for c in found.classes if c.light_on == sensor.light_on and c.ratio == sensor.ratio]
    if not any(c.latency_active == true["latency_active"] and c.timing.holds(n, d1, d2) for c in same):
        out.append("class")
    return out


def own_edges(sensor: SimulatedSensor, light: np.ndarray, edges: LoggedEdges, jitter: int) -> list[ContradictedEdge]:
    """Return the edges that the sensor itself, without jitter and faults, has not in common with the log."""
    first, *rest = sensor.edges(light).tolist()
    at = np.array(rest, np.int64)
    at = at[at < light.size]
    up, down = at[1 if first else 0 :: 2], at[0 if first else 1 :: 2]
    return list(MatchedEdges.of((edges.active, edges.inactive), (up, down), jitter).unmatched())


def identified(seed: int, *, faults: float, spare: int) -> dict[str, Any] | None:
    """Identify one drawn sensor; None where it does not pass the gate."""
    rng = np.random.default_rng(seed)
    jitter = int(rng.integers(0, 3 - spare))
    sensor, light = drawn_sensor(rng, faults, jitter), line(rng)
    edges = LoggedEdges.of(sensor.output(light, rng))
    wrong = own_edges(sensor, light, edges, jitter + spare)
    own = len(wrong)
    if min(edges.active.size, edges.inactive.size) < 8 or own > 0.1 * edges.count:
        return None
    begin = time.process_time()
    found = identify_edges(light, edges, sample_rate_hz=1000, unit="counts", jitter=jitter + spare)
    seconds = time.process_time() - begin
    if found.refused is not None:
        return {"seed": seed, "refused": True}
    latency = sensor.lag + sensor.ratio * (sensor.consecutive - 1 + sensor.on_delay)
    own_place = sensor.light_on, sensor.ratio, latency
    levels = [c.on_level for c in found.classes if (c.light_on, c.ratio, c.latency_active) == own_place]
    level, span = (levels[0] if levels else None), found.span("on_level")
    if span is None:
        raise RuntimeError(f"seed {seed}: classes without levels")
    return {
        "seed": seed,
        "refused": False,
        "missing": missing_from(found, sensor),
        "fewest": found.classes[0].contradictions,
        "own": own,
        "width": (span.high - span.low) / SIGMA,
        "width_at_latency": None if level is None else (level.high - level.low) / SIGMA,
        "classes": len(found.classes),
        "named": sum(any(_same(one, told, jitter + spare) for told in found.contradictions) for one in wrong),
        "seconds": seconds,
        "complete": found.groups_left == 0,
    }


def _same(one: ContradictedEdge, told: ContradictedEdge, jitter: int) -> bool:
    near = 0 if one.side == "logged" else jitter + 1
    return (one.edge, one.side) == (told.edge, told.side) and abs(one.sample - told.sample) <= near


def main(each: int = 85) -> None:
    rows = []
    for spare in (0, 1):
        for faults in (0.0, 0.01):
            begin = 10_000 * (1 + 2 * spare + (faults > 0))
            tried = [identified(seed, faults=faults, spare=spare) for seed in range(begin, begin + each)]
            known = [one for one in tried if one is not None]
            fitted = [one for one in known if not one["refused"]]
            rows.append(
                {
                    "spare_jitter": spare,
                    "faults": faults,
                    "sensors": each,
                    "passed_gate": len(known),
                    "refused": len(known) - len(fitted),
                    "all_in_set": sum(not one["missing"] for one in fitted),
                    "missing": {one["seed"]: one["missing"] for one in fitted if one["missing"]},
                    "above_own": sum(one["fewest"] > one["own"] for one in fitted),
                    "width_sigma": float(np.median([one["width"] for one in fitted])),
                    "width_at_latency_sigma": float(
                        np.median([w for one in fitted if (w := one["width_at_latency"]) is not None])
                    ),
                    "classes": float(np.median([one["classes"] for one in fitted])),
                    "wrong_edges": sum(one["own"] for one in fitted),
                    "named": sum(one["named"] for one in fitted),
                    "seconds": [float(np.quantile([one["seconds"] for one in fitted], q)) for q in (0.5, 1)],
                    "incomplete": sum(not one["complete"] for one in fitted),
                }
            )
            print(rows[-1], flush=True)
    (RESULTS / "device.json").write_text(json.dumps(rows, indent=1) + "\n")
    table = [
        "# Simulated sensors, identified",
        "",
        "`python benchmarks/device.py`; every count is of sensors that pass the gate. Widths in standard",
        "deviations of the noise, median: of the on-level over all classes, and at the sensor's own latency and rate.",
        "Wrong edges are those that the sensor itself, without jitter and faults, has not in common with the log. One",
        "that is not named is lawful under the setting that is told, which contradicts no more edges than the sensor's",
        "own: the log cannot say that it is wrong.",
        "",
        "| jitter allowed | missing and spurious edges | passed the gate | refused | all parameters in the set "
        "| fewest contradictions above the sensor's own | wrong edges named | width of the on-level | at its latency "
        "| classes | not searched to the end | CPU, s: median, longest |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for row in rows:
        table.append(
            f"| jitter{' + 1' if row['spare_jitter'] else ''} | {100 * row['faults']:g} % each "
            f"| {row['passed_gate']} of {row['sensors']} | {row['refused']} | {row['all_in_set']} "
            f"| {row['above_own']} | {row['named']} of {row['wrong_edges']} | {row['width_sigma']:.2f} "
            f"| {row['width_at_latency_sigma']:.2f} "
            f"| {row['classes']:g} | {row['incomplete']} | {row['seconds'][0]:.1f}, {row['seconds'][1]:.1f} |"
        )
    (RESULTS / "device.md").write_text("\n".join(table) + "\n")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
