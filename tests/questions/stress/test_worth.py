"""Score, margin and reserves of settings: those of each by itself, equal settings once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scoring.margins import measure_margin

from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, Taught
from teachlab.model.truth import Truth
from teachlab.questions.stress import worth as measuring
from teachlab.questions.stress.reserves import reserves
from teachlab.questions.stress.worth import SettingWorth
from teachlab.scoring import score
from teachlab.switching import replay


def line() -> tuple[Recording, Truth]:
    """Twenty passes of light from 50 to 69 over a background of 10, with a bump of 30 in the third gap."""
    light = np.full(2000, 10.0)
    start = 20 + 100 * np.arange(20)
    for k, a in enumerate(start):
        light[a : a + 40] = 50 + k
    light[290:295] = 30
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=100)
    return Recording.from_array(light, info, name="line"), Truth.from_arrays(start, start + 40)


def setting(level: float, **more: object) -> Setting:
    return Setting(unit="counts", on_level=level, off_level=level - 5, **more)


@pytest.mark.parametrize("level", [20.0, 40.0, 55.0])
@pytest.mark.parametrize("first", [0, 6])
def test_a_setting_is_worth_what_it_is_by_itself(level: float, first: int) -> None:
    recording, truth = line()
    found = SettingWorth(recording, truth, rules=Rules(tolerance_ms=2, first_pass=first)).of(setting(level))
    output = replay(recording, setting(level))
    alone = score(output, truth, rules=Rules(tolerance_ms=2, first_pass=first))
    assert found.score.as_dict() == alone.as_dict()
    margin = measure_margin(recording, output, truth, alone.trials, rules=Rules(tolerance_ms=2))
    assert found.as_dict()["margin"] == margin.as_dict()
    assert found.reserves == reserves(recording, truth, setting(level), rules=Rules(tolerance_ms=2, first_pass=first))


def test_a_fault_leaves_no_reserve_without_looking() -> None:
    recording, truth = line()
    for level in (20.0, 55.0):
        tripping = setting(level)
        scored = score(replay(recording, tripping), truth)
        searched = reserves(recording, truth, tripping)
        assert searched["contamination_reserve"] is None
        assert reserves(recording, truth, tripping, scored=scored) == searched


def test_equal_settings_are_measured_once(monkeypatch: pytest.MonkeyPatch) -> None:
    recording, truth = line()
    calls = []
    read = measuring.SettingReading
    monkeypatch.setattr(measuring, "SettingReading", lambda *args, **more: calls.append(args) or read(*args, **more))
    measure = SettingWorth(recording, truth)
    taught = replace(setting(40.0), taught=Taught(strategy="x", parameters={}, evidence={}))
    assert measure.of(setting(40.0)) is measure.of(taught)
    assert len(calls) == 1
    measure.of(setting(41.0))
    assert len(calls) == 2


def test_levels_that_are_not_fixed_have_no_margin() -> None:
    recording, truth = line()
    both = WindowSetting.of(setting(40.0), off_level=2.0, low_release=3.0, high_release=35.0)
    found = SettingWorth(recording, truth).of(both)
    assert found.margin is None
    assert found.reserves is None
    assert found.as_dict()["margin"] is None
    asked = SettingWorth(recording, truth, margins=False).of(setting(40.0))
    assert asked.margin is None
