"""Contamination and ambient reserve of plain signals: closed forms of excess gain."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scoring.margins import measure_margin

from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.stress.cleaning import time_to_cleaning
from teachlab.questions.stress.reserves import reserves
from teachlab.scoring import score
from teachlab.switching import replay

PASSES = 20
DARK = 40.0


def line(level: float, empty: float, direction: Direction) -> tuple[Recording, Truth]:
    """Rectangular passes of one level above the dark level, without noise."""
    start = 100 * np.arange(1, PASSES + 1)
    light = np.full(100 * (PASSES + 2), DARK + empty)
    for a in start:
        light[a : a + 30] = DARK + level
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", dark_level=DARK, full_scale=1e6, direction=direction)
    return Recording.from_array(light, info), Truth.from_arrays(start, start + 30)


# source: definition; excess gain 1.5, 2, 3 and 10 leave 33.3, 50, 66.7 and 90 % to lose; likewise 1.25, 4, 5 and 20.
GAINS = [(1.25, 0.2), (1.5, 1 / 3), (2.0, 0.5), (3.0, 2 / 3), (4.0, 0.75), (5.0, 0.8), (10.0, 0.9), (20.0, 0.95)]


@pytest.mark.parametrize(("gain", "reserve"), GAINS)
def test_reserve_of_an_excess_gain(gain: float, reserve: float) -> None:
    level = 200.0
    recording, truth = line(gain * level, 10.0, Direction.RISE)
    setting = Setting(unit="counts", on_level=DARK + level, off_level=DARK + 150)
    found = reserves(recording, truth, setting)
    assert found["contamination_reserve"] == pytest.approx(reserve, abs=1e-9)
    # Ambient light lifts the gaps to the off-level: the output no longer lets go.
    assert found["ambient_reserve"] == pytest.approx(150 - 10, rel=1e-9)
    output = replay(recording, setting)
    margin = measure_margin(recording, output, truth, score(output, truth).trials)
    assert margin.excess_gain.light == pytest.approx(gain)


@pytest.mark.parametrize(("gain", "reserve"), GAINS)
def test_reserve_of_a_beam_that_is_interrupted(gain: float, reserve: float) -> None:
    """The empty beam must stay at or above the on-level, where the output is released: hysteresis eats reserve."""
    release = 100.0
    recording, truth = line(5.0, gain * release, Direction.DIP)
    setting = Setting(unit="counts", on_level=DARK + release, off_level=DARK + 80, polarity="dark-on")
    assert reserves(recording, truth, setting)["contamination_reserve"] == pytest.approx(reserve, abs=1e-9)


def test_days_until_cleaning() -> None:
    """Weakest pass 21.3, level 17.3: down to 0.81 of it; at 1.2 % per day 17 days (common practice, no source)."""
    recording, truth = line(21.3, 1.0, Direction.RISE)
    setting = Setting(unit="counts", on_level=DARK + 17.3, off_level=DARK + 15)
    left = reserves(recording, truth, setting)["contamination_reserve"]
    assert left == pytest.approx(1 - 17.3 / 21.3, abs=1e-9)
    assert time_to_cleaning(left, 0.012) == pytest.approx(-math.log(17.3 / 21.3) / 0.012)
    assert time_to_cleaning(left, 0.012) == pytest.approx(17.3, abs=0.05)
