"""Every third product touches the one before: each way of counting says the same cost of the same setting."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.split import split
from teachlab.data.truth_files import write_truth
from teachlab.model.draws import Costs, DrawOptions
from teachlab.model.following_and_window import FollowingSetting, WindowSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Outcome, Rules
from teachlab.model.setting import Setting, bare
from teachlab.model.truth import Truth
from teachlab.questions.compare import compare
from teachlab.questions.feasibility.tried_cures import tried_cures
from teachlab.questions.stress.equal_cost import equal_cost
from teachlab.questions.stress.map import stress_map
from teachlab.questions.stress.reserves import reserves
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.stress.speeds import speeds
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.count_settings import count_settings
from teachlab.questions.surface.delay_axis import delay_surface
from teachlab.questions.surface.given_settings import pairs
from teachlab.questions.surface.hindsight import hindsight
from teachlab.questions.surface.position_axis import position_axis
from teachlab.scoring.claimable import touching_merges, wrong_apart
from teachlab.scoring.scoring import score
from teachlab.studies.run import bench_recording
from teachlab.switching.run import replay
from teachlab.teaching.registry import built, installed_class

COSTS = Costs(miss=3.0, false=2.0)
BASE = Setting(unit="mV", on_level=0.0, off_level=0.0)


def line(
    seed: int, *, passes: int = 36, noise: float = 60.0, dark: bool = False, ignored: bool = True
) -> tuple[Recording, Truth]:
    """Return products of about 1200 mV; between two of three that touch the light dips a little, in one pair deeply."""
    rng = np.random.default_rng(seed)
    lasts, gap = rng.integers(20, 30, passes), np.where(np.arange(passes) % 3 == 2, 0, 40)
    end = np.cumsum(gap + lasts) + 30
    start = end - lasts
    light = np.full(int(end[-1]) + 60, 300.0)
    for k, (a, b) in enumerate(zip(start, end, strict=True)):
        light[a:b] = 1500
        if gap[k] == 0:
            light[a - 2 : a + 2] -= (0, 500, 1100)[k // 3 % 3]
    light = (light + rng.normal(0, noise, light.size)).round(-1)
    detect = (np.arange(passes) % 11 != 5) | (not ignored)
    recording = Recording.from_array(1800 - light if dark else light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    return recording, Truth.from_arrays(start, end, detect=detect, uncertainty_samples=1.0)


def plain_cost(recording: Recording, truth: Truth, setting: Setting, rules: Rules, costs: Costs = COSTS) -> float:
    """Return the cost of a replay, from the result of each pass."""
    found = score(replay(recording, setting), truth, rules=rules)
    lost = 0
    for k, result in enumerate(found.trials.passes.tolist(), found.trials.first_pass):
        touches = k > 0 and truth.start[k] == truth.end[k - 1]
        lost += result == Outcome.MISS or (result == Outcome.MERGED and not touches)
    n = found.counts
    false = n.extra + n.false_trips + n.ignore_false_trips
    return (costs.miss * lost + costs.false * false) / n.scored_passes


def settings_of(dark: bool) -> list[Setting]:
    polarity = "dark-on" if dark else "light-on"
    plain = [
        BASE.with_levels(on, on - width, polarity) for on in (450.0, 800.0, 1310.0) for width in (0.0, 90.0, 300.0)
    ]
    late = [replace(one, **more) for one in plain for more in (
        {"consecutive": 3}, {"on_delay_ms": 4.0, "off_delay_ms": 12.0}, {"off_delay_ms": 45.0})]  # fmt: skip
    window = [
        WindowSetting(
            unit="mV", on_level=1000.0, high_release=950.0, off_level=100.0, low_release=150.0, polarity="dark-on"
        )
    ]
    return [*plain, *late, *window]


@pytest.mark.parametrize("long", [False, True])
@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("first", [0, 7])
def test_settings_counted_together(first: int, dark: bool, long: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if long:  # as a recording that is reduced before it is counted
        monkeypatch.setattr(pairs, "LONG", 1)
    recording, truth = line(3, dark=dark, noise=15)
    rules = Rules().scored_from(first)
    settings = settings_of(dark)
    counted = count_settings(recording, truth, settings, rules=rules)
    expected = [plain_cost(recording, truth, one, rules) for one in settings]
    assert [counted[bare(one)].cost(COSTS) for one in settings] == pytest.approx(expected)
    assert sum(counted[bare(one)].touching > 0 for one in settings) > len(settings) / 3


def test_a_reduced_recording_takes_windows_that_meet_for_no_touching_passes(monkeypatch: pytest.MonkeyPatch) -> None:
    # A sample apart, with borders of one sample: the windows meet, the passes do not touch.
    monkeypatch.setattr(pairs, "LONG", 1)
    light = np.full(200, 300.0)
    light[50:70], light[71:90] = 1500, 1500
    light[70] = 1400
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    truth = Truth.from_arrays([50, 71], [70, 90], uncertainty_samples=1.0)
    (found,) = pairs.score_pairs(recording, truth, [BASE.with_levels(900.0, 800.0)])
    assert (found.lost, found.merged, found.touching, found.cost(Costs())) == (1, 1, 0, 0.5)


def test_levels_that_follow() -> None:
    recording, truth = line(4, noise=10)
    follower = FollowingSetting.of(
        BASE.with_levels(900.0, 800.0), low_limit=200.0, high_limit=600.0, reference=300.0, time_constant_ms=200.0
    )
    counted = count_settings(recording, truth, [follower])[bare(follower)]
    assert counted.cost(COSTS) == pytest.approx(plain_cost(recording, truth, follower, Rules()))
    assert counted.touching > 0


@pytest.mark.parametrize("fast", [False, True])
@pytest.mark.parametrize("dark", [False, True])
def test_a_surface(dark: bool, fast: bool) -> None:
    if fast:
        pytest.importorskip("numba")
    recording, truth = line(5, dark=dark)
    table = surface(recording, truth, BASE.with_levels(0.0, 0.0, "dark-on" if dark else "light-on"), fast=fast)
    cost, cells = table.cost(COSTS), np.argwhere(table.counted)
    for i, j in cells[:: cells.shape[0] // 40].tolist():
        assert cost[i, j] == pytest.approx(plain_cost(recording, truth, table.setting(i, j), Rules()))
    assert hindsight(table, costs=COSTS).touching > 0


def test_levels_and_delays() -> None:
    recording, truth = line(6)
    levels = np.array([450.0, 800.0, 1000.0, 1310.0])
    found = delay_surface(
        [(recording, truth)], replace(BASE, consecutive=2), levels, on_delays_ms=[0, 3, 8], off_delays_ms=[0, 5, 45],
        costs=COSTS,
    )  # fmt: skip
    for at in np.ndindex(found.cost.shape):
        assert found.cost[at] == pytest.approx(plain_cost(recording, truth, found.setting(at), Rules())), at
    assert found.touching.max() > 0


def test_levels_of_equal_cost_and_positions() -> None:
    recording, truth = line(8, noise=10)
    setting = BASE.with_levels(900.0, 860.0)
    found = equal_cost(recording, truth, setting, reach=500.0, costs=COSTS)
    assert found.cost == pytest.approx(plain_cost(recording, truth, setting, Rules()))
    axis = position_axis(recording, truth, surface(recording, truth, BASE), setting, costs=COSTS)
    assert axis is not None
    for one in axis.levels:
        assert one.cost == pytest.approx(plain_cost(recording, truth, one.setting, Rules()))


def test_a_pass_that_no_evaluation_sees_is_one_error_of_the_levels_of_equal_cost() -> None:
    light = np.full(300, 300.0)
    light[50:80], light[150:180] = 1500, 1500
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    truth = Truth.from_arrays([50, 101, 150], [80, 103, 180])
    setting = replace(BASE.with_levels(900.0, 860.0), evaluation_rate_hz=100.0)
    found = equal_cost(recording, truth, setting, reach=100.0)
    assert found.cost == pytest.approx(1 / 3)


def test_a_verdict_asks_for_no_cure_where_products_only_touch_and_merge() -> None:
    """A level that separates some of those that touch leaves no error less: there is nothing to mend."""
    recording, truth = line(11, noise=5, ignored=False)
    setting = BASE.with_levels(900.0, 860.0)
    scored = score(replay(recording, setting), truth)
    assert wrong_apart(truth, scored) == (0, 0)
    assert scored.counts.lost > 0
    assert tried_cures(recording, truth, setting, scored, rules=Rules()) == []
    # A level among the products does make errors, and a lower one makes none.
    above = BASE.with_levels(1502.0, 1400.0)
    worse = score(replay(recording, above), truth)
    assert sum(wrong_apart(truth, worse)) > 0
    found = tried_cures(recording, truth, above, worse, rules=Rules())
    assert found[0].errors == 0


def test_stress_and_speed() -> None:
    """Merging with the product that it touches stops no setting: reserves are those of the score."""
    recording, truth = line(11, noise=5, ignored=False)
    setting = BASE.with_levels(900.0, 350.0)  # no dip reaches the off-level, so every pair merges
    scored = score(replay(recording, setting), truth)
    assert scored.counts.lost == scored.counts.merged == 12
    known = reserves(recording, truth, setting, scored=scored)
    for reading in (None, SettingReading(recording, truth, setting)):
        found = stress_map(recording, truth, setting, gain=(1.0, 0.95, 0.3), reading=reading)
        assert found.lost.ravel().tolist()[:2] == [0, 0]
        assert found.survives.ravel().tolist() == [True, True, False]
        assert found.contamination_reserve == known["contamination_reserve"] > 0.05
        assert found.ambient_reserve == known["ambient_reserve"]
    (same,) = speeds(recording, truth, setting, [1.0])
    assert same.faultless
    assert (same.as_dict()["lost"], same.as_dict()["merged"]) == (0, 0)


def test_comparisons_leave_them_out() -> None:
    """One level separates every pair with a dip of 500, the other none: no pass goes wrong under one of them alone."""
    recording, truth = line(11, noise=5, ignored=False)
    settings = [("low", BASE.with_levels(900.0, 350.0)), ("high", BASE.with_levels(1250.0, 1100.0))]
    met = [int(touching_merges(truth, score(replay(recording, one), truth).trials).sum()) for _, one in settings]
    assert met == [12, 4]
    found = compare([(recording, truth)], settings, margins=False).found
    assert (found["discordant"], found["trials"]) == ([0, 0], 24)
    apart = compare([(recording, truth), (recording, truth)], settings, margins=False).found
    assert apart["lost"] == [[0, 24], [0, 32]]


def test_commands_say_one_cost_of_one_setting(tmp_path: Path) -> None:
    recording, truth = line(12, passes=60, noise=15, ignored=False)
    setting = BASE.with_levels(1520.0, 900.0)  # above many products, and below some of the dips
    expected = plain_cost(recording, truth, setting, Rules(), Costs())
    assert 0 < expected < 0.5
    write_recording(tmp_path / "line.parquet", recording)
    write_truth(tmp_path / "line.passes.parquet", truth)
    write_setting(tmp_path / "high.json", setting)

    def told(command: str) -> Any:
        asked = [command, str(tmp_path / "line.parquet"), "--setting", str(tmp_path / "high.json"), "--json"]
        found = shell.run(*asked)
        return json.loads(found.stdout)

    counted = told("surface")
    assert counted["hindsight"]["cost"] + counted["settings"][0]["regret"] == pytest.approx(expected)
    assert told("card")["room"]["cost"] == pytest.approx(expected)
    assert told("replay")["equal_cost"]["cost"] == pytest.approx(expected)


@pytest.mark.parametrize("base", [None, replace(BASE, on_delay_ms=2.0, off_delay_ms=5.0)])
def test_the_draws_of_a_bench(base: Setting | None) -> None:
    recording, truth = line(9, passes=60, noise=15, ignored=False)
    strategies = [built(installed_class(name), {}) for name in ("two-sample-midpoint", "sweep-minmax")]
    bench = bench_recording(recording, truth, strategies, options=DrawOptions(draws=5, base=base, costs=COSTS))
    rules = Rules().scored_from(split(truth, recording.samples).first_scored)
    draws = [draw for one in bench.results for draw in one.draws if draw.setting is not None]
    for draw in draws:
        first = draw.measures["cost"]
        assert first == pytest.approx(plain_cost(recording, truth, draw.setting, rules))
        assert draw.measures["regret"] == pytest.approx(first - bench.best_fixed.cost)
    assert len(draws) == 10, [draw.abstained for one in bench.results for draw in one.draws]
