"""Settings that follow, on synthetic lines: drifting jars, light through a roof, and a parked pack."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.cli.replay import _reference_lines
from teachlab.data.setting_files import setting_from_dict
from teachlab.model.following_and_window import FollowingSetting, WindowSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Counts
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.synthetic import generate, load_scenario
from teachlab.teaching import TeachBlock, resolve, teach_once

UNIT = "percent of full scale"


def light_of(recording: Recording) -> np.ndarray:
    return np.asarray(recording.light[0 : recording.samples]).astype(np.float64)


def changed(recording: Recording, light: np.ndarray) -> Recording:
    return Recording.from_array(light.astype(np.float32), recording.info)


def counts_of(recording: Recording, truth: Truth, setting: Setting) -> Counts:
    return score(replay(recording, setting), truth, tables=False).counts


@pytest.fixture(scope="module")
def jars() -> tuple[Recording, Recording, Truth]:
    """The line as it is, and with its gain falling from 1 to 0.6 over the recording."""
    recording, truth = generate(load_scenario("a01"), 1000, 11)
    light = light_of(recording)
    return recording, changed(recording, light * np.linspace(1.0, 0.6, light.size)), truth


def jar_setting(**following: object) -> FollowingSetting:
    """T = 0.935 b, hysteresis 35 % of its distance from b; 2000 evaluations per second."""
    level = 0.935 * 60
    fixed = Setting(
        unit=UNIT, on_level=level + 0.35 * (60 - level), off_level=level, polarity="dark-on", off_delay_ms=140
    )
    return FollowingSetting.of(fixed, reference=60.0, low_limit=10.0, high_limit=95.0, follow="gain", **following)


def test_jars_behind_a_window_that_gets_dirty(jars: tuple[Recording, Recording, Truth]) -> None:
    _, drifting, truth = jars
    slow = jar_setting(time_constant_ms=500)  # 1000 evaluations
    fixed = setting_from_dict(
        {k: v for k, v in slow.as_dict().items() if k in Setting.__dataclass_fields__} | {"schema": 1}, "fixed"
    )
    assert counts_of(drifting, truth, fixed).lost > 0.75 * truth.passes
    followed = counts_of(drifting, truth, slow)
    assert (followed.lost, followed.extra, followed.false_trips) == (0, 0, 0)


def test_a_fast_follower_learns_the_jar_and_locks_itself_up(jars: tuple[Recording, Recording, Truth]) -> None:
    _, drifting, truth = jars
    fast = counts_of(drifting, truth, jar_setting(time_constant_ms=50))
    assert fast.merged > 0.005 * truth.passes
    assert fast.misses == 0
    # The middle of a jar is brighter than no jar. Frozen for as long as the output is held, or with a guard,
    # it is not learned.
    assert counts_of(drifting, truth, jar_setting(time_constant_ms=50, freeze_hold_ms=140)).lost == 0
    assert counts_of(drifting, truth, jar_setting(time_constant_ms=50, guard=0.9)).lost == 0


def teach(strategy: Strategy, recording: Recording, truth: Truth, **base: object) -> Setting:
    setting = Setting(unit=UNIT, on_level=0.0, off_level=0.0, **base)
    return teach_once(strategy, TeachBlock(recording, truth, base=setting), 0, 0)


def test_the_taught_follower_on_jars(jars: tuple[Recording, Recording, Truth]) -> None:
    clean, drifting, truth = jars
    strategy = resolve("background-follower", {"follow": "gain", "distance": 0.065})
    setting = teach(strategy, clean, truth, off_delay_ms=140.0)
    assert isinstance(setting, FollowingSetting)
    assert setting.off_level == pytest.approx(0.935 * setting.reference)
    assert setting.on_level - setting.off_level == pytest.approx(0.35 * 0.065 * setting.reference)
    assert counts_of(drifting, truth, setting).lost == 0
    from_events = teach(resolve("background-follower", {"follow": "gain"}), clean, truth, off_delay_ms=140.0)
    assert counts_of(drifting, truth, from_events).lost <= 0.001 * truth.passes


@pytest.fixture(scope="module")
def packs() -> tuple[Recording, Truth]:
    return generate(load_scenario("a06"), 1000, 12)


def pack_setting(**following: object) -> FollowingSetting:
    """T = b + 9, 1000 evaluations per second."""
    fixed = Setting(unit=UNIT, on_level=17.0, off_level=14.0)
    return FollowingSetting.of(fixed, reference=8.0, low_limit=0.0, high_limit=95.0, **following)


def test_packs_under_a_roof_light(packs: tuple[Recording, Truth]) -> None:
    """Steps of 2 to 9 % of full scale, 5 to 40 s long, a minute apart, with ramps of 1.5 s."""
    recording, truth = packs
    light = light_of(recording)
    rng = np.random.default_rng(13)
    time_s, at = np.arange(light.size) / 1000, 0.0
    while (at := at + rng.exponential(60)) < time_s[-1]:
        end = at + rng.uniform(5, 40)
        light += rng.uniform(2, 9) * np.clip(np.minimum(time_s - at, end - time_s) / 1.5, 0, 1)
        at = end
    bright = changed(recording, light)
    setting = pack_setting(time_constant_ms=1000)
    fixed = Setting(unit=UNIT, on_level=17.0, off_level=14.0)
    assert counts_of(bright, truth, fixed).lost > 0.01 * truth.passes
    followed = counts_of(bright, truth, setting)
    assert (followed.lost, followed.extra, followed.false_trips) == (0, 0, 0)


def parked(packs: tuple[Recording, Truth]) -> tuple[Recording, int]:
    """The line stops for 30 s with a pack in front of the sensor."""
    recording, truth = packs
    light = light_of(recording)
    middle = int(truth.start[100] + truth.end[100]) // 2
    rest = light[middle] + 0.3 * np.random.default_rng(14).standard_normal(30_000)
    return changed(recording, np.concatenate([light[:middle], rest, light[middle:]])), middle


def held_s(recording: Recording, setting: Setting, middle: int) -> float:
    output = replay(recording, setting)
    k = int(np.searchsorted(output.onsets, middle, side="right")) - 1
    release = output.releases[np.searchsorted(output.releases, output.onsets[k], side="right")]
    return float(release - output.onsets[k]) / 1000


def test_a_parked_pack_is_held_by_the_freeze_and_dropped_without(packs: tuple[Recording, Truth]) -> None:
    recording, middle = parked(packs)
    assert held_s(recording, pack_setting(time_constant_ms=1000), middle) == pytest.approx(30.4, abs=0.1)
    assert 0.4 < held_s(recording, pack_setting(time_constant_ms=1000, freeze=False), middle) < 1.0


def test_release_and_alarm(packs: tuple[Recording, Truth]) -> None:
    """After ten seconds the parked pack becomes the background, and the reference stops at its limit."""
    recording, middle = parked(packs)
    setting = pack_setting(time_constant_ms=1000, release_after_ms=10_000.0)
    assert held_s(recording, setting, middle) == pytest.approx(10.2, abs=0.3)
    output = replay(recording, setting)
    assert output.followed is not None
    assert output.followed.releases.size >= 1
    assert output.followed.alarm.edges.size == 0
    low = FollowingSetting.of(
        Setting(unit=UNIT, on_level=17.0, off_level=14.0),
        reference=8.0,
        low_limit=0.0,
        high_limit=12.0,
        release_after_ms=10_000.0,
    )
    output = replay(recording, low)
    limited = output.followed
    assert limited is not None
    assert limited.highest == 12.0
    told = _reference_lines(output, UNIT)
    assert told[0].endswith(f" to 12 {UNIT}, at the end {limited.last:.6g}; set anew {limited.releases.size} times")
    assert told[1] == "ALARM: the reference would have left its limits 1 time"


def test_objects_brighter_or_darker_than_the_background() -> None:
    """No single level has all passes on one side; two have."""
    rng = np.random.default_rng(15)
    starts = 100 + 200 * np.arange(300)
    light = 50 + rng.standard_normal(starts[-1] + 200)
    for k, start in enumerate(starts):
        light[start : start + 80] += 30.0 if k % 2 else -25.0
    recording = Recording.from_array(light.astype(np.float32), RecordingInfo(sample_rate_hz=1000.0, unit=UNIT))
    truth = Truth.from_arrays(starts, starts + 80)
    setting = teach(resolve("two-threshold"), recording, truth)
    assert isinstance(setting, WindowSetting)
    assert 26 < setting.off_level < setting.low_release < 47
    assert 53 < setting.high_release < setting.on_level < 79
    both = counts_of(recording, truth, setting)
    assert (both.lost, both.extra, both.false_trips) == (0, 0, 0)
    for level, polarity in ((setting.on_level, "light-on"), (setting.off_level, "dark-on")):
        one = Setting(unit=UNIT, on_level=level, off_level=level, polarity=polarity)
        assert counts_of(recording, truth, one).lost >= 149
