"""The surface against outside counts: rainflow cycles, scikit-learn's confusion counts, and two real recordings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rainflow

from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import read_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.values.table import counts_by_table
from teachlab.scoring import score
from teachlab.switching import replay

ASTM = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
"""ASTM E1049-85, Standard Practices for Cycle Counting in Fatigue Analysis, Fig. 6."""
INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
BASE = Setting(unit="counts", on_level=0.0, off_level=0.0)
DATASETS = Path(__file__).resolve().parents[2] / "datasets"


def onsets_by_cycles(series: list[int], levels: np.ndarray) -> np.ndarray:
    """Onsets of every pair from the `rainflow` package: closed cycles and the two halves between darks."""
    dark = int(min(series)) - 100
    cycles = list(rainflow.extract_cycles([dark, *series, dark]))
    peaks = np.array([mean + width / 2 for width, mean, _, _, _ in cycles])
    valleys = np.array([mean - width / 2 for width, mean, _, _, _ in cycles])
    counts = np.array([n for _, _, n, _, _ in cycles])
    out = np.zeros((levels.size, levels.size))
    for i, on in enumerate(levels):
        for j, off in enumerate(levels[: i + 1]):
            out[i, j] = counts[(peaks >= on) & (valleys < off)].sum()
    return out


def random_walk(seed: int) -> list[int]:
    rng = np.random.default_rng(seed)
    return [int(x) for x in np.cumsum(rng.integers(-6, 7, int(rng.integers(2, 80))))]


@pytest.mark.parametrize("series", [ASTM, *(random_walk(seed) for seed in range(20))], ids=range(21))
def test_onsets_are_the_rainflow_cycles(series: list[int]) -> None:
    """The whole series lies in one pass: its onsets are the hit and all that is extra."""
    levels = np.arange(min(series) - 1.0, max(series) + 2.0)
    dark = [min(series) - 100] * 2
    light = np.array([*dark, *series, *dark], np.float64)
    truth = Truth.from_arrays(np.array([1]), np.array([light.size - 1]))
    found = surface(Recording.from_array(light, INFO), truth, BASE, levels=levels)
    onsets = found.detect_trials - found.lost + found.extra + found.false_trips
    lower = np.tri(levels.size, dtype=bool)
    np.testing.assert_array_equal(onsets[lower], onsets_by_cycles(series, levels)[lower])


def test_the_printed_ranges_of_the_standard() -> None:
    """Cycles of range 3: 0.5, 4: 1.5, 6: 0.5, 8: 1, 9: 0.5 (Fig. 6)."""
    assert dict(rainflow.count_cycles(ASTM)) == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}


def test_lost_and_tripped_are_the_confusion_counts_of_scikit_learn() -> None:
    """One sample per trial and the dark between them: a trial switches exactly if its sample reaches the level."""
    from sklearn.metrics import confusion_matrix_at_thresholds

    rng = np.random.default_rng(5)
    trials = 400
    is_pass = rng.random(trials) < 0.4
    height = np.round(rng.normal(np.where(is_pass, 60, 40), 9), 0)
    light = np.full(3 * trials + 2, -1000.0)
    light[2 + 3 * np.arange(trials)] = height
    at = 2 + 3 * np.flatnonzero(is_pass)
    truth = Truth.from_arrays(at, at + 1)
    found = surface(Recording.from_array(light, INFO), truth, BASE)
    tn, fp, fn, tp, thresholds = confusion_matrix_at_thresholds(is_pass, height)
    for k, level in enumerate(thresholds):
        i = int(np.searchsorted(found.levels, level))
        assert found.levels[i] == level
        assert found.lost[i, i] == fn[k]
        assert found.false_trips[i, i] == fp[k]
        assert found.detect_trials - found.lost[i, i] == tp[k]
        assert found.extra[i, i] == 0
    assert thresholds.size > 30
    assert tn.size == thresholds.size


@pytest.mark.parametrize("name", ["photodiode_flashes", "starlight_raw", "starlight_corrected"])
@pytest.mark.parametrize("polarity", list(Polarity))
def test_real_recordings_equal_replay_at_sampled_pairs(name: str, polarity: Polarity) -> None:
    recording = read_recording(DATASETS / f"{name}.parquet")
    truth = read_truth(DATASETS / f"{name}.passes.parquet", samples=recording.samples)
    base = Setting(unit=recording.info.unit, on_level=0, off_level=0, polarity=polarity)
    found = surface(recording, truth, base)
    n = found.levels.size
    assert n == 1000
    rng = np.random.default_rng(1)
    wrong = {}
    for k in range(15):
        # Half of the pairs anywhere, half where most light lies.
        i = int(rng.integers(0, n)) if k % 2 else int(np.clip(rng.normal(n / 2, n / 8), 0, n - 1))
        j = int(rng.integers(0, i + 1))
        scored = score(replay(recording, found.setting(i, j)), truth, tables=False)
        if found.at(i, j) != counts_by_table(scored.counts):
            wrong[i, j] = found.at(i, j), counts_by_table(scored.counts)
    assert wrong == {}
