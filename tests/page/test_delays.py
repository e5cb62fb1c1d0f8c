"""Levels under other delays, for a page without the light: every cell equals its replay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import teachlab.page.delays as delays_module
from teachlab.model.following_and_window import FollowingSetting, WindowSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.page.chains import moved
from teachlab.page.delays import DelayRows, delay_rows, delays_up_to
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.scoring.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.switching.run import replay

UNIT = "counts"


def line() -> tuple[Recording, Truth]:
    """Passes of 4 to 12 ms with holes, gaps of 5 to 20 ms with spikes, every third pass to be ignored, light lost."""
    rng = np.random.default_rng(3)
    passes = 18
    start = np.cumsum(rng.integers(5, 20, passes)) + np.arange(passes) * 12
    end = start + rng.integers(4, 12, passes)
    light = rng.integers(95, 106, int(end[-1]) + 30).astype(np.float64)
    for a, b in zip(start, end, strict=True):
        light[a:b] += rng.integers(60, 120)
        light[a + 2] = rng.choice([100, 190])
    light[rng.integers(0, light.size, 12)] = 170
    light[40:47] = np.nan
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit=UNIT))
    return recording, Truth.from_arrays(start, end, detect=np.arange(passes) % 3 > 0)


def counted(setting: Setting, rules: Rules) -> DelayRows | None:
    recording, truth = line()
    clock = Clock.of(recording.samples, 1000, setting.evaluation_rate_hz)
    return delay_rows(recording, truth, setting, np.arange(110.0, 220.0, 12.0), clock, rules=rules)


@pytest.mark.parametrize(
    "setting",
    [
        Setting(unit=UNIT, on_level=150, off_level=130),
        Setting(unit=UNIT, on_level=150, off_level=150, consecutive=2, on_delay_ms=1.5, evaluation_rate_hz=500.0),
        Setting(unit=UNIT, on_level=150, off_level=130, polarity=Polarity.DARK_ON, off_delay_ms=3),
        Setting(
            unit=UNIT, on_level=150, off_level=130, polarity=Polarity.DARK_ON, delays_act_on=DelaysActOn.LIGHT,
        ),
        WindowSetting(unit=UNIT, on_level=165, off_level=80, high_release=150, low_release=90),
    ],
)  # fmt: skip
def test_every_cell_is_that_of_its_replay(setting: Setting, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(delays_module, "MOST_RUNS", 60)  # a few levels at a time
    monkeypatch.setattr(delays_module, "COUNTED_TOGETHER", 20)
    rules = Rules(tolerance_ms=1.0)
    recording, truth = line()
    found = counted(setting, rules)
    assert found is not None
    assert list(found.rows) == (["on", "off"] if isinstance(setting, WindowSetting) else ["both"])
    settings = [one for row in found.rows.values() for one in row]
    assert setting in settings
    seen = set()
    for row, (on, off) in enumerate((a, b) for a in found.on_delays_ms for b in found.off_delays_ms):
        for column, one in enumerate(settings):
            delayed = moved(replace(one, on_delay_ms=on, off_delay_ms=off), one.on_level, one.off_level)
            assert delayed is not None
            want = score(replay(recording, delayed), truth, rules=rules, tables=False)
            have = {name: int(table[row, column]) for name, table in found.counts.items()}
            assert have == PairCounts.of(want, truth).by_table(), delayed
            assert found.trials[:, row].tolist() == [
                want.counts.scored_passes, want.counts.scored_ignore_passes, want.counts.gaps,
            ]  # fmt: skip
            seen.add(tuple(have.values()))
    assert len(seen) > 20
    assert found.facts()["rows"] == [[moves, len(row)] for moves, row in found.rows.items()]
    pairs = len(found.on_delays_ms) * len(found.off_delays_ms)
    assert found.arrays()["delayed_lost"].shape == (pairs, len(settings))


def test_levels_are_left_out_where_their_runs_are_too_many_but_never_that_of_the_setting(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    setting = Setting(unit=UNIT, on_level=151, off_level=130)
    every = counted(setting, Rules())
    monkeypatch.setattr(delays_module, "MOST_COUNTED", 100)
    fewer = counted(setting, Rules())
    assert every is not None
    assert fewer is not None
    assert 2 <= len(fewer.rows["both"]) < len(every.rows["both"])
    assert setting in fewer.rows["both"]
    places = [every.rows["both"].index(one) for one in fewer.rows["both"]]
    for name, table in fewer.counts.items():
        assert (table == every.counts[name][:, places]).all()


def test_levels_that_follow_are_not_counted_with_other_delays() -> None:
    """Their levels depend on their own output, so every delay would be a replay of its own."""
    setting = FollowingSetting(unit=UNIT, on_level=150, off_level=130, reference=100, low_limit=50, high_limit=140)
    assert counted(setting, Rules()) is None


def test_delays_are_short_numbers_each_of_another_length_from_none_to_the_longest() -> None:
    """By hand at 2 kHz: one evaluation is 0.5 ms, and 60 evaluations are 30 ms."""
    clock = Clock.of(100_000, 2000, None)
    found = delays_up_to(60, clock, 20, 1.2)
    assert found[:4] == (0.0, 0.5, 1.0, 1.2)
    assert found[-1] == 30.0
    assert len({clock.delay(ms) for ms in found}) == len(found)
    assert 20 <= len(found) <= 21
    # So few evaluations that each is a delay.
    assert delays_up_to(3, clock, 20, 0.0) == (0.0, 0.5, 1.0, 1.5)
    assert delays_up_to(1, clock, 20, 50.0) == (0.0, 0.5, 50.0)
