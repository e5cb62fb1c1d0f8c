"""A stressed replay is an unstressed one at other levels: against replay of the stressed light itself."""

from __future__ import annotations

import math
from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from teachlab.errors import InputError
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.questions.stress.light import LARGEST, Receiver, Stress, first_true
from teachlab.questions.stress.map import at_speed, stress_map
from teachlab.questions.surface.values.table import counts_by_table
from teachlab.scoring import score
from teachlab.scoring.claimable import wrong_apart
from teachlab.switching import replay


def test_comparisons_equal_those_of_the_stressed_light() -> None:
    rng = np.random.default_rng(0)
    for k in range(1500):
        limits = (0.0, 10.0) if k % 2 else (-math.inf, math.inf)
        gain, ambient = float(rng.choice([0, 0.1, 0.37, 1, 0.5, 1.2, 1e-9])), float(rng.choice([0, 0.1, -3, 7.3]))
        pedestal, receiver = float(rng.choice([0, 2.2])), Receiver(float(rng.choice([0, 1.5])), *limits)
        stress = Stress(gain, ambient, pedestal, receiver)
        x = np.concatenate([rng.normal(5, 4, 50), rng.integers(0, 11, 20) * 0.1])
        y = stress.apply(x)
        level = float(rng.choice(y)) if k % 3 else float(rng.normal(5, 4))
        before = stress.receiver.levels_before(level, stress.gain, stress.ambient, stress.pedestal)[0]
        np.testing.assert_array_equal(y >= level, x >= before)


@pytest.mark.parametrize("part", range(4))
def test_map_equals_replay_of_mapped_light(part: int, cases: ModuleType) -> None:
    wrong = {}
    for seed in range(part * 5, 400, 100):
        case = cases.make(seed)
        light = case.light.astype(np.float64)
        if np.isinf(light).any():
            continue
        info = replace(cases.info_of(case), full_scale=30.0 if seed % 2 else None, dark_level=2.0)
        recording = Recording.from_array(light, info, invalid=case.null if case.null.any() else None)
        truth, setting = cases.truth_of(case), cases.setting_of(case)
        axes = {"gain": (1.0, 0.7, 0.25, 0.0), "ambient": (0.0, 3.3), "pedestal": (0.0, 1.7)}
        try:
            found = stress_map(recording, truth, setting, rules=Rules(tolerance_ms=case.tolerance_ms), **axes)
        except InputError:
            continue
        sound = light[~np.isnan(light) & ~case.null]
        receiver = Receiver.of(recording, float(sound.min()), float(sound.max()))
        for a, g in enumerate(axes["gain"]):
            for b, ambient in enumerate(axes["ambient"]):
                for c, pedestal in enumerate(axes["pedestal"]):
                    # Extremes of all samples and of the evaluated ones may differ: clip as the map did.
                    mapped = Stress(g, ambient, pedestal, receiver).apply(light)
                    if info.full_scale is not None and setting.evaluation_rate_hz is not None:
                        continue
                    output = replay(Recording.from_array(mapped, info, invalid=case.null), setting)
                    scored = score(output, truth, rules=Rules(tolerance_ms=case.tolerance_ms), tables=False)
                    # Passes that merged with the one that they touch are not lost.
                    expected = counts_by_table(scored.counts) | {"lost": wrong_apart(truth, scored)[0]}
                    got = {n: int(getattr(found, n)[a, b, c]) for n in ("lost", "false_trips", "extra", "ignore_trips")}
                    if any(got[n] != expected[n] for n in got):
                        wrong[seed, g, ambient, pedestal] = got, expected
    assert wrong == {}


def test_reserve_is_where_the_first_trial_goes_wrong() -> None:
    """Passes of 40 and 50 on a background of 10, on 32, off 20: the weaker pass is lost below a gain of 0.8."""
    from teachlab.model.recording import RecordingInfo
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth

    light = np.full(100, 10.0)
    light[20:30], light[60:70] = 40.0, 50.0
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", full_scale=100.0)
    recording, truth = Recording.from_array(light, info), Truth.from_arrays([20, 60], [30, 70])
    setting = Setting(unit="counts", on_level=32, off_level=20)
    found = stress_map(recording, truth, setting, gain=(1.0, 0.8, 0.79, 0.5), ambient=(0.0, 5.0))
    assert found.lost[:, 0, 0].tolist() == [0, 0, 1, 2]
    assert found.contamination_reserve == pytest.approx(0.2, abs=1e-6)
    # Ambient light: from a rise of 10 on the background no longer falls below the off-level.
    assert found.ambient_reserve == pytest.approx(10.0, abs=1e-5)
    assert found.boundary()[0] == [0.8]
    fails = stress_map(recording, truth, replace(setting, on_level=60.0), gain=(1.0,))
    assert fails.contamination_reserve is None
    assert fails.ambient_reserve is None


def test_a_faster_line_shows_fewer_evaluations_per_pass() -> None:
    from teachlab.model.recording import RecordingInfo
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth

    light = np.full(400, 10.0)
    for start in range(20, 380, 40):
        light[start : start + 6] = 50.0
    starts = np.arange(20, 380, 40)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    setting = Setting(unit="counts", on_level=30, off_level=20, consecutive=3)
    truth = Truth.from_arrays(starts, starts + 6)
    for factor, lost in ((1.0, 0), (2.0, 0), (4.0, 9)):
        faster, same = at_speed(recording, setting, factor)
        assert score(replay(faster, same), truth).counts.lost == lost


@given(st.integers(0, 2**32 - 1))
def test_the_first_float_is_found_whatever_it_is_thought_to_be_near(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size = 40
    true = rng.standard_normal(size) * 10.0 ** rng.integers(-300, 300, size)
    true[:4] = 0.0, np.inf, -LARGEST, LARGEST
    low, high = np.full(size, -LARGEST), np.full(size, LARGEST)
    with np.errstate(all="ignore"):
        near = true * (1 + rng.choice([0, 1e-16, 1e-15, 1e-9, 1, -2], size))
        near[rng.random(size) < 0.1] = rng.choice([np.nan, np.inf, -np.inf, 0.0])
        rounded = rng.choice([0.0, 1.0, np.nan, np.inf], size) * np.abs(near)
    found = first_true(lambda x: x >= true, low, high, near, rounded)
    assert np.array_equal(found, np.minimum(true, LARGEST))
