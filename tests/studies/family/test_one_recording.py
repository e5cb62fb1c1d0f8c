"""A bench is a study of one recording: all of its verdict, but for how it compares with the other strategies."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shell

import teachlab
from teachlab import DrawOptions
from teachlab.data.setting_files import read_setting, write_setting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth, TruthSource
from teachlab.model.verdict import Verdict
from teachlab.wording.verdict import first_text
from tests.studies.family.made_lines import line, write_line

WAYS = ["single-sample", "two-sample-midpoint", "quantile-guard", "balanced-guard", "guard-or-window"]
PASSES, LONG, EVERY = 100, 40, 100
Change = Callable[[np.ndarray, np.ndarray, np.random.Generator], None]


def made(seed: int, change: Change, full_scale: float = 4095.0) -> tuple[Recording, Truth]:
    """A line in lots of five, whose light and heights of passes are changed before they are added."""
    rng = np.random.default_rng(seed)
    light, height = rng.normal(100, 1, PASSES * EVERY + 60), rng.uniform(30, 60, PASSES)
    start = 60 + EVERY * np.arange(PASSES)
    change(light, height, rng)
    for a, h in zip(start, height, strict=True):
        light[a : a + LONG] += h
    light = np.clip(light, 0, full_scale)
    kinds = np.where(np.abs(height) < 10, "dark", "light")
    truth = Truth.from_arrays(start, start + LONG, label=kinds, lot=[f"lot {k // 5}" for k in range(PASSES)])
    known = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=full_scale)
    return Recording.from_array(light, known, name="line"), truth


def plain(light: np.ndarray, height: np.ndarray, rng: np.random.Generator) -> None:
    pass


def dark(light: np.ndarray, height: np.ndarray, rng: np.random.Generator) -> None:
    height[::9] = 2.0


def darker(light: np.ndarray, height: np.ndarray, rng: np.random.Generator) -> None:
    height[::4] *= -1


def weak_lots(light: np.ndarray, height: np.ndarray, rng: np.random.Generator) -> None:
    height *= np.repeat(rng.uniform(0.1, 1.0, PASSES // 5), 5)


def flashes(light: np.ndarray, height: np.ndarray, rng: np.random.Generator) -> None:
    for a in rng.integers(0, light.size - 9, 40):
        light[a : a + 6] += 80


def stopped(light: np.ndarray, height: np.ndarray, rng: np.random.Generator) -> None:
    height[60:80] = 0.0
    light[60 * EVERY : 80 * EVERY] = 100.5


def standing(light: np.ndarray, height: np.ndarray, rng: np.random.Generator) -> None:
    height[70:] = 0.0
    light[70 * EVERY : 99 * EVERY] += 50


def quiet(light: np.ndarray, height: np.ndarray, rng: np.random.Generator) -> None:
    light[:] = 100 + (light - 100) / 5


MENDED = (dark, weak_lots, flashes)
"""Lines on which a change of the setting leaves fewer errors."""


def same(study: Verdict, bench: Verdict) -> bool:
    """Whether both say the same, but for the sentence of a bench on its ranking."""
    ranking = [one for one in bench.reasons if "Over all scored passes" in one.text or "has more room" in one.text]
    reasons = tuple(one for one in bench.reasons if one not in ranking)
    assert study == replace(bench, reasons=reasons)
    return True


@pytest.mark.parametrize(
    ("change", "ways", "full_scale", "says"),
    [
        (plain, WAYS, 4095.0, "Use"),
        (dark, WAYS, 4095.0, "'dark'"),
        (darker, WAYS, 4095.0, "two thresholds"),
        (darker, WAYS[:4], 4095.0, "no single threshold sees both"),
        (weak_lots, WAYS, 4095.0, ""),
        (flashes, WAYS, 4095.0, "gaps"),
        (stopped, WAYS, 4095.0, ""),
        (standing, WAYS, 4095.0, ""),
        (quiet, WAYS, 101.7, "end of the scale"),
    ],
)
def test_a_bench_is_a_study_of_one_recording(change: Change, ways: list[str], full_scale: float, says: str) -> None:
    """It knew neither kinds, nor both sides, nor a level at an end of the scale, nor a gap that stays active."""
    better = 0
    for seed in (0, 1):
        recording, truth = made(seed, change, full_scale)
        bench = teachlab.bench(recording, ways, truth, options=DrawOptions(draws=7)).verdict
        found = teachlab.study([(recording, truth)], ways, draws=7)
        study = found.verdict
        assert same(study, bench)
        assert found.lines[0].decision == bench.decision
        better += sum(one.better for one in study.reasons)
        whole = " ".join([first_text(study), *study.conditions, *(one.text for one in study.reasons)])
        assert says in whole
    assert (better > 0) == (change in MENDED)


def test_passes_from_the_light_and_few_passes_are_judged_as_in_a_bench() -> None:
    recording, truth = line(2, 60)
    for passes in (truth, replace(truth, source=TruthSource.SELF_LABELLED), truth.select(slice(0, 12))):
        bench = teachlab.bench(recording, WAYS, passes, options=DrawOptions(draws=5)).verdict
        study = teachlab.study([(recording, passes)], WAYS, draws=5).verdict
        assert same(study, bench)


def test_the_choice_among_equals_is_that_of_a_bench_in_any_order() -> None:
    """It was the first of those that cost the same; a bench takes the one with the most room."""
    recording, truth = line(1, 60)
    for ways in (WAYS, WAYS[::-1], ["balanced-guard", "quantile-guard"]):
        bench = teachlab.bench(recording, ways, truth, options=DrawOptions(draws=5)).verdict
        assert teachlab.study([(recording, truth)], ways, draws=5).verdict.about == bench.about


BASES = {"file": "slow.json", "table": {"on_delay_ms": 3.0, "consecutive": 2}, "none": {}}


@pytest.mark.parametrize("base", BASES)
def test_the_next_step_finds_the_setting_that_was_judged(
    base: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It left out the draws, the base setting, and passes in another place: a bench then fixed another setting."""
    monkeypatch.chdir(tmp_path)
    path = write_line(Path("a line.parquet"), 1, 60)
    path.with_suffix(".passes.parquet").rename("seen.parquet")
    write_setting("slow.json", Setting(unit="counts", on_level=1.0, off_level=0.0, on_delay_ms=3.0, consecutive=2))
    found = teachlab.study(
        {"path": path, "truth": "seen.parquet"}, {"balanced-guard": {"share": 0.02}}, draws=5, seeds=[3], cost_miss=2.0,
        bases={base: BASES[base]},
    ).verdict  # fmt: skip
    step = found.next_step.partition("Save this setting for it: ")[2]
    assert ("--base " in step) == (base != "none")
    if base == "table":
        told, _, step = step.removeprefix("with ").partition(" in base.json: ")
        Path("base.json").write_text(told)
    shell.run(*shlex.split(step)[1:])
    assert found.setting is not None
    assert read_setting("results/a line.setting.json") == found.setting
    assert (found.setting.on_delay_ms, found.setting.consecutive) == ((0.0, 1) if base == "none" else (3.0, 2))


def test_a_study_of_several_leads_to_the_costliest_with_its_own_options(tmp_path: Path) -> None:
    """It led to a bench of other strategies, draws and delays, which counted other errors."""
    paths = [write_line(tmp_path / f"l{seed}.parquet", seed, weak=0.4) for seed in range(6)]
    found = teachlab.study(
        paths, {"single-sample": {"reduction": [0.25, 0.3]}}, draws=2, tolerance_ms=1.0, bases={"s": {"on_delay_ms": 2}}
    )
    chosen, frame = found.recommended, found.to_pandas()
    assert chosen is not None
    frame = frame[frame.reduction == chosen.parameters["reduction"]]
    errors = (frame.claim_lost + frame.claim_false) / frame.claim_passes
    assert errors.max() > 0
    assert found.verdict.next_step == (
        'with {"unit": "counts", "on_level": 0, "off_level": 0, "polarity": "light-on", "consecutive": 1, '
        '"on_delay_ms": 2.0, "off_delay_ms": 0.0, "delays_act_on": "output"} in base.json: '
        f"teachlab bench {frame.path[errors.idxmax()]} --strategy single-sample "
        f"--set reduction={chosen.parameters['reduction']:g} "
        "--draws 2 --tolerance-ms 1.0 --base base.json --out results"
    )


@pytest.mark.parametrize(("gain", "lost"), [(0.95, False), (0.3, True)])
def test_other_light_on_one_recording_is_a_reason_or_a_limit(gain: float, lost: bool) -> None:
    found = teachlab.study(
        [made(3, plain)], {"two-sample-midpoint": None}, draws=10, conditions={"as it is": {}, "dim": {"gain": gain}}
    )
    told = [text for text in found.verdict.conditions if "'dim'" in text]
    reasons = [one.text for one in found.verdict.reasons if "'dim'" in one.text]
    assert (bool(told), bool(reasons)) == (lost, not lost)
