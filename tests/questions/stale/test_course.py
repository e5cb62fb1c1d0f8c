"""The course of a recording: stretches by hand, the trend of a known loss of light, alarms, few passes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scoring.margins import measure_margin

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.stale.course import Course, WatchedSide, alarm_of, follow
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.wording.course import _trend


def _course(
    object_: np.ndarray,
    background: np.ndarray,
    dark: float = 0.0,
    noise: float = 0.1,
    lot: list[str] | None = None,
    **setting: Any,
) -> Course:
    """Follow passes of 10 samples every 36, at one sample in a second, with these levels of object and gap."""
    passes = object_.size
    rng = np.random.default_rng(3)
    start = np.arange(passes) * 36 + 13
    light = np.repeat(np.append(background, background[-1]), 36)
    for a, level in zip(start, object_, strict=True):
        light[a : a + 10] = level
    light = light + rng.normal(0, noise, light.size)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1.0, unit="x", dark_level=dark))
    truth = Truth.from_arrays(start, start + 10, lot=lot)
    used = Setting(**{"unit": "x", "on_level": 50.0, "off_level": 40.0} | setting)
    output = replay(recording, used)
    result = score(output, truth)
    return follow(truth, used, measure_margin(recording, output, truth, result.trials), result, recording.info)


def test_stretches_by_hand() -> None:
    object_ = np.full(200, 80.0)
    object_[100:] = 70.0
    object_[150] = 30.0
    course = _course(object_, np.full(200, 20.0))
    assert len(course.stretches) == 10
    assert [s.passes for s in course.stretches] == [20] * 10
    assert [s.lost for s in course.stretches] == [0] * 7 + [1, 0, 0]
    first, bad = course.stretches[0], course.stretches[7]
    assert first.object == pytest.approx(80, abs=0.3)
    # The lowest light that is not exceeded over a gap of 26 samples is its least: about two noises below 20.
    assert first.background == pytest.approx(19.8, abs=0.1)
    assert first.contrast == pytest.approx(60.3, abs=0.4)
    assert bad.weakest == pytest.approx(30, abs=0.5)
    assert bad.margin == pytest.approx((30 - 50) / 0.1, rel=0.05)
    assert bad.limited_by == "detect"
    # From the middle of the stretch: pass 9.5 of 36 seconds.
    assert first.hours == pytest.approx((9.5 * 36 + 13) / 3600)


def test_time_to_cleaning_of_objects_that_lose_light() -> None:
    hours = np.arange(400) * 36 / 3600
    course = _course(100 * np.exp(-0.1 * hours), np.full(400, 10.0))
    trend = course.trend
    assert trend is not None
    assert (trend.of, trend.scale) == ("passes", "logarithm above the dark level")
    # Ten per cent an hour; the peak over ten samples lies about 1.5 noises above the level.
    assert trend.per_hour == pytest.approx(-0.1, rel=0.01)
    assert trend.established
    # 100 exp(−0.1 t) is 50 after 6.93 hours; the tenth below the line is hardly below it.
    left = math.log(2) / 0.1 - hours[-1]
    assert trend.ahead.estimate == pytest.approx(left, abs=0.1)
    assert trend.ahead.earliest is not None
    assert trend.ahead.latest is not None
    assert trend.ahead.earliest < trend.ahead.estimate < trend.ahead.latest  # type: ignore[operator]


def test_where_objects_darken_it_is_the_gaps_that_lose_light() -> None:
    hours = np.arange(400) * 36 / 3600
    fall = np.exp(-0.05 * hours)
    course = _course(30 * fall, 100 * fall, polarity=Polarity.DARK_ON)
    trend = course.trend
    assert trend is not None
    assert trend.of == "gaps"
    assert trend.per_hour == pytest.approx(-0.05, rel=0.01)
    assert trend.ahead.estimate == pytest.approx(math.log(2) / 0.05 - hours[-1], abs=0.15)
    assert course.stretches[0].limited_by == "detect"


def test_a_dark_level_takes_no_part_in_the_loss() -> None:
    hours = np.arange(300) * 36 / 3600
    course = _course(5 + 100 * np.exp(-0.1 * hours), np.full(300, 15.0), dark=5.0)
    assert course.trend is not None
    assert course.trend.per_hour == pytest.approx(-0.1, rel=0.01)
    # Below the dark level there is no logarithm: the level itself is followed.
    plain = _course(-20 - hours, np.full(300, -60.0), dark=5.0, on_level=-30.0, off_level=-40.0)
    assert plain.trend is not None
    assert plain.trend.scale == "level"
    assert plain.trend.per_hour == pytest.approx(-1, rel=0.02)
    assert plain.trend.ahead.estimate == pytest.approx(10 - hours[-1], abs=0.3)


def test_lots_are_what_trend_and_sum_go_by() -> None:
    """Passes of two colours by lots: a sum over single passes alarms, one over lots does not, nor is there a trend."""
    rng = np.random.default_rng(8)
    lots = np.arange(400) // 20
    light = 70 + 6 * rng.choice([-1.0, 1.0], 20)[lots]
    unnamed = _course(light, np.full(400, 20.0), noise=1.0, off_level=48.0)
    named = _course(light, np.full(400, 20.0), noise=1.0, off_level=48.0, lot=[f"lot {k}" for k in lots])
    for course, source, groups in ((unnamed, "blocks", 10), (named, "lots", 20)):
        assert course.trend is not None
        assert (course.trend.source, course.trend.groups) == (source, groups)
    assert named.trend is not None
    assert not named.trend.established
    assert named.sequential is not None
    assert (named.sequential.source, named.sequential.lots, named.sequential.baseline) == ("lots", 4, 80)
    assert named.sequential.alarm is None
    # More lots than are left out one by one: neighbours are taken together.
    many = _course(light, np.full(400, 20.0), lot=[f"lot {k // 4}" for k in range(400)])
    assert many.trend is not None
    assert many.trend.groups == 40
    # Two lots tell no spread, and stretches of them show what lies between the two.
    two = _course(light, np.full(400, 20.0), lot=[f"lot {k // 200}" for k in range(400)])
    assert (two.trend, two.sequential) == (None, None)


@pytest.mark.parametrize(
    ("earliest", "says"),
    [
        (None, "No trend is established."),
        (0.001, "No trend is established; the recording is too short to rule out a fall to the on-level at any time."),
        (4.0, "No trend is established; a fall to the on-level in 4 h is not ruled out."),
        (30.0, "No trend is established."),  # ten times what was observed are 5 h
    ],
)
def test_a_fall_sooner_than_the_recording_is_long_has_no_time(earliest: float | None, says: str) -> None:
    trend = {"of": "passes", "source": "lots", "scale": "x", "per_hour": 0.0, "low": -1.0, "high": 1.0, "groups": 8,
             "hours_observed": 0.5, "established": False, "ahead": {"earliest": earliest}}  # fmt: skip
    assert _trend(trend).endswith(says)


def test_no_trend_in_noise_and_none_from_few_passes() -> None:
    steady = _course(np.full(200, 80.0), np.full(200, 20.0), noise=2.0)
    assert steady.trend is not None
    assert not steady.trend.established
    assert steady.trend.ahead.latest is None
    assert steady.sequential is not None
    assert steady.sequential.alarm is None
    few = _course(np.full(2, 80.0), np.full(2, 20.0))
    assert (few.stretches, few.trend, few.sequential) == ((), None, None)
    assert few.as_dict()["blocks"] == []


def test_the_cumulative_sum_watches_the_smallest_side() -> None:
    # Objects stay; the background rises toward the level of release.
    background = np.full(300, 20.0)
    background[150:] = 33.0
    course = _course(np.full(300, 60.0), background, noise=1.0)
    assert course.sequential is not None
    assert course.sequential.alarm is not None
    # The gap after pass 149 is the first one that is brighter, in part.
    assert course.sequential.since == 149
    assert course.sequential.side in ("trip", "release")


@pytest.mark.parametrize(("sides", "each"), [((), 0.05), (("trip",), 0.05), (("detect", "trip", "release"), 0.05 / 3)])
def test_sides_share_the_chance_of_a_false_alarm_and_the_smallest_has_all_of_it(
    sides: tuple[str, ...], each: float
) -> None:
    asked: list[tuple[str | None, float]] = []
    none = np.zeros(0, np.int64)
    watched = [WatchedSide(side=side, margins=np.zeros(0), rows=none, lots=none) for side in (None, *sides)]
    assert alarm_of(watched, lambda one, chance: asked.append((one.side, chance))) is None
    assert asked == [(None, 0.05), *((side, pytest.approx(each)) for side in sides)]
