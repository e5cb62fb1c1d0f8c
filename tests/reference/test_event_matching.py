"""Hits, false trips and positions equal those of three libraries that score events, where definitions coincide.

mir_eval 0.8 is asked here. sed_eval 0.2.1 and sktime 1.2.0 need older libraries than this project; their answers are
stored in `data/outside_detection.json`, written by `benchmarks/outside/detection.py` in an environment of its own.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mir_eval.util import match_events

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.scoring.switching_position import SwitchingPosition, switching_position
from teachlab.switching import replay

RATE_HZ = 100.0
STORED = json.loads((Path(__file__).parent / "data" / "outside_detection.json").read_text())["cases"]


def scored(samples: int, starts: list[int], onsets: list[int], *, length: int, collar: int) -> tuple[
    Score, SwitchingPosition
]:  # fmt: skip
    """Score light that is 1 for one sample at every onset; the collar is the tolerance of every border."""
    light = np.zeros(samples, np.uint8)
    light[onsets] = 1
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=RATE_HZ, unit="counts"))
    truth = Truth.from_arrays(starts, [start + length for start in starts])
    output = replay(recording, Setting(unit="counts", on_level=1, off_level=1))
    assert output.onsets.tolist() == onsets
    ms = 1000 * collar / RATE_HZ
    result = score(output, truth, rules=Rules(tolerance_ms=ms))
    return result, switching_position(output, truth, result.trials, recording.info, rules=Rules(tolerance_ms=ms))


def of_stored(case: dict[str, Any]) -> tuple[Score, SwitchingPosition]:
    return scored(case["samples"], case["starts"], case["onsets"], length=case["length"], collar=case["collar"])


@pytest.mark.parametrize("case", [case for case in STORED if "sed_eval" in case])
def test_instants_with_collars_equal_sed_eval(case: dict[str, Any]) -> None:
    """Passes of one sample: what we miss and what we count as false are its deletions and insertions."""
    theirs, (ours, _) = case["sed_eval"], of_stored(case)
    n = ours.counts
    assert n.hits == theirs["tp"]
    assert n.misses == theirs["ref"] - theirs["tp"]
    assert n.false_trips + n.extra == theirs["sys"] - theirs["tp"]
    # Its error rate is our cost with weights of one.
    assert (n.lost + n.false_trips + n.extra) / n.scored_passes == pytest.approx(theirs["error_rate"])


@pytest.mark.parametrize("case", STORED)
def test_stretches_equal_sktime(case: dict[str, Any]) -> None:
    """Its event window around the begin of a pass is our window; alarms in no window are our false trips."""
    theirs, (ours, position) = case["sktime"], of_stored(case)
    n = ours.counts
    assert n.hits / n.scored_passes == pytest.approx(theirs["hit_share"])
    # Its time runs from the first sample to the last, ours counts every evaluation.
    hours = ours.running_hours * (case["samples"] - 1) / case["samples"]
    assert n.false_trips / hours == pytest.approx(theirs["false_per_sample"] * RATE_HZ * 3600)
    if theirs["mean_offset"] is None:
        assert n.hits == 0
    else:
        assert position.onset_ms.mean() == pytest.approx(1000 * theirs["mean_offset"] / RATE_HZ)


def apart(rng: np.random.Generator, size: int, most: int) -> list[int]:
    """Return onsets at least two samples apart."""
    drawn = np.unique(rng.integers(30, most - 30, size))
    out: list[int] = []
    for one in drawn.tolist():
        if not out or one >= out[-1] + 2:
            out.append(one)
    return out


@pytest.mark.parametrize("seed", range(100))
def test_instants_whose_windows_are_apart_equal_mir_eval(seed: int) -> None:
    """Its largest matching of events within a window is ours where no onset lies in two windows."""
    rng = np.random.default_rng(seed)
    collar = int(rng.integers(0, 8))
    starts = (20 + np.cumsum(rng.integers(2 * collar + 2, 2 * collar + 40, 20))).tolist()
    samples = starts[-1] + 60
    onsets = apart(rng, int(rng.integers(1, 40)), samples)
    ours, _ = scored(samples, starts, onsets, length=1, collar=collar)
    theirs = match_events(np.array(starts, float), np.array(onsets, float), collar)
    assert ours.counts.hits == len(theirs)
    assert ours.counts.extra + ours.counts.false_trips == len(onsets) - len(theirs)


@pytest.mark.parametrize("seed", range(100))
def test_where_windows_meet_a_largest_matching_has_at_least_as_many_hits(seed: int) -> None:
    """Windows that would overlap meet half-way: an onset belongs to the nearer pass, whoever else could use it."""
    rng = np.random.default_rng(seed)
    collar = int(rng.integers(3, 12))
    starts = (20 + np.cumsum(rng.integers(2, collar, 30))).tolist()
    samples = starts[-1] + 60
    onsets = apart(rng, int(rng.integers(5, 60)), samples)
    ours, _ = scored(samples, starts, onsets, length=1, collar=collar)
    theirs = match_events(np.array(starts, float), np.array(onsets, float), collar)
    assert ours.counts.hits <= len(theirs)


def test_the_smallest_line_on_which_they_differ() -> None:
    """Two passes, 4 samples apart, and two onsets at the first: we say one hit and one extra, a matching two hits."""
    ours, _ = scored(80, [30, 34], [29, 31], length=1, collar=3)
    assert (ours.counts.hits, ours.counts.extra, ours.counts.misses) == (1, 1, 1)
    assert len(match_events(np.array([30.0, 34.0]), np.array([29.0, 31.0]), 3)) == 2
