"""Shares, rates and reserves as people read them: worked by hand, bounds by scipy."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shell
from scipy.stats import binomtest

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.evidence.wording import percent as percent_on_the_page
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.statistics.intervals import count, proportion
from teachlab.wording.rates import count_text, lower_percent, percent, rate_text


@pytest.mark.parametrize("told", [percent, percent_on_the_page])
def test_a_share_is_told_in_percent(told: object) -> None:
    assert [told(share) for share in (0.0, 0.125, 1.0, 0.00012345)] == ["0 %", "12.5 %", "100 %", "0.0123 %"]  # type: ignore[operator]


def test_a_rate_is_told_in_percent_with_its_exact_interval() -> None:
    found = binomtest(1, 8).proportion_ci(method="exact")
    assert rate_text(proportion(1, 8)) == f"1 / 8 = 12.5 % [{100 * found.low:.3g}, {100 * found.high:.3g}] %"


def test_a_lower_bound_of_next_to_nothing_is_told_as_0() -> None:
    assert [lower_percent(share) for share in (0.0, 1.12e-9, 4.9e-6, 5e-6, 0.0123)] == ["0", "0", "0", "0.0005", "1.23"]


def test_a_count_per_time_is_told_without_exponents() -> None:
    """1 in 2.5 s: 1440 an hour; Garwood's interval is 0.0253 to 5.57 times that (chi-square tables)."""
    assert count_text(count(1, 2.5 / 3600, per="running hour")) == "1 in 0.000694 running hours: 1440 [36.5, 8020]"


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
