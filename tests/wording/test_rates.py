"""Shares, rates and reserves as people read them: worked by hand, bounds by scipy."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shell
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.evidence.wording import percent as percent_on_the_page
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.statistics.intervals import count, proportion
from teachlab.wording.course import course_lines
from teachlab.wording.rates import count_text, lower_percent, percent, rate_text, time_unit


@pytest.mark.parametrize("told", [percent, percent_on_the_page])
def test_a_share_is_told_in_percent(told: object) -> None:
    assert [told(share) for share in (0.0, 0.125, 1.0, 0.00012345)] == ["0 %", "12.5 %", "100 %", "0.0123 %"]  # type: ignore[operator]


def test_a_rate_is_told_in_percent_with_its_exact_interval() -> None:
    found = binomtest(1, 8).proportion_ci(method="exact")
    assert rate_text(proportion(1, 8)) == f"1 / 8 = 12.5 % [{100 * found.low:.3g}, {100 * found.high:.3g}] %"


def test_a_lower_bound_of_next_to_nothing_is_told_as_0() -> None:
    assert [lower_percent(share) for share in (0.0, 1.12e-9, 4.9e-6, 5e-6, 0.0123)] == ["0", "0", "0", "0.0005", "1.23"]


def test_a_count_per_time_is_told_in_a_unit_that_was_observed() -> None:
    """1 in 2.5 s, 0.4 a second; Garwood's interval is 0.0253 to 5.57 times that (chi-square tables)."""
    assert count_text(count(1, 2.5 / 3600, per="running hour")) == "1 in 2.5 running seconds: 0.4 [0.0101, 2.23]"
    assert count_text(count(1, 2.5 / 60, per="gap-hour")) == "1 in 2.5 gap-minutes: 0.4 [0.0101, 2.23]"
    assert count_text(count(1, 2.5, per="gap-hour")) == "1 in 2.5 gap-hours: 0.4 [0.0101, 2.23]"


@settings(max_examples=200, deadline=None)
@given(st.floats(0.1, 1e9))
def test_no_rate_is_told_per_more_than_ten_times_the_observed_time(seconds: float) -> None:
    word, of = time_unit(seconds / 3600)
    long = {"hour": 3600, "minute": 60, "second": 1}
    assert long[word] <= 10 * seconds * (1 + 1e-9)
    assert of * long[word] == 3600
    # The longest such unit.
    assert all(other > 10 * seconds * (1 - 1e-9) for other in long.values() if other > long[word])


@pytest.mark.parametrize(
    ("ahead", "told"),
    [
        ((30.0, 20.0, 40.0), "after 30 s (20 s to 40 s, 95 % interval)."),
        ((900.0, 700.0, None), "Time to cleaning: more than 420 s; 42 s show no more."),
        ((900.0, 100.0, None), "after more than 420 s (100 s to never, 95 % interval)."),
    ],
)
def test_a_trend_of_seconds_tells_nothing_of_hours(ahead: tuple[float, float, float | None], told: str) -> None:
    """A trend over 42 s said how much an hour takes, and in how many days it is time to clean."""
    estimate, earliest, latest = (None if t is None else t / 3600 for t in ahead)
    trend = {
        "of": "passes", "scale": "counts", "source": "lots", "groups": 8, "per_hour": -7200.0, "low": -10800.0,
        "high": -3600.0, "hours_observed": 42 / 3600, "established": True, "confidence": 0.95,
        "ahead": {"estimate": estimate, "earliest": earliest, "latest": latest},
    }  # fmt: skip
    line = course_lines({"blocks": [1], "trend": trend, "alarms": dict.fromkeys(("sequential", "margin"))})[0]
    assert "-120 per minute, -180 to -60 by" in line
    assert "hour" not in line
    assert told in line


def test_a_reserve_is_told_in_percent_of_the_light(tmp_path: Path) -> None:
    """Objects of 60 over nothing at all and an on-level of 45: a quarter of the light may be lost."""
    start = 50 + 100 * np.arange(20)
    light = np.zeros(2100)
    for a in start:
        light[a : a + 40] = 60.0
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=100.0)
    write_recording(tmp_path / "a.parquet", Recording.from_array(light, info))
    write_truth(tmp_path / "a.passes.parquet", Truth.from_arrays(start, start + 40))
    write_setting(tmp_path / "s.json", Setting(unit="counts", on_level=45.0, off_level=30.0))
    words = ["replay", str(tmp_path / "a.parquet"), "--setting", str(tmp_path / "s.json"), "--reserves"]
    document = json.loads(shell.invoke(*words, "--json").stdout)
    assert document["reserves"]["contamination_reserve"] == pytest.approx(0.25, abs=0.001)
    assert " 25 % of the light may be lost" in shell.invoke(*words, "--details").stdout
