"""Settings that follow, many together: each does to the bit what it does alone, evaluation by evaluation."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib.util import find_spec
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from teachlab.data.setting_files import setting_from_dict
from teachlab.errors import InputError
from teachlab.model.following_and_window import FollowingSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count_settings import count_settings
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.sensor.following import Followers, family, guess_and_check, rows
from teachlab.sensor.following.members import Members
from teachlab.sensor.following.row_by_row import Follower
from teachlab.switching import replay, replay_family

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")


def varied(rng: np.random.Generator, plain: dict[str, Any]) -> list[dict[str, Any]]:
    """The setting and some more of its family, near to it and far from it."""
    found = [plain]
    distance = abs(plain["on_level"] - plain["reference"]) + abs(plain["off_level"] - plain["reference"])
    for _ in range(int(rng.integers(1, 8))):
        other, spread = dict(plain), distance * float(rng.choice([0.0, 1e-9, 0.01, 0.1, 0.5]))
        for name in ("on_level", "off_level", "reference"):
            if rng.random() < 0.7:
                other[name] += spread * float(rng.normal())
        if other["guard"] is not None:
            other["guard"] *= float(rng.choice([1.0, 1.0001, 1.3]))
        if rng.random() < 0.3:
            other["low_limit"], other["high_limit"] = other["low_limit"] - spread, other["high_limit"] + 2 * spread
        found.append(other)
    return found


def valid(plain: list[dict[str, Any]]) -> list[tuple[dict[str, Any], Setting]]:
    found = []
    for one in plain:
        try:
            found.append((one, setting_from_dict(one, "case")))
        except InputError:
            continue
    return found


@pytest.mark.parametrize("first", range(0, 300, 60))
def test_each_member_equals_the_plain_twin(
    first: int, twin: ModuleType, cases: ModuleType, kinds: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = []
    compiled = find_spec("numba") is not None
    for seed in range(first, first + 60):
        rng = np.random.default_rng([seed, 77])
        for name, choice in (
            ("LONGEST", [1, 2, 8, 64, 4096]), ("SHORTEST", [1, 4, 32]), ("PLAINLY", [1.0, 1.0, 0.03, 0.0]),
            ("BATCH", [1, 64, 1000, 1 << 17]), ("APART", [0.0, 0.05, 1e9]),
        ):  # fmt: skip
            monkeypatch.setattr(family, name, rng.choice(choice).item())
        monkeypatch.setattr(family, "FAST_FROM", 0 if compiled and seed % 2 else 10**9)
        monkeypatch.setattr(family, "SINGLY", seed % 3 * 50)
        case = cases.make(seed)
        some = valid(varied(rng, kinds.following_of(case)))
        try:
            outputs = list(replay_family(cases.recording_of(case), [setting for _, setting in some]))
        except InputError:
            continue
        for (plain_setting, _), output in zip(some, outputs, strict=True):
            plain = twin.plain_replay(case.values, case.sample_rate, plain_setting)
            theirs, ours, count = plain["reference"], output.followed, len(plain["output"])
            told = (
                output.output.dense(count).tolist(), output.undelayed.dense(count).tolist(), ours.last, ours.lowest,
                ours.highest, ours.releases.tolist(), ours.alarm.dense(count).tolist(),
            )  # fmt: skip
            way = [*theirs["path"], theirs["last"]]
            expected = (
                plain["output"], plain["undelayed"], theirs["last"], min(way), max(way), theirs["releases"],
                theirs["alarm"],
            )  # fmt: skip
            if told != expected:
                wrong.append(seed)
    assert wrong == []


def line(seed: int, passes: int = 400) -> tuple[np.ndarray[Any, Any], Truth]:
    """Passes with ramps in noise over a background that wanders, jumps once and fails for a while."""
    rng = np.random.default_rng(seed)
    count = passes * 250
    at = np.arange(count)
    height = np.clip(8 - np.abs(at % 250 - 125) / 10, 0, 1) * 40
    drift = 4 * np.sin(at / 9000) + np.where(at > 0.7 * count, 6, 0)
    light = 20 + height + drift + rng.normal(0, 1.5, count)
    light[count // 3 : count // 3 + 90] = np.nan
    starts = np.arange(passes) * 250 + 55
    return light.astype(np.float32), Truth.from_arrays(starts, starts + 140)


BASE = Setting(unit="counts", on_level=38.0, off_level=33.0)
WAYS: dict[str, dict[str, Any]] = {
    "plain": {},
    "gain with a guard": {"follow": "gain", "guard": 0.9, "dark_level": 2.0},
    "hardly moving": {"slew_per_s": 0.4},
    "held at a limit": {"high_limit": 21.0},
    "set anew": {"guard": 0.2, "release_after_ms": 300.0},
    "frozen for longer": {"freeze_hold_ms": 45.0, "update_evaluations": 7},
    "never frozen, fast": {"freeze": False, "time_constant_ms": 30.0},
    "single evaluations": {"update_evaluations": 1, "time_constant_ms": 400.0},
}


def settings_of(way: str, spread: float, count: int) -> list[FollowingSetting]:
    rng = np.random.default_rng(len(way))
    found = []
    for _ in range(count):
        moved = replace(BASE, on_level=BASE.on_level + spread * float(rng.normal()))
        fields: dict[str, Any] = {"low_limit": 5.0, "high_limit": 60.0, "guard": None, **WAYS[way]}
        found.append(FollowingSetting.of(moved, reference=20.0 + spread * float(rng.random()), **fields))
    return found


def alone(setting: FollowingSetting, recording: Recording) -> tuple[Any, ...]:
    """The setting walked through evaluation by evaluation."""
    clock = Clock.of(recording.samples, INFO.sample_rate_hz, None)
    light = np.asarray(recording.light[0 : recording.samples]).astype(np.float64)
    follower, every = Follower(setting, clock), setting.update_evaluations
    for a in range(0, light.size, every):
        follower.walk(a, light[a : a + every])
    state, did = follower.light_state(), follower.reference.followed(light.size)
    return state.first, state.edges.tolist(), did.last, did.lowest, did.highest, did.releases.tolist(), did.alarm.edges


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(
    ("spread", "count", "fast"), [(0.0, 1, False), (0.02, 14, False), (1.0, 14, False), (1.0, 4, True)]
)
def test_a_wandering_line(way: str, spread: float, count: int, fast: bool) -> None:
    if fast:
        pytest.importorskip("numba")
    light, _ = line(5, 60)
    recording = Recording.from_array(light, INFO)
    some = settings_of(way, spread, count)
    followers = Followers(some, Clock.of(light.size, INFO.sample_rate_hz, None), fast=fast)
    for a in range(0, light.size, 10_000):
        followers.push(light[a : a + 10_000])
    followers.finish()
    did_all = list(zip(some, followers.light_states(), followers.followed(), strict=True))
    for setting, state, did in did_all[:4]:
        told = (state.first, state.edges.tolist(), did.last, did.lowest, did.highest, did.releases.tolist())
        *expected, alarm = alone(setting, recording)
        assert told == tuple(expected)
        assert did.alarm.edges.tolist() == alarm.tolist()
        assert state.edges.size > 50


def test_what_is_certain_is_not_walked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Members that differ by less than the noise share nearly all intervals, and soon one reference."""
    walked = []
    walk = Members.walk
    monkeypatch.setattr(Members, "walk", lambda self, rows, row: (walked.append(row), walk(self, rows, row))[1])
    light, _ = line(6)
    some = settings_of("plain", 0.02, 20)
    followers = Followers(some, Clock.of(light.size, INFO.sample_rate_hz, None))
    followers.push(light)
    followers.finish()
    assert 0 < len(walked) < 0.4 * light.size / some[0].update_evaluations  # every pass has two ramps in noise
    steep = np.where(light > 45, 60, 20).astype(np.float32)
    walked.clear()
    followers = Followers(some, Clock.of(light.size, INFO.sample_rate_hz, None))
    followers.push(steep)
    followers.finish()
    assert not walked
    assert len({did.last for did in followers.followed()}) == 1


def test_counts_of_many_equal_those_of_each() -> None:
    light, truth = line(7, 80)
    recording = Recording.from_array(light, INFO)
    some: list[Setting] = [s for way in WAYS for s in settings_of(way, 1.0, 4)]
    some.insert(3, BASE)
    some += [replace(s, on_delay_ms=20.0) for s in some[:3]]
    counted = count_settings(recording, truth, some, rules=Rules(tolerance_ms=2.0, first_pass=3))
    for setting in some:
        scored = score(replay(recording, setting), truth, rules=Rules(tolerance_ms=2.0, first_pass=3), tables=False)
        assert counted[setting] == PairCounts.of(scored, truth)
    assert len(set(counted.values())) > 3


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40),
    st.lists(st.tuples(st.floats(-1e6, 1e6), st.floats(1e-6, 1)), max_size=20),
    st.sampled_from([math.inf, 0.5, 1e-3]),
)
def test_a_path_is_the_same_by_vectors_and_one_by_one(
    begin: list[float], updates: list[tuple[float, float]], slew: float
) -> None:
    means, weights = (np.array(v, np.float64) for v in (list(zip(*updates, strict=True)) or [(), ()]))
    told = guess_and_check.path_of(np.array(begin), means, weights, slew)
    for column, b in zip(told.T.tolist(), begin, strict=True):
        for value, mean, weight in zip(column, means.tolist(), weights.tolist(), strict=True):
            b += min(max((mean - b) * weight, -slew), slew)
            assert value == b


@given(st.integers(1, 12), st.integers(1, 12), st.integers(0, 99))
def test_sums_are_added_from_the_first_on(length: int, count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    light = rng.normal(size=(length, count)) * 10.0 ** rng.integers(-9, 9, (length, count))
    for column, told in zip(light.T.tolist(), rows.added(light).tolist(), strict=True):
        total = 0.0
        for x in column:
            total += x
        assert told == total
