"""One setting at several speeds: equal to replay of a line that runs as fast; its picture keeps to the counts."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.errors import ParameterError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress import speed_figure as speed_module
from teachlab.questions.stress.speed_figure import speed_figure
from teachlab.questions.stress.speeds import AtSpeed, fastest, speeds
from teachlab.scoring import score
from teachlab.switching import replay

SETTING = Setting(unit="counts", on_level=32.0, off_level=20.0, consecutive=4)


def line(speed: float | None = 0.5) -> tuple[Recording, Truth]:
    """Two passes of 10 samples at 1 kHz, 40 and 50 counts on 10."""
    light = np.full(100, 10.0)
    light[20:30], light[60:70] = 40.0, 50.0
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=100.0, line_speed_m_s=speed)
    return Recording.from_array(light, info, name="line"), Truth.from_arrays([20, 60], [30, 70])


@settings(max_examples=20, deadline=None)
@given(st.lists(st.sampled_from([1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 5.0]), min_size=1, max_size=3))
def test_equal_to_the_replay_of_a_recording_logged_that_many_times_as_fast(factors: list[float]) -> None:
    recording, truth = line()
    for one in speeds(recording, truth, SETTING, factors):
        info = replace(recording.info, sample_rate_hz=1000.0 * one.factor)
        same = replace(SETTING, evaluation_rate_hz=1000.0)
        counts = score(replay(Recording(info, recording.source, "line"), same), truth).counts
        assert (one.counts.lost, one.counts.merged) == (counts.lost, counts.merged)
        assert (one.counts.extra, one.counts.false_trips) == (counts.extra, counts.false_trips)
        assert one.stressed.lost.item() == counts.lost
        assert one.line_speed_m_s == 0.5 * one.factor


def test_four_evaluations_in_a_row_by_hand() -> None:
    """Ten samples hold five evaluations at twice the speed, and two or three at four times: too few for four."""
    found = speeds(*line(), SETTING, [4, 1, 2])
    assert [(one.factor, one.counts.lost, one.faultless) for one in found] == [
        (4, 2, False),
        (1, 0, True),
        (2, 0, True),
    ]
    assert fastest(found) == 2
    assert found[0].stressed.contamination_reserve is None
    assert found[1].as_dict()["contamination_reserve"] == pytest.approx(0.2)


def test_the_fastest_is_below_the_first_speed_with_a_fault() -> None:
    found = {one.factor: one for one in speeds(*line(), SETTING, [1, 2, 4])}
    # A speed without a fault above one with a fault counts for nothing.
    above = replace(found[1.0], factor=8.0)
    assert fastest([found[1.0], above, found[4.0]]) == 1
    assert fastest([above, found[4.0]]) is None


def test_progress_ends_at_the_whole_and_slow_speeds_are_refused_before_any_count() -> None:
    told: list[float] = []
    speeds(*line(), SETTING, [1, 2], progress=told.append)
    assert told == [0.5, 1.0]
    told.clear()
    with pytest.raises(ParameterError, match=r"at a speed factor of 0\.5 only 500 samples"):
        speeds(*line(), SETTING, [1, 0.5], progress=told.append)
    assert told == []


def words(found: tuple[AtSpeed, ...] | list[AtSpeed], title: str = "line") -> str:
    svg = speed_figure(found, title=title).decode()
    return " | ".join(re.findall(r">([^<>]+)</text>", svg))


def test_the_picture_says_up_to_which_speed_it_works_and_what_one_is() -> None:
    recording, truth = line()
    text = words(speeds(recording, truth, SETTING, [4, 1, 2]))
    assert "works up to 2 times the recorded speed (fails at the next one tried)" in text
    assert "a multiple of the recorded one; 1 is 0.5 m/s" in text
    assert "lost before the first fault" in text
    assert "a fault at this speed already" in text
    fine = words(speeds(*line(None), SETTING, [1, 2]))
    assert "works up to 2 times the recorded speed (the fastest tried)" in fine
    assert "m/s" not in fine
    assert "a fault at this speed already" not in fine
    nothing = words(speeds(recording, truth, replace(SETTING, on_level=60.0), [1]))
    assert "works at no speed tried" in nothing
    assert "lost before the first fault" not in nothing
    assert "mathdefault" not in nothing
    found = speeds(recording, truth, SETTING, [1, 4])
    islands = [replace(found[1], factor=1.0), replace(found[0], factor=4.0), replace(found[0], factor=6.0)]
    assert "fails at the slowest speed tried; without a fault at 4, 6 times the recorded one" in words(islands)


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_same_values_same_bytes_whatever_the_order(kind: str) -> None:
    found = speeds(*line(), SETTING, [1, 2, 4, 10])
    picture = speed_figure(found, title="line $a$ <b>", kind=kind)
    assert picture == speed_figure(found[::-1], title="line $a$ <b>", kind=kind)
    if kind == "svg":
        assert "line $a$ &lt;b&gt;" in picture.decode()


def test_numbers_of_the_axis_stand_clear_of_each_other() -> None:
    one = speeds(*line(), SETTING, [1])[0]
    crowd = [replace(one, factor=1 + k / 100) for k in range(100)] + [replace(one, factor=100.0)]
    ticks = [t for t in words(crowd).split(" | ") if re.fullmatch(r"[\d.]+", t)]
    assert "1" in ticks
    assert "100" in ticks
    assert "1.01" not in ticks


def test_no_speed_is_refused() -> None:
    with pytest.raises(ParameterError, match="needs at least one speed"):
        speed_figure([])


def test_a_speed_without_a_reserve_is_a_cross_and_no_point(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Any] = []
    monkeypatch.setattr(speed_module, "picture", lambda made, kind, says="": drawn.append(made) or b"")
    one = speeds(*line(), SETTING, [1])[0]
    works = replace(one, stressed=replace(one.stressed, contamination_reserve=0.25))
    fails = replace(one, factor=2.0, stressed=replace(one.stressed, contamination_reserve=None))
    speed_figure([works, fails])
    curve, points, crosses = [
        [(float(x), float(y)) for x, y in zip(line.get_xdata(), line.get_ydata(), strict=True)]
        for line in drawn[0].axes[1].lines[:3]
    ]
    assert curve[0] == (1.0, 25.0)
    assert np.isnan(curve[1][1])
    assert (points, crosses) == ([(1.0, 25.0)], [(2.0, 0.0)])
