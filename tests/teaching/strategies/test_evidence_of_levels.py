"""What a setting says of its teaching is what was shown: figures of the evidence, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm
from teach_views import teach_view

import teachlab
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.teaching import Shown
from teachlab.model.truth import Truth
from teachlab.teaching.cells.designed_cells import cell_setting
from teachlab.teaching.strategies.background_referenced import BackgroundReferenced
from teachlab.teaching.strategies.noise_weighted import balanced_costs


def line(*, dip: bool) -> tuple[Recording, Truth]:
    """40 passes over a rippling background, upwards or mirrored at 200."""
    rng = np.random.default_rng(11)
    start = 40 + 50 * np.arange(40)
    light = 20.0 + rng.integers(0, 7, 2100)
    for at in start:
        light[at : at + 20] += 60 + rng.integers(0, 9)
    info = RecordingInfo(
        sample_rate_hz=1000.0, unit="counts", full_scale=255.0, direction=Direction.DIP if dip else Direction.RISE
    )
    return Recording.from_array(200 - light if dip else light, info), Truth.from_arrays(start, start + 20)


@pytest.mark.parametrize("dip", [False, True])
@pytest.mark.parametrize("name", ["quantile-guard", "balanced-guard"])
def test_guards_are_told_in_units_of_the_recording(name: str, dip: bool) -> None:
    recording, truth = line(dip=dip)
    setting = teachlab.teach(recording, name, truth)
    assert setting.taught is not None
    told = setting.taught.evidence
    low, high = sorted((told["background_guard"], told["object_guard"]))
    # Background is 20 to 26 and objects 80 to 94: mirrored 174 to 180 and 106 to 120.
    assert (low, high) == pytest.approx((113, 177) if dip else (23, 87), abs=8)
    assert low < setting.off_level <= setting.on_level < high
    assert (told["background_guard"] > told["object_guard"]) == dip


def test_deviations_are_those_of_the_background_shown() -> None:
    recording, truth = line(dip=False)
    strategy = BackgroundReferenced(distance="standard-deviations", deviations=6.0)  # type: ignore[arg-type]
    setting = teachlab.teach(recording, strategy, truth)
    assert setting.taught is not None
    told = setting.taught.evidence
    # Whole numbers from 20 to 26 with equal chance: mean 23, standard deviation 2.
    assert told["background"] == pytest.approx(23, abs=0.5)
    assert told["standard_deviation"] == pytest.approx(2, abs=0.2)
    assert setting.on_level == pytest.approx(told["background"] + 6 * told["standard_deviation"])


@pytest.mark.parametrize("seed", range(20))
def test_a_level_of_balanced_costs_has_equal_weighted_densities(seed: int) -> None:
    """By definition: odds times the density of objects is that of the background there, scipy's densities."""
    rng = np.random.default_rng(seed)
    m0, s0, s1 = rng.normal(0, 5), rng.uniform(0.2, 2), rng.uniform(0.2, 2)
    m1, odds = m0 + rng.uniform(3, 9), rng.uniform(0.2, 5)
    level = balanced_costs(m0, s0, m1, s1, odds)
    assert level is not None
    assert odds * norm.pdf(level, m1, s1) == pytest.approx(norm.pdf(level, m0, s0), rel=1e-6)


def test_delays_of_a_cell_are_evaluations_in_time() -> None:
    view = teach_view(unit="mV", rate_hz=4000.0, shown=frozenset({Shown.EVENTS}))
    made = cell_setting(view, 50.0, 40.0, 3, 8, 6)
    assert (made.on_level, made.off_level, made.consecutive) == (50, 40, 3)
    assert (made.on_delay_ms, made.off_delay_ms) == (2.0, 1.5)
