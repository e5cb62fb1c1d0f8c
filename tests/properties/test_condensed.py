"""On a condensed recording settings of at least its hysteresis count the same as on the recording itself."""

from __future__ import annotations

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest

from teachlab.errors import InputError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface import condensed as module
from teachlab.questions.surface.condensed import Condensing, collapsed, condensed, without_small_cycles
from teachlab.questions.surface.given_settings import pairs
from teachlab.scoring import score
from teachlab.switching import replay

SEEDS = range(3000, 3250)
COUNTED = (
    "hits", "misses", "merged", "extra", "excluded_passes", "ignore_false_trips", "ignore_tripped", "ignore_held",
    "excluded_ignore_passes", "gaps", "gaps_tripped", "false_trips", "excluded_gaps",
)  # fmt: skip


def counts(recording: Recording, truth: Truth, setting: Setting, rules: Rules) -> dict[str, int]:
    found = score(replay(recording, setting), truth, rules=rules).counts
    return {name: getattr(found, name) for name in COUNTED}


@pytest.mark.parametrize(
    ("cells", "compact", "block"), [(module.CELLS, 1 << 17, 1 << 17), ((4, 2), 1, 37), ((3,), 20, 9)]
)
def test_counts_are_those_of_the_recording(
    cases: ModuleType, monkeypatch: pytest.MonkeyPatch, cells: tuple[int, ...], compact: int, block: int
) -> None:
    monkeypatch.setattr(module, "CELLS", cells)
    monkeypatch.setattr(module, "COMPACT", compact)
    compared = shorter = 0
    for seed in SEEDS:
        case = cases.make(seed)
        info = RecordingInfo(sample_rate_hz=case.sample_rate, unit="counts")
        recording = Recording.from_array(case.light, info, invalid=case.null)
        start, end, expect = zip(*case.passes, strict=True) if case.passes else ((), (), ())
        truth = Truth.from_arrays(
            start, end, detect=[e == "detect" for e in expect], uncertainty_samples=case.uncertainty_samples
        )
        rng = np.random.default_rng(seed)
        rules = Rules(tolerance_ms=case.tolerance_ms, first_pass=int(rng.integers(0, 2)) if len(start) > 2 else 0)
        setting = Setting(unit="counts", on_level=case.setting["on_level"], off_level=case.setting["off_level"])
        reading = Condensing(recording, truth, setting, rules)
        for one in recording.blocks(size=block):
            reading.push(one)
        try:
            found = reading.finish()
        except InputError:
            continue
        if found is None:
            continue
        shorter += found.recording.samples < recording.samples
        with np.errstate(all="ignore"):
            levels = np.unique(case.light.astype(np.float64)[np.isfinite(case.light.astype(np.float64))])
        for _ in range(6):
            off = float(rng.choice(levels)) + float(rng.choice([0.0, 0.3, -0.05]))
            on = off + setting.hysteresis * float(rng.choice([1.0, 1.5]))
            if on - off < setting.hysteresis:
                continue
            asked = Setting(unit="counts", on_level=on, off_level=off, polarity=Polarity(rng.choice(list(Polarity))))
            known = counts(recording, truth, asked, rules)
            assert counts(found.recording, found.truth, asked, found.rules) == known, (seed, asked)
            compared += 1
    assert compared > 400
    assert shorter > 50


def test_what_has_a_memory_or_a_clock_of_its_own_is_not_condensed() -> None:
    light = np.array([0, 0, 9, 9, 0, 0], float)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    truth = Truth.from_arrays([2], [4])
    setting = Setting(unit="counts", on_level=5, off_level=4)
    assert condensed(recording, truth, setting) is not None
    for other in (replace(setting, consecutive=2), replace(setting, evaluation_rate_hz=500.0)):
        assert condensed(recording, truth, other) is None


def test_a_window_that_only_reaches_the_end_of_the_record_is_not_condensed() -> None:
    recording = Recording.from_array(np.array([0, 9, 9, 0, 0.0]), RecordingInfo(sample_rate_hz=1000, unit="counts"))
    setting = Setting(unit="counts", on_level=5, off_level=4)
    assert condensed(recording, Truth.from_arrays([1], [3], uncertainty_samples=1), setting) is None


def test_noise_beyond_the_hysteresis_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "COMPACT", 64)
    monkeypatch.setattr(module, "MOST_KEPT", 100)
    light = np.random.default_rng(0).normal(0, 9, 4000)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    truth = Truth.from_arrays([2000], [2100])
    assert condensed(recording, truth, Setting(unit="counts", on_level=5, off_level=4)) is None
    assert condensed(recording, truth, Setting(unit="counts", on_level=50, off_level=-40)) is not None


def test_noise_beyond_the_hysteresis_is_given_up_early(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "COMPACT", 16)
    monkeypatch.setattr(module, "MOST_KEPT", 1000)
    light = np.random.default_rng(0).normal(0, 9, 4000)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    reading = Condensing(recording, Truth.from_arrays([2000], [2100]), Setting(unit="counts", on_level=5, off_level=4))
    read = []
    for block in recording.blocks(size=20):
        read.append(block.start)
        reading.push(block)
        if reading.given_up:
            break
    # 40 of 4,000 samples are 1 %: the next block decides.
    assert read == [0, 20, 40]


def test_cells_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "CELLS", (4,))
    light = np.array([0, 1, 0, 2, 7, 9, 8, 30, 1, 1])
    values, at, fit = collapsed(light, np.array([0, 6]), 3.0)
    # 0 1 0 2 spans 2; 7 9 spans 2, up to the border at 6; 8 30 spans too much; 1 1 stands still.
    # Of every other cell the highest comes first.
    assert values.tolist() == [0, 2, 9, 7, 8, 30, 1]
    assert fit == pytest.approx(3 / 4)
    assert at.tolist() == [0, 1, 4, 5, 6, 7, 8]


def test_small_cycles_by_hand() -> None:
    values = np.array([0, 5, 3, 9, 0, 4, 8.0])
    piece = np.array([0, 0, 0, 0, 1, 1, 1])
    kept, of = without_small_cycles(values, piece, 2.5)
    assert kept.tolist() == [0, 9, 0, 8]
    assert of.tolist() == [0, 0, 1, 1]
    assert without_small_cycles(values, piece, 1.5)[0].tolist() == [0, 5, 3, 9, 0, 8]


def test_many_settings_of_a_long_recording_count_as_replayed(
    cases: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pairs, "LONG", 0)
    used = 0
    plainly = pairs.condensed

    def counted(*given: object, **more: object) -> object:
        nonlocal used
        found = plainly(*given, **more)
        used += found is not None
        return found

    monkeypatch.setattr(pairs, "condensed", counted)
    for seed in range(4000, 4060):
        case = cases.make(seed)
        recording, truth, rules = cases.recording_of(case), cases.truth_of(case), Rules(tolerance_ms=case.tolerance_ms)
        on, off = case.setting["on_level"], case.setting["off_level"]
        asked = [
            Setting(unit="counts", on_level=on + more, off_level=off - more / 2, polarity=polarity)
            for more in (0.0, 0.5, 3.0)
            for polarity in Polarity
        ]
        try:
            known = [pairs.PairCounts.of(score(replay(recording, one), truth, rules=rules), truth) for one in asked]
        except InputError:
            continue
        later = rules.scored_from(truth.passes // 2)
        both = pairs.score_pairs_from(recording, truth, asked, (rules, later))
        assert both[0] == known, seed
        assert both[1] == [
            pairs.PairCounts.of(score(replay(recording, one), truth, rules=later), truth) for one in asked
        ], seed
    assert used > 20
