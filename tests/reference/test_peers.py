"""Switching and scoring against what other libraries count on the same numbers."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.sensor.output import Output
from teachlab.switching import replay

SEEDS = range(60)


def switch(light: NDArray[np.generic], on_level: float, off_level: float, polarity: str = "light-on") -> Output:
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    return replay(recording, Setting(unit="counts", on_level=on_level, off_level=off_level, polarity=polarity))


def pulses(output: Output, samples: int) -> list[tuple[int, int]]:
    """First and last active sample of every pulse, those that the record cuts included."""
    starts = ([0] if output.active_at_start else []) + output.onsets.tolist()
    ends = output.releases.tolist() + ([samples] if len(starts) > output.releases.size else [])
    return [(a, b - 1) for a, b in zip(starts, ends, strict=True)]


def trace(seed: int) -> NDArray[np.generic]:
    """A walk, a burst or noise of few distinct values, so that ties with a level are common."""
    rng = np.random.default_rng(seed)
    size = int(rng.integers(5, 400))
    kind = seed % 3
    if kind == 0:
        steps = np.cumsum(rng.integers(-2, 3, size))
    elif kind == 1:
        steps = np.repeat(rng.integers(0, 10, size), rng.integers(1, 8, size))[:size]
    else:
        steps = rng.integers(0, 6, size)
    return (steps * 0.1).astype(np.float32) if seed % 2 else steps.astype(np.int32)


def some_levels(seed: int, light: NDArray[np.generic], count: int) -> list[float]:
    rng = np.random.default_rng([seed, 7])
    occurring = np.unique(light).astype(np.float64)
    between = (occurring[1:] + occurring[:-1]) / 2
    return [float(x) for x in rng.choice(np.concatenate([occurring, between]), count)]


@pytest.fixture(scope="module")
def trigger_onset() -> Callable[..., Any]:
    """obspy's trigger; importing it calls deprecated functions of other libraries."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        from obspy.signal.trigger import trigger_onset as found
    return found


def test_obspy_trigger_at_equal_levels(trigger_onset: Callable[..., Any]) -> None:
    """obspy's trigger is on at ``>= thr_on``; its last sample is the last one still ``>= thr_off``."""
    switched = 0
    for seed in SEEDS:
        light = trace(seed)
        for level in some_levels(seed, light, 5):
            theirs = trigger_onset(light.astype(np.float64), level, level)
            expected = [(int(a), int(b)) for a, b in theirs]
            assert pulses(switch(light, level, level), light.size) == expected, (seed, level)
            switched += len(expected)
    assert switched > 1000


def test_obspy_trigger_when_a_sample_equals_the_level(trigger_onset: Callable[..., Any]) -> None:
    light = np.array([4.0, 5.0, 5.0, 4.0, 6.0, 5.0, 4.0])
    assert trigger_onset(light, 5.0, 5.0).tolist() == [[1, 2], [4, 5]]
    assert pulses(switch(light, 5.0, 5.0), light.size) == [(1, 2), (4, 5)]


def test_skimage_hysteresis_counts_the_same_pulses() -> None:
    """skimage compares with ``>`` where this project compares with ``>=``, so it gets the next lower levels.

    It is not causal: it also marks what lies before the on-crossing. The number of pulses is the same, and so
    is the last sample of each.
    """
    from skimage.filters import apply_hysteresis_threshold

    switched = 0
    for seed in SEEDS:
        light = trace(seed)
        values = light.astype(np.float64)
        for a, b in zip(some_levels(seed, light, 5), some_levels(seed + 1000, light, 5), strict=True):
            on, off = max(a, b), min(a, b)
            marked = apply_hysteresis_threshold(values, np.nextafter(off, -np.inf), np.nextafter(on, -np.inf))
            edges = np.diff(np.concatenate([[0], marked.astype(np.int8), [0]]))
            found = pulses(switch(light, on, off), light.size)
            assert [end for _, end in found] == (np.flatnonzero(edges < 0) - 1).tolist(), (seed, on, off)
            assert all(marked[start] for start, _ in found)
            switched += len(found)
    assert switched > 300


def test_skimage_compares_strictly() -> None:
    """The trap: at the level itself skimage is off and this project is on."""
    from skimage.filters import apply_hysteresis_threshold

    light = np.array([0.0, 5.0, 0.0])
    assert not apply_hysteresis_threshold(light, 5.0, 5.0).any()
    assert switch(light, 5.0, 5.0).onsets.tolist() == [1]


def line(seed: int) -> tuple[NDArray[np.int16], NDArray[np.int64], NDArray[np.int64]]:
    """Passes and gaps that begin and end in the dark, so that a peak at the level is one onset inside."""
    rng = np.random.default_rng(seed)
    light: list[int] = []
    starts, ends = [], []
    for k in range(2 * int(rng.integers(3, 40)) + 1):
        height = int(rng.integers(5, 30)) if k % 2 else int(rng.integers(0, 18))
        if k % 2:
            starts.append(len(light))
        light += [0, *rng.integers(0, height + 1, int(rng.integers(1, 9))).tolist(), 0]
        if k % 2:
            ends.append(len(light))
    return np.array(light, np.int16), np.array(starts, np.int64), np.array(ends, np.int64)


@pytest.mark.parametrize("polarity", ["light-on", "dark-on"])
def test_sklearn_confusion_matrix_on_the_extremes(polarity: str) -> None:
    """With no hysteresis a pass is hit, and a gap tripped, exactly if its extreme reaches the level."""
    from sklearn.metrics import confusion_matrix_at_thresholds

    compared = 0
    for seed in range(25):
        light, starts, ends = line(seed)
        borders = np.unique(np.concatenate([[0], starts, ends]))
        peaks = np.maximum.reduceat(light, borders)
        is_pass = np.isin(borders, starts)
        tns, fps, fns, tps, thresholds = confusion_matrix_at_thresholds(is_pass, peaks)
        truth = Truth.from_arrays(starts, ends)
        for tn, fp, fn, tp, level in zip(tns, fps, fns, tps, thresholds, strict=True):
            if level <= 0:  # dark itself: always active, no onset
                continue
            if polarity == "light-on":
                output = switch(light, float(level), float(level))
            else:  # a dip: the object takes away what it would have added
                output = switch(100 - light, 100 - float(level) + 1, 100 - float(level) + 1, "dark-on")
            found = score(output, truth).as_dict()
            gaps = (found["gaps"] - found["gaps_tripped"], found["gaps_tripped"])
            assert (found["misses"], found["hits"]) == (fn, tp), (seed, level)
            assert gaps == (tn, fp), (seed, level)
            assert found["merged"] == found["excluded_passes"] == 0
            compared += 1
    assert compared > 200
