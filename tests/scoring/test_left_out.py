"""Stretches that the passes leave out: no window that touches one is scored, by hand and against a plain loop."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.light.excluded import excluded_trials
from teachlab.light.windows import Windows
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import TwoState
from teachlab.switching import replay

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
SETTING = Setting(unit="counts", on_level=40.0, off_level=30.0)


def scored(except_):
    light = np.full(1000, 10.0)
    start = np.array([100, 300, 500, 700])
    for a in start[[0, 2, 3]]:
        light[a : a + 50] = 60.0
    light[400] = light[620] = 60.0  # trips in the gaps after the second and the third pass
    truth = Truth.from_arrays(start, start + 50, except_=except_)
    recording = Recording.from_array(light, INFO)
    return score(replay(recording, SETTING), truth).as_dict()


def test_without_a_stretch_everything_counts():
    found = scored(())
    assert (found["hits"], found["misses"], found["false_trips"], found["excluded_passes"]) == (3, 1, 2, 0)


@pytest.mark.parametrize(
    ("stretch", "misses", "trips", "passes_out", "gaps_out"),
    [
        ((340, 345), 0, 2, 1, 0),  # within the missed pass
        ((350, 360), 1, 1, 0, 1),  # begins where it ends: the gap alone
        ((340, 360), 0, 1, 1, 1),
        ((299, 300), 1, 2, 0, 1),  # ends where it begins
        ((390, 640), 1, 0, 1, 2),  # two gaps and the pass between
        ((1000, 1200), 1, 2, 0, 0),  # behind the record
    ],
)
def test_windows_that_touch_a_stretch_are_excluded_with_their_onsets(stretch, misses, trips, passes_out, gaps_out):
    found = scored((stretch,))
    assert (found["misses"], found["false_trips"]) == (misses, trips)
    assert (found["excluded_passes"], found["excluded_gaps"]) == (passes_out, gaps_out)
    onsets = ("hits", "extra", "false_trips", "ignore_false_trips", "excluded_onsets")
    assert sum(found[name] for name in onsets) == 5
    assert found["hits"] + found["misses"] + found["merged"] + found["excluded_passes"] == 4


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_equal_to_a_loop_over_evaluations(data):
    samples = data.draw(st.integers(40, 400))
    cuts = sorted(data.draw(st.sets(st.integers(1, samples - 1), min_size=2, max_size=16)))
    start, end = cuts[0 : len(cuts) // 2 * 2 : 2], cuts[1::2]
    marks = sorted(data.draw(st.sets(st.integers(0, samples), min_size=0, max_size=8)))
    except_ = tuple(zip(marks[0 : len(marks) // 2 * 2 : 2], marks[1::2], strict=True))
    truth = Truth.from_arrays(start, end, except_=except_)
    clock = Clock.of(samples, 1000.0, data.draw(st.sampled_from([None, 500.0, 300.0])))
    windows = Windows.of(truth, clock, border=data.draw(st.integers(0, 3)), lag=data.draw(st.integers(0, 3)))
    passes, gaps = excluded_trials(truth, windows, clock, TwoState(False, np.empty(0, np.int64)), lag=0)
    read = clock.sample_of(np.arange(clock.count))
    left_out = [any(a <= sample < b for a, b in except_) for sample in read]
    for k, (out, a, b) in enumerate(zip(passes, windows.start, windows.stop, strict=True)):
        own = any(first < end[k] and last > start[k] for first, last in except_)
        assert out == (own or any(left_out[a:b]))
    for out, a, b in zip(gaps, windows.gap_start, windows.gap_stop, strict=True):
        assert out == (any(left_out[a:b]))
