"""Simulated alignment of truth and light; writes alignment.json beside this file.

    python benchmarks/coverages/alignment.py [--repetitions 40]

Lines of boxes of 100 ms at 1 kHz, background 100, objects 1000, edges of 6 ms, noise 10. Truth is shifted by up to two
and a half passes, its clock by up to 200 ppm; its borders jitter, some passes are missing, and some rows are spurious.
Told are the coverage of the 95 % intervals of shift and difference of rate, the errors that 95 % of the repetitions
stay below, the share refused as ambiguous, and the share that was silently put whole passes off. `irregular` is the
standard deviation of the pitch, ms: where it is small against the jitter, nobody can know whole passes.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.alignment import Alignment, measure_alignment
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
LENGTH, PITCH, EDGE, NOISE = 100.0, 250.0, 6.0, 10.0
CASES = tuple(
    # passes, irregular pitch ms, jitter ms, share missing, share spurious
    (passes, irregular, jitter, wrong, wrong)
    for passes in (20, 100)
    for irregular in (0.0, 1.0, 3.0, 10.0, 30.0)
    for jitter, wrong in ((0.3, 0.0), (2.0, 0.0), (2.0, 0.05), (5.0, 0.05))
)

Floats = NDArray[np.float64]


def line(rng: np.random.Generator, passes: int, irregular: float) -> tuple[Recording, Floats, Floats]:
    """Return a recording, and where its objects begin and end, samples."""
    pitch = np.maximum(rng.normal(PITCH, irregular, passes), 1.5 * LENGTH)
    start = np.cumsum(pitch) + 3 * PITCH
    end = start + LENGTH
    samples = int(end[-1] + 4 * PITCH)
    at = np.arange(samples) + 0.5
    corners = np.stack([start - EDGE / 2, start + EDGE / 2, end - EDGE / 2, end + EDGE / 2], 1).ravel()
    light = 100 + np.interp(at, corners, np.tile([0.0, 900, 900, 0], passes)) + rng.normal(0, NOISE, samples)
    return Recording.from_array(np.rint(light).astype(np.int16), INFO), start, end


def told(
    rng: np.random.Generator, recording: Recording, start: Floats, end: Floats,
    *, shift: float, rate: float, jitter: float, missing: float, spurious: float,
) -> Truth:  # fmt: skip
    """Return what a truth with these faults says; aligned, it is moved by `shift` and `rate`."""
    middle = recording.samples / 2
    a, b = (middle + (p - shift - middle) / (1 + rate) + rng.normal(0, jitter, p.size) for p in (start, end))
    kept = rng.random(a.size) >= missing
    a, b = a[kept], b[kept]
    for k in rng.choice(a.size - 1, int(rng.binomial(a.size - 1, spurious)), replace=False):
        free = a[k + 1] - b[k]
        a, b = np.append(a, b[k] + free / 4), np.append(b, b[k] + 3 * free / 4)
    order = np.argsort(a)
    a, b = np.rint(a[order]).astype(int), np.rint(b[order]).astype(int)
    inside = (a >= 0) & (b <= recording.samples)
    return Truth.from_arrays(a[inside], b[inside], uncertainty_samples=1.0)


def one(
    rng: np.random.Generator, passes: int, irregular: float, jitter: float, missing: float, spurious: float
) -> tuple[Alignment | None, float, float]:
    """Return what is measured on one line, and what was done to it: samples, and difference of rate."""
    recording, start, end = line(rng, passes, irregular)
    shift, rate = rng.uniform(-2.5, 2.5) * PITCH, rng.uniform(-2e-4, 2e-4)
    truth = told(
        rng, recording, start, end, shift=shift, rate=rate, jitter=jitter, missing=missing, spurious=spurious
    )  # fmt: skip
    return measure_alignment(recording, truth), shift, rate


def coverage(
    passes: int, irregular: float, jitter: float, missing: float, spurious: float, *, repetitions: int, seed: int = 0
) -> dict[str, float | None]:
    """Return how often intervals hold what was done, how far estimates are off, and how whole passes came out."""
    key = [seed, passes, round(10 * irregular), round(10 * jitter), round(100 * missing), round(100 * spurious)]
    rng = np.random.default_rng(key)
    count = dict.fromkeys(("shift", "rate", "ambiguous", "pass_off", "none"), 0)
    off, ppm = [], []
    for _ in range(repetitions):
        found, shift, rate = one(rng, passes, irregular, jitter, missing, spurious)
        if found is None:
            count["none"] += 1
        elif found.ambiguous:
            count["ambiguous"] += 1
        elif abs(found.lags.shift.shift - shift) > PITCH / 3:
            count["pass_off"] += 1
        else:
            count["shift"] += bool(found.lags.low <= shift <= found.lags.high)
            count["rate"] += bool(found.lags.rate_low <= rate <= found.lags.rate_high)
            off.append(abs(found.lags.shift.shift - shift))
            ppm.append(1e6 * abs(found.lags.rate - rate))
    known = len(off)
    return {
        "found": known / repetitions,
        "ambiguous": count["ambiguous"] / repetitions,
        "pass_off": count["pass_off"] / repetitions,
        "none": count["none"] / repetitions,
        "shift": count["shift"] / known if known else None,
        "rate": count["rate"] / known if known else None,
        "off_ms_95": float(np.quantile(off, 0.95)) if known else None,
        "off_ppm_95": float(np.quantile(ppm, 0.95)) if known else None,
    }


def smallest(rows: list[dict[str, Any]], name: str) -> float:
    """Return the smallest coverage of the cases in which most shifts were told."""
    return min((row[name] for row in rows if row["found"] >= 0.5), default=float("nan"))


def cases(repetitions: int) -> Iterator[dict[str, Any]]:
    for passes, irregular, jitter, missing, spurious in CASES:
        found = coverage(passes, irregular, jitter, missing, spurious, repetitions=repetitions)
        case = {"passes": passes, "irregular": irregular, "jitter": jitter, "missing": missing, "spurious": spurious}
        yield {**case, **found}


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "smallest_shift": smallest(rows, "shift"),
        "smallest_rate": smallest(rows, "rate"),
        "largest_pass_off": max(row["pass_off"] for row in rows),
    }


if __name__ == "__main__":
    from simulation import run

    run(__file__, __doc__, cases, summary, repetitions=40)
