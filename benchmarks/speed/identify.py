"""Identifying a long log: 10⁷ samples with 10⁵ edges, in how many readings of the whole light.

    python benchmarks/speed/identify.py [samples]

Measured once: 10,000,000 samples, 173,266 edges, 2 readings, 19 times one replay.
Prints the edges, the readings of the whole log, and the time as a multiple of one replay of the same log.
"""

from __future__ import annotations

import runpy
import sys
import time
from pathlib import Path

import numpy as np

from teachlab.device.identification import identify_edges
from teachlab.device.logged_edges import LoggedEdges
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.switching.run import replay
from teachlab.synthetic.sensor.logged_output import SimulatedSensor

DRAWN = runpy.run_path(str(Path(__file__).parents[1] / "device.py"))
SENSOR = SimulatedSensor(
    on_level=580, off_level=540, consecutive=2, off_delay=2, ratio=2, phase=1, lag=3, jitter=1, missing=0.01,
    spurious=0.01,
)  # fmt: skip


def main(samples: int = 10_000_000) -> None:
    rng = np.random.default_rng(1)
    parts, size = [], 0
    while size < samples:
        parts.append(DRAWN["line"](rng, 2000))
        size += parts[-1].size
    light = np.concatenate(parts)[:samples]
    edges = LoggedEdges.of(SENSOR.output(light, rng))
    begin = time.process_time()
    found = identify_edges(light, edges, sample_rate_hz=1000, unit="counts", jitter=1)
    spent = time.process_time() - begin
    setting = found.representative
    if setting is None:
        raise SystemExit(f"refused: {found.refused}")
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    begin = time.process_time()
    replay(recording, setting)
    once = time.process_time() - begin
    print(
        f"{light.size:,} samples, {edges.count:,} edges: {found.readings} readings of the whole log, "
        f"{spent / once:.0f} times one replay; not in the set: {DRAWN['missing_from'](found, SENSOR) or 'nothing'}"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
