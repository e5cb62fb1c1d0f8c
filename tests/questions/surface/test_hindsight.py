"""The best in hindsight, worked by hand and against the whole table."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.errors import ParameterError
from teachlab.model.draws import Costs
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.hindsight import hindsight, regret_of
from teachlab.questions.surface.values.table import Surface

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
BASE = Setting(unit="counts", on_level=0.0, off_level=0.0)
LIGHT = np.array([1, 2, 9, 8, 1, 3, 7, 9, 2, 1], np.uint8)


def count(light: np.ndarray = LIGHT, **more: object) -> Surface:
    truth = Truth.from_arrays([2, 6], [4, 8])
    return surface(Recording.from_array(light, INFO), truth, BASE, **more)


def test_by_hand() -> None:
    """Gaps reach 3, passes 9 and 9, the valley between them is 1: on 7 … 9 and off 2 … on lose nothing."""
    best = hindsight(count())
    assert best.cost == 0
    assert best.on_interval == (3.0, 9.0)
    assert best.open_below == (True, True)
    assert best.equally_good == 3 + 4 + 5
    assert best.counts["lost"] == best.counts["false_trips"] == best.counts["extra"] == 0


def test_costs_decide() -> None:
    """A gap of 9: between 8 and 9 either a pass of 8 is lost or nothing; at 8 the gap trips in any case."""
    light = np.array([0, 0, 8, 0, 9, 0, 5, 0], np.uint8)
    truth = Truth.from_arrays([2, 6], [3, 7])
    found = surface(Recording.from_array(light, INFO), truth, BASE)
    assert hindsight(found, costs=Costs(miss=10, false=1)).setting.on_level == 5
    assert hindsight(found, costs=Costs(miss=10, false=1)).cost == pytest.approx(0.5)
    assert hindsight(found, costs=Costs(miss=0, false=1)).cost == 0


def test_nothing_in_the_table_is_better_and_regret_is_the_difference() -> None:
    rng = np.random.default_rng(3)
    light = rng.integers(0, 30, 400).astype(np.uint8)
    starts = np.arange(20, 380, 40)
    truth = Truth.from_arrays(starts, starts + 12)
    found = surface(Recording.from_array(light, INFO), truth, BASE)
    costs = Costs(miss=3, false=0.5)
    best = hindsight(found, costs=costs)
    table = found.cost(costs)
    assert best.cost == table[np.tri(found.levels.size, dtype=bool)].min()
    some = [found.setting(i, j) for i, j in ((3, 1), (12, 12), (20, 4))]
    expected = [table[3, 1] - best.cost, table[12, 12] - best.cost, table[20, 4] - best.cost]
    np.testing.assert_allclose(regret_of(found, some, costs=costs), expected)
    assert (regret_of(found, some, costs=costs) >= 0).all()


def test_a_better_setting_from_outside_is_taken() -> None:
    found = count(levels=np.array([1.0, 3.0]))
    assert hindsight(found).cost > 0
    other = BASE.with_levels(8.0, 5.0, BASE.polarity)
    best = hindsight(found, others=[(other, 0.0)])
    assert best.cost == 0
    assert best.setting == other


def test_a_level_between_stated_ones_was_not_counted() -> None:
    found = count(levels=np.array([1.0, 5.0, 8.0]))
    assert np.isnan(regret_of(found, [BASE.with_levels(6.0, 5.0, BASE.polarity)])).all()


def test_without_passes_there_is_no_best() -> None:
    truth = Truth.from_arrays([0], [3])
    found = surface(Recording.from_array(LIGHT, INFO), truth, BASE)
    with pytest.raises(ParameterError, match="no pass is left to score"):
        hindsight(found)
