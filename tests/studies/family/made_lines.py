"""Small lines for studies: files with passes, each line a little different."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth


def line(seed: int, passes: int = 30, *, name: str = "line", weak: float = 0.0) -> tuple[Recording, Truth]:
    """Passes of 40 samples every 100 in lots of five; a share of them weak."""
    rng = np.random.default_rng(seed)
    light = rng.normal(10, 1, passes * 100 + 60)
    start = 60 + 100 * np.arange(passes)
    for a in start:
        light[a : a + 40] += 6 if rng.random() < weak else rng.uniform(30, 60)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=200.0)
    truth = Truth.from_arrays(start, start + 40, lot=[f"lot {k // 5}" for k in range(passes)])
    return Recording.from_array(light.astype(np.float32), info, name=name), truth


def write_line(place: Path, seed: int, passes: int = 30, *, weak: float = 0.0) -> Path:
    """Write such a line, and return where it is."""
    place.parent.mkdir(parents=True, exist_ok=True)
    recording, truth = line(seed, passes, weak=weak)
    write_recording(place, recording)
    write_truth(place.with_suffix(".passes.parquet"), truth)
    return place


def content(folder: Path) -> dict[str, bytes]:
    """Return every file of a folder with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
