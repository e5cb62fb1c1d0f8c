"""What one reading tells of a setting is what a reading for each of it tells."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import shell
from scoring.margins import measure_margin

from teachlab.data.alignment.measure import measure_alignment
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.errors import InputError
from teachlab.light import extremes as extremes_module
from teachlab.light.extremes import Cells
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.light.repeats import repeated_stretches
from teachlab.model.json_values import plain
from teachlab.model.margin import Margin
from teachlab.model.recording import Block, Direction, Recording, RecordingInfo
from teachlab.model.score import Rules, Trials
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress import setting_reading
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.scoring import score
from teachlab.sensor.comparator import Comparator
from teachlab.switching import replay

SEEDS = range(5000, 5120)


def same(one: Any, other: Any) -> bool:
    return repr(plain(one)) == repr(plain(other))


def margin_is(found: SettingReading, trials: Trials, by_itself: Callable[[], Margin], seed: int) -> bool:
    """Hold a margin to the one measured by itself, or both to the same refusal; return whether there is one."""
    try:
        margin = by_itself()
    except InputError as fault:
        with pytest.raises(type(fault)):
            found.margin(trials)
        return False
    assert same(found.margin(trials), margin), seed
    return True


@pytest.mark.parametrize("at_once", [1 << 20, 23])
def test_one_reading_equals_one_for_each(cases: ModuleType, monkeypatch: pytest.MonkeyPatch, at_once: int) -> None:
    monkeypatch.setattr(setting_reading, "AT_ONCE", at_once)
    monkeypatch.setattr(setting_reading, "CELLS", (5,))
    monkeypatch.setattr(extremes_module, "TOGETHER", 7)
    compared = 0
    for seed in SEEDS:
        case = cases.make(seed)
        recording, truth = cases.recording_of(case), cases.truth_of(case)
        setting, rules = cases.setting_of(case), Rules(tolerance_ms=case.tolerance_ms)
        try:
            output = replay(recording, setting)
        except InputError as fault:
            with pytest.raises(type(fault)):
                SettingReading(recording, truth, setting, rules=rules)
            continue
        found = SettingReading(recording, truth, setting, rules=rules)
        for name in ("output", "undelayed", "invalid"):
            mine, theirs = getattr(found.output, name), getattr(output, name)
            assert (mine.first, mine.edges.tolist()) == (theirs.first, theirs.edges.tolist()), (seed, name)
        trials = score(output, truth, rules=rules).trials
        assert found.copies() == repeated_stretches(recording, truth.start, truth.end)
        extremes = PassAndGapExtremes.of(recording, truth, evaluation_rate_hz=setting.evaluation_rate_hz, rules=rules)
        assert same(found.extremes, extremes), seed
        assert same(found.alignment(), measure_alignment(recording, truth)) or found.alignment().room, seed
        by_itself = partial(measure_margin, recording, output, truth, trials, rules=rules)
        compared += margin_is(found, trials, by_itself, seed)
    assert compared > 0.8 * len(SEEDS)


@pytest.mark.parametrize("at_once", [1 << 20, 23])
def test_settings_read_together_equal_each_alone(
    cases: ModuleType, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    monkeypatch.setattr(setting_reading, "AT_ONCE", at_once)
    monkeypatch.setattr(setting_reading, "CELLS", (5,))
    compared = 0
    for seed in range(5000, 5040):
        case = cases.make(seed)
        recording, truth = cases.recording_of(case), cases.truth_of(case)
        setting, rules = cases.setting_of(case), Rules(tolerance_ms=case.tolerance_ms)
        wider = setting.with_levels(setting.on_level + 2, setting.off_level - 1)
        asked = [(setting, rules, True), (wider, rules.scored_from(2), True), (wider.with_levels(5, 5), rules, False)]
        try:
            together = SettingReading.together(recording, truth, asked)
        except InputError:
            continue
        for (one, own, margins), found in zip(asked, together, strict=True):
            alone = SettingReading(recording, truth, one, rules=own, margins=margins)
            assert found.output.output.edges.tolist() == alone.output.output.edges.tolist()
            assert same(found.extremes, alone.extremes), seed
            assert same(found.alignment(), alone.alignment()), seed
            assert found.copies() == alone.copies()
            assert (found.condensed is None) == (alone.condensed is None)
            trials = score(found.output, truth, rules=own).trials
            compared += margin_is(found, trials, partial(alone.margin, trials), seed)
    assert compared > 20


@pytest.mark.parametrize("seed", range(40))
def test_a_comparator_in_cells_equals_one_on_samples(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(extremes_module, "TOGETHER", 1 + seed)
    rng = np.random.default_rng(seed)
    light = (rng.integers(0, 8, 400) if seed % 2 else np.cumsum(rng.normal(size=400))).astype(np.float32)
    on, off = sorted(rng.choice(light, 2).tolist(), reverse=True)
    plainly, cellwise = (Comparator(on, off, light.dtype) for _ in range(2))
    plainly.push(light)
    for a in range(0, 400, 90):
        borders = np.sort(rng.choice(400, 20))
        cells = Cells.of(Block(a, light[a : a + 90]), borders, int(rng.integers(1, 30)))
        assert cells is not None
        cellwise.push_cells(cells.light, cells.cuts, cells.low, cells.high)
    assert cellwise.light_state().edges.tolist() == plainly.light_state().edges.tolist()


def line(folder: Path, samples: int = 400_000) -> tuple[str, str]:
    """Write a recording of many row groups, with passes in lots and a setting."""
    start = np.arange(200, samples - 400, 1000)
    light = np.random.default_rng(4).normal(20, 1, samples).astype(np.float32)
    for a in start:
        light[a : a + 200] += 60
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    path = folder / "a.parquet"
    write_recording(path, Recording.from_array(light, info))
    truth = Truth.from_arrays(start, start + 200, lot=[f"lot {k // 40}" for k in range(start.size)])
    write_truth(folder / "a.passes.parquet", truth.tied_to(read_recording(path).info.digest))
    write_setting(folder / "s.json", Setting(unit="counts", on_level=50.0, off_level=40.0))
    return str(path), str(folder / "s.json")


@pytest.mark.parametrize("words", [[], ["--reserves"], ["--no-margin"], ["--details"]])
def test_replay_reads_once(tmp_path: Path, decoded: Counter[str], words: list[str]) -> None:
    path, setting = line(tmp_path)
    decoded.clear()
    shell.run("replay", path, "--setting", setting, *words)
    assert decoded["samples"] == 400_000


@pytest.mark.parametrize("held", [1 << 26, 0])
@pytest.mark.parametrize(
    ("words", "most"),
    [
        (["inspect"], 4),
        (["stress", "--setting", "s.json"], 4),
        (["surface"], 4),
        (["bench", "--draws", "4", "--strategy", "balanced-guard", "--jobs", "1"], 4),
        (["bench", "--draws", "4", "--strategy", "balanced-guard", "--strategy", "ratio-midpoint", "--jobs", "1"], 4),
    ],
)
def test_commands_share_readings(
    tmp_path: Path, decoded: Counter[str], monkeypatch: pytest.MonkeyPatch, words: list[str], most: int, held: int
) -> None:
    path, _ = line(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("teachlab.data.kept_light.HELD_BYTES", held)
    monkeypatch.setattr("teachlab.questions.feasibility.designed_cure.MOST_DESIGNED", 0)
    monkeypatch.setattr("teachlab.questions.surface.given_settings.pairs.LONG", 0)
    monkeypatch.setattr("teachlab.studies.recommend.MOST_SAMPLES", 100_000)
    decoded.clear()
    shell.run(words[0], path, *words[1:])
    assert decoded["samples"] <= most * 400_000


def test_a_bench_of_light_too_long_to_be_held_shares_readings(
    tmp_path: Path, decoded: Counter[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, _ = line(tmp_path)
    monkeypatch.setattr("teachlab.data.kept_light.HELD_BYTES", 0)
    # So long a recording is not held for a design with all passes known either.
    monkeypatch.setattr("teachlab.questions.feasibility.designed_cure.MOST_DESIGNED", 0)
    monkeypatch.setattr("teachlab.questions.surface.given_settings.pairs.LONG", 0)
    decoded.clear()
    words = ["bench", path, "--draws", "4", "--strategy", "balanced-guard", "--jobs", "1", "--json"]
    done = shell.run(*words)
    assert decoded["samples"] <= 4 * 400_000
    monkeypatch.setattr("teachlab.data.kept_light.HELD_BYTES", 1 << 26)
    decoded.clear()
    assert shell.invoke(*words).stdout == done.stdout, "light that is held changes nothing"
    assert decoded["samples"] == 400_000
