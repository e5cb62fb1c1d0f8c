"""Teaching `designed` on a long recording, as a ratio to one surface of the same light.

    python benchmarks/speed/design.py [SAMPLES] [LIGHT]    10,000,000 by default; half of its passes are shown

LIGHT is calm (the default), noisy (noise of a quarter of the contrast in gaps and passes), or flickers (passes of which
the light comes and goes): the last two switch most comparators at every other sample.

The surface counts all pairs of levels of the whole recording. Both count compiled where the extra ``fast`` is installed
and the recording is long, and by NumPy alone. Times are the faster of two runs of process time.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import surface
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.cells import designed_cells
from teachlab.teaching.once import teach_once
from teachlab.teaching.strategies.designed import Designed

PERIOD, LENGTH = 1000, 300


NOISE = {"calm": 12, "noisy": 450, "flickers": 12}


def line(samples: int, kind: str) -> tuple[Recording, Truth]:
    """Passes of 300 samples every 1,000 on a 12-bit log."""
    rng = np.random.default_rng(1)
    light = rng.normal(400, NOISE[kind], samples)
    start = 500 + PERIOD * np.arange((samples - PERIOD) // PERIOD)
    for at, top in zip(start.tolist(), rng.normal(1800, 150, start.size).tolist(), strict=True):
        light[at : at + LENGTH] += top * (rng.random(LENGTH) < 0.6) if kind == "flickers" else top
    info = RecordingInfo(sample_rate_hz=2000.0, unit="counts", full_scale=4095, direction=Direction.RISE)
    return Recording.from_array(light.clip(0, 4095).astype(np.uint16), info), Truth.from_arrays(start, start + LENGTH)


def seconds(work: Callable[[], object]) -> float:
    """CPU time of the faster of two runs."""
    found = []
    for _ in range(2):
        begin = time.process_time()
        work()
        found.append(time.process_time() - begin)
    return min(found)


def main() -> None:
    """Print both times and their ratio."""
    samples = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    kind = sys.argv[2] if len(sys.argv) > 2 else "calm"
    recording, truth = line(samples, kind)
    base = Setting(unit="counts", on_level=0.0, off_level=0.0)
    for engine, fast, fast_from in (
        ("the usual engine", None, designed_cells.FAST_FROM), ("NumPy alone", False, 1 << 62)
    ):  # fmt: skip
        designed_cells.FAST_FROM = fast_from
        designed = seconds(lambda: teach_once(Designed(), TeachBlock(recording, truth), 0, 0))
        counted = seconds(lambda fast=fast: surface(recording, truth, base, fast=fast))  # type: ignore[misc]
        print(
            f"{samples:,} samples, {kind}, {engine}: designed {designed:.2f} s, surface {counted:.2f} s, ratio "
            f"{designed / counted:.2f}"
        )


if __name__ == "__main__":
    main()
