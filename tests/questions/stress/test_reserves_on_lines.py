"""Reserves by formula against counted ones, and cleaning, on lines where the formulae hold."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from teachlab.errors import ParameterError
from teachlab.model.recording import Recording
from teachlab.model.setting import Polarity, Setting
from teachlab.questions.feasibility.demands import demands_of
from teachlab.questions.stress.cleaning import LossRate, cleaning_at, cleaning_from
from teachlab.questions.stress.light import Stress
from teachlab.questions.stress.map import stress_map
from teachlab.questions.stress.reserve_path import Reserve
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.synthetic import generate, load_scenario


@pytest.mark.parametrize(
    ("name", "polarity", "on", "off", "delay"),
    [
        ("clear-jars", Polarity.DARK_ON, 58.5, 57.5, 140.0),
        ("dusty-sacks", Polarity.DARK_ON, 41.0, 38.0, 0.0),
        ("roof-light", Polarity.LIGHT_ON, 17.3, 15.5, 0.0),
    ],
)
def test_reserves_agree_with_the_formula_and_with_replay(
    name: str, polarity: Polarity, on: float, off: float, delay: float
) -> None:
    """Smallest gain: for a rise ``on / weakest pass``, for a dip ``on / weakest light between passes``.

    The ambient reserve of a rise is ``off − V``, V the highest valley between passes: then the output is no
    longer released. Common practice, recomputed; a just smaller stress replays right, a just greater one wrong.
    """
    recording, truth = generate(load_scenario(name), 150, seed=2)
    setting = Setting(unit=recording.info.unit, on_level=on, off_level=off, polarity=polarity, off_delay_ms=delay)
    found = stress_map(recording, truth, setting, gain=(1.0,))
    reach = demands_of(recording, truth, setting)
    loss, rise = found.contamination_reserve, found.ambient_reserve
    assert loss is not None
    assert rise is not None
    if polarity is Polarity.LIGHT_ON:
        assert loss == pytest.approx(1 - on / reach.peak.min(), abs=1e-9)
        assert rise == pytest.approx(off - reach.valley.max(), abs=1e-9)
    elif delay == 0:
        # Between two dips the light must come back to the on-level: the formula looks at all light from window to
        # window, a little more than lies between two dips, so it is a bound.
        bound = 1 - on / -reach.valley.max()
        assert bound - 0.005 < loss <= bound

    def right(stress: Stress) -> bool:
        light = np.clip(stress.apply(recording.read(0, recording.samples).as_float()), 0, 100)
        counts = score(replay(Recording.from_array(light, recording.info), setting), truth).counts
        return counts.lost == counts.false_trips == counts.ignore_false_trips == 0

    assert right(Stress(1 - loss * 0.999))
    assert not right(Stress(1 - loss - 0.001))
    assert right(Stress(1.0, ambient=rise * 0.999))
    assert not right(Stress(1.0, ambient=rise + 0.01))


@given(st.floats(0.0, 1.0))
def test_a_reserve_taken_from_full_light_does_not_lead_beyond_the_last_right_gain(last: float) -> None:
    found = Reserve.up_to(last, 1.0)
    assert found.value is not None
    assert last <= 1.0 - found.value <= last + 2e-16


def test_time_to_cleaning_by_hand() -> None:
    """17.3 / 21.3 = 0.988^17.23; half of the light a day uses up half of it in a day; and the ends of the loss."""
    reserve = 1 - 17.3 / 21.3
    assert cleaning_at(reserve, 0.012).days == pytest.approx(17.23, abs=0.005)
    assert cleaning_at(0.5, 0.5).days == pytest.approx(1.0)
    found = cleaning_from(reserve, LossRate(0.012, 0.008, 0.016, 30.0, 5))
    assert found.earliest == pytest.approx(-math.log(17.3 / 21.3) / 0.016)
    assert found.latest == pytest.approx(-math.log(17.3 / 21.3) / 0.008)
    assert math.isinf(cleaning_from(reserve, LossRate(0.002, -0.001, 0.005, 30.0, 5)).latest or 0)
    assert cleaning_at(None, 0.012).days is None
    for loss in (-0.1, 1.0, math.nan):
        with pytest.raises(ParameterError, match="share of the light"):
            cleaning_at(reserve, loss)
