"""Every number a surface holds equals replay and scoring of that pair, count for count.

The seeds are all of 0 … 999, in order; none is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from importlib.util import find_spec
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from teachlab.errors import InputError
from teachlab.model.following_and_window import FollowingSetting
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.all_pairs import reading as reading_module
from teachlab.questions.surface.count import surface, surface_of
from teachlab.questions.surface.given_settings import asked_tally as asked_module
from teachlab.questions.surface.given_settings import chain as chain_module
from teachlab.questions.surface.given_settings.grid import replayed_surface
from teachlab.questions.surface.given_settings.pairs import PairCounts, score_pairs
from teachlab.questions.surface.values import spans as spans_module
from teachlab.questions.surface.values.table import TABLES, Surface, counts_by_table
from teachlab.scoring import score
from teachlab.switching import replay

SEEDS = range(1000)
PART = 100
ENGINES = [
    False,
    pytest.param(True, marks=pytest.mark.skipif(find_spec("numba") is None, reason="the extra 'fast' is not there")),
]


def plain(setting: Setting) -> Setting:
    return replace(setting, consecutive=1, on_delay_ms=0.0, off_delay_ms=0.0)


def by_replay(recording: Recording, truth: Truth, setting: Setting, tolerance_ms: float, **more: Any) -> dict[str, int]:
    scored = score(replay(recording, setting), truth, rules=Rules(tolerance_ms=tolerance_ms, **more), tables=False)
    return counts_by_table(scored.counts)


def picked(found: Surface, seed: int, how_many: int) -> Iterator[tuple[int, int]]:
    """Some pairs of a surface, by seed; all of them where they are few."""
    n = found.levels.size
    pairs = [(i, j) for i in range(n) for j in range(i + 1)]
    rng = np.random.default_rng(seed)
    chosen = rng.choice(len(pairs), min(len(pairs), how_many), replace=False)
    yield from (pairs[k] for k in chosen)


@pytest.mark.parametrize("fast", ENGINES)
@pytest.mark.parametrize("first", range(SEEDS.start, SEEDS.stop, PART))
def test_1000_random_recordings(first: int, fast: bool, cases: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    wrong: dict[Any, Any] = {}
    for seed in range(first, first + PART):
        # Two in three come in blocks so small that most spans are cut into pieces.
        monkeypatch.setattr(reading_module, "BLOCK", (1 << 17, 5, 23)[seed % 3])
        case = cases.make(seed)
        recording, truth, base = cases.recording_of(case), cases.truth_of(case), plain(cases.setting_of(case))
        try:
            found = surface(recording, truth, base, rules=Rules(tolerance_ms=case.tolerance_ms), fast=fast)
        except InputError:
            with pytest.raises(InputError):
                replay(recording, base)
            continue
        for i, j in picked(found, seed, 2):
            expected = by_replay(recording, truth, found.setting(i, j), case.tolerance_ms)
            if found.at(i, j) != expected:
                wrong[seed, i, j] = found.at(i, j), expected
    assert wrong == {}


def test_all_pairs_of_some_recordings_and_from_a_later_pass_on(cases: ModuleType) -> None:
    wrong: dict[Any, Any] = {}
    for seed in range(0, 200, 9):
        case = cases.make(seed)
        recording, truth, base = cases.recording_of(case), cases.truth_of(case), plain(cases.setting_of(case))
        if truth.passes < 3 or np.isnan(case.light.astype(np.float64)).all():
            continue
        found = surface(recording, truth, base, rules=Rules(tolerance_ms=case.tolerance_ms, first_pass=2))
        for i, j in picked(found, seed, 400):
            expected = by_replay(recording, truth, found.setting(i, j), case.tolerance_ms, first_pass=2)
            if found.at(i, j) != expected:
                wrong[seed, i, j] = found.at(i, j), expected
    assert wrong == {}


@pytest.mark.parametrize("block", [1 << 16, 7])
def test_every_threshold_without_hysteresis_under_filter_and_delays(
    block: int, cases: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(chain_module, "BLOCK", block)
    wrong: dict[Any, Any] = {}
    counted = 0
    for seed in SEEDS[:: 2 if block > 7 else 8]:
        case = cases.make(seed)
        recording, truth, base = cases.recording_of(case), cases.truth_of(case), cases.setting_of(case)
        if not base.has_memory:
            continue
        try:
            found = surface(recording, truth, base, rules=Rules(tolerance_ms=case.tolerance_ms))
        except InputError:
            continue
        assert not found.every_pair
        for i in range(seed % 6, found.levels.size, 6):
            counted += 1
            expected = by_replay(recording, truth, found.setting(i, i), case.tolerance_ms)
            if found.at(i, i) != expected:
                wrong[seed, i] = found.at(i, i), expected
    assert wrong == {}
    assert counted > 100


def test_levels_between_the_distinct_ones_act_as_the_next_above(cases: ModuleType) -> None:
    checked = 0
    for seed in range(0, 300, 7):
        case = cases.make(seed)
        recording, truth, base = cases.recording_of(case), cases.truth_of(case), plain(cases.setting_of(case))
        try:
            found = surface(recording, truth, base, rules=Rules(tolerance_ms=case.tolerance_ms))
        except InputError:
            continue
        assert found.distinct
        setting = plain(cases.setting_of(case))
        where = found.index_of(setting)
        if where is None:  # above all light
            assert setting.on_level > found.levels[-1]
            continue
        checked += 1
        assert found.at(*where) == by_replay(recording, truth, setting, case.tolerance_ms), seed
    assert checked > 20


def test_mirrored_light_gives_the_mirrored_surface(cases: ModuleType) -> None:
    """Level L goes to the first value outside the mirrored band; active when dark becomes active when light."""
    for seed in range(0, 200, 3):
        case = cases.make(seed)
        light = np.round(np.nan_to_num(case.light.astype(np.float64), posinf=40, neginf=-40)) % 64
        light[0] = 0  # the start differs by contract: light-on begins active at x >= on, dark-on at x < on
        info, truth = cases.info_of(case), cases.truth_of(case)
        null = case.null.copy()
        null[0] = False
        up = Recording.from_array(light.astype(np.int16), info, invalid=null)
        down = Recording.from_array((63 - light).astype(np.int16), info, invalid=null)
        levels = np.arange(1.0, 65.0)
        base = Setting(unit="counts", on_level=0, off_level=0)
        rise = surface(up, truth, base, levels=levels)
        dip = surface(down, truth, base.with_levels(0, 0, Polarity.DARK_ON), levels=levels - 1)
        # x >= L is 63 − x < 64 − L: the on-level i of the one is the off-level 64 − i of the other.
        for name in TABLES:
            a, b = getattr(rise, name), getattr(dip, name)
            keep = np.tri(64, dtype=bool)
            np.testing.assert_array_equal(a[keep], b[::-1, ::-1].T[keep], err_msg=f"{seed} {name}")


def test_recordings_add_up(cases: ModuleType) -> None:
    base = Setting(unit="counts", on_level=0, off_level=0)
    pairs = [(cases.recording_of(c), cases.truth_of(c)) for c in map(cases.make, (1, 11, 21))]
    together = surface_of(pairs, base)
    assert together.recordings == 3
    alone = [surface(r, t, base, levels=together.levels) for r, t in pairs]
    for name in TABLES:
        np.testing.assert_array_equal(getattr(together, name), sum(getattr(one, name) for one in alone))
    assert together.detect_trials == sum(one.detect_trials for one in alone)


def test_many_settings_at_once_equal_replay_of_each(cases: ModuleType) -> None:
    for seed in range(0, 120, 4):
        case = cases.make(seed)
        recording, truth, base = cases.recording_of(case), cases.truth_of(case), cases.setting_of(case)
        values = np.unique(case.light[np.isfinite(case.light.astype(np.float64))].astype(np.float64))
        if values.size < 2 or case.null.all():
            continue
        rng = np.random.default_rng(seed)
        settings = []
        for k in range(12):
            low, high = np.sort(rng.choice(values, 2))
            one = base.with_levels(high, low, list(Polarity)[k % 2])
            settings.append(one if k % 3 else plain(one))
        try:
            found = score_pairs(recording, truth, settings, rules=Rules(tolerance_ms=case.tolerance_ms))
        except InputError:
            continue
        expected = [
            PairCounts.of(
                score(replay(recording, s), truth, rules=Rules(tolerance_ms=case.tolerance_ms), tables=False), truth
            )
            for s in settings
        ]
        assert found == expected, seed


@pytest.mark.parametrize("seed", range(0, 60, 3))
def test_hundreds_of_settings_in_one_reading(seed: int, cases: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every pair of levels on, between and beyond the samples, in small blocks, strips and sums."""
    monkeypatch.setattr(reading_module, "BLOCK", (1 << 17, 5, 23)[seed % 3])
    monkeypatch.setattr(spans_module, "LOOKED_BACK", (1 << 16, 9, 40)[seed % 3])
    monkeypatch.setattr(asked_module, "HELD_BACK", (1 << 19, 40)[seed % 2])
    monkeypatch.setattr(asked_module, "STRIP", (64, 3)[seed % 2])
    case = cases.make(seed)
    recording, truth, base = cases.recording_of(case), cases.truth_of(case), plain(cases.setting_of(case))
    light = case.light.astype(np.float64)
    values = np.unique(light[np.isfinite(light)])
    rng = np.random.default_rng(seed)
    levels = np.unique(np.concatenate((values, values[:-1] + np.diff(values) / 2, [values[0] - 1, values[-1] + 1])))
    pairs = [(i, j) for i in range(levels.size) for j in range(i + 1)]
    chosen = rng.permutation(len(pairs))[:150]
    settings = [
        base.with_levels(float(levels[i]), float(levels[j]), polarity)
        for i, j in (pairs[k] for k in chosen)
        for polarity in Polarity
    ]
    first = int(rng.integers(0, 3))
    try:
        found = score_pairs(recording, truth, settings, rules=Rules(tolerance_ms=case.tolerance_ms, first_pass=first))
    except InputError:
        with pytest.raises(InputError):
            replay(recording, base)
        return
    for setting, got in zip(settings, found, strict=True):
        scored = score(
            replay(recording, setting),
            truth,
            rules=Rules(tolerance_ms=case.tolerance_ms, first_pass=first),
            tables=False,
        )
        assert got == PairCounts.of(scored, truth), setting
        assert got.ignore_false_trips == scored.counts.ignore_false_trips


def test_settings_that_follow_are_refused(cases: ModuleType) -> None:
    case = cases.make(1)
    follows = FollowingSetting(unit="counts", on_level=3.0, off_level=2.0, reference=1.0, low_limit=0.0, high_limit=1.5)
    with pytest.raises(InputError, match="fixed levels"):
        score_pairs(cases.recording_of(case), cases.truth_of(case), [follows])


def test_a_grid_of_replays_is_exact_at_its_pairs(cases: ModuleType) -> None:
    case = cases.make(4)
    recording, truth = cases.recording_of(case), cases.truth_of(case)
    base = replace(cases.setting_of(case), on_delay_ms=3.0)
    found = replayed_surface(recording, truth, base, levels=np.unique(case.light.astype(np.float64))[::3])
    assert found.as_dict()["exact"] is True
    assert "replayed" in found.how
    for i, j in picked(found, 0, 10):
        assert found.at(i, j) == by_replay(recording, truth, found.setting(i, j), 0.0)
