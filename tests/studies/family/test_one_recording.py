"""A bench is a study of one recording: decision, setting, limits, claim and first reason are the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import teachlab
from teachlab import DrawOptions
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth, TruthSource
from teachlab.wording.verdict import first_text
from tests.studies.family.made_lines import line

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
    for seed in (0, 1):
        recording, truth = made(seed, change, full_scale)
        bench = teachlab.bench(recording, ways, truth, options=DrawOptions(draws=7)).verdict
        found = teachlab.study([(recording, truth)], ways, draws=7)
        study = found.verdict
        assert first_text(study) == first_text(bench)
        assert study.conditions == bench.conditions
        assert study.claim == bench.claim
        # A study tries no changes of the setting.
        kept = [one for one in bench.reasons if not one.better]
        assert study.reasons[:1] == tuple(kept[:1])
        assert found.lines[0].decision == bench.decision
        whole = " ".join([first_text(study), *study.conditions, *(one.text for one in study.reasons)])
        assert says in whole


def test_passes_from_the_light_and_few_passes_are_judged_as_in_a_bench() -> None:
    recording, truth = line(2, 60)
    for passes in (truth, replace(truth, source=TruthSource.SELF_LABELLED), truth.select(slice(0, 12))):
        bench = teachlab.bench(recording, WAYS, passes, options=DrawOptions(draws=5)).verdict
        study = teachlab.study([(recording, passes)], WAYS, draws=5).verdict
        assert (first_text(study), study.conditions, study.claim) == (first_text(bench), bench.conditions, bench.claim)


def test_the_choice_among_equals_is_that_of_a_bench_in_any_order() -> None:
    """It was the first of those that cost the same; a bench takes the one with the most room."""
    recording, truth = line(1, 60)
    for ways in (WAYS, WAYS[::-1], ["balanced-guard", "quantile-guard"]):
        bench = teachlab.bench(recording, ways, truth, options=DrawOptions(draws=5)).verdict
        assert teachlab.study([(recording, truth)], ways, draws=5).verdict.about == bench.about


def test_the_next_step_finds_the_setting_that_was_judged() -> None:
    """It left out how many draws were made, and a bench of another number may fix another setting."""
    recording, truth = line(1, 60)
    step = teachlab.study([(recording, truth)], ["balanced-guard"], draws=5, seeds=[3], cost_miss=2.0).verdict.next_step
    assert step == (
        f"teachlab bench {recording.name} --strategy balanced-guard --draws 5 --cost-miss 2.0 --seed 3 --out results"
    )
    assert "--draws" not in teachlab.study([(recording, truth)], ["balanced-guard"]).verdict.next_step
