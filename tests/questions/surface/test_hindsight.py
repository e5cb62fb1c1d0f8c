"""The best in hindsight, worked by hand and against the whole table."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from teachlab.errors import ParameterError
from teachlab.model.draws import Costs
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.figure import surface_figure
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


@pytest.mark.parametrize("distinct", [True, False])
@pytest.mark.parametrize("seed", range(12))
def test_the_pair_with_the_most_room_is_that_of_a_plain_loop(seed: int, distinct: bool) -> None:
    """Cheap pairs lie anywhere in the table; runs of them go up and down, and left and right."""
    rng = np.random.default_rng(seed)
    whole = count(np.append(rng.integers(0, 40, 12), LIGHT).astype(np.uint8))
    n, levels = whole.levels.size, whole.levels.tolist()
    cheap = np.tri(n, dtype=bool) & (rng.random((n, n)) < 0.8) & (rng.random(n) < 0.7)[:, None]
    cheap[n // 2, n // 3] = True
    lost = np.where(cheap, 0, 1).astype(whole.lost.dtype)
    nothing = np.zeros_like(lost)
    made = replace(whole, lost=lost, extra=nothing, false_trips=nothing, ignore_trips=nothing, distinct=distinct)

    def run(line: list[bool], at: int) -> tuple[float, float]:
        first = last = at
        while first > 0 and line[first - 1]:
            first -= 1
        while last < n - 1 and line[last + 1]:
            last += 1
        return levels[max(first - 1, 0) if distinct else first], levels[last]

    found = []
    for i, j in np.argwhere(cheap).tolist():
        on, off = run(cheap[:, j].tolist(), i), run(cheap[i].tolist(), j)
        room = min(levels[i] - on[0], on[1] - levels[i], off[1] - levels[j], levels[j] - off[0])
        found.append((room, levels[i], levels[j], on, off))
    best = hindsight(made)
    expected = max(found, key=lambda one: one[0])  # the first of equal ones
    got = best.setting.on_level, best.setting.off_level, best.on_interval, best.off_interval
    assert got == expected[1:]
    assert best.equally_good == len(found)


def test_a_better_setting_from_outside_is_taken() -> None:
    found = count(levels=np.array([1.0, 3.0]))
    assert hindsight(found).cost > 0
    other = BASE.with_levels(8.0, 5.0, BASE.polarity)
    best = hindsight(found, others=[(other, 0.0)])
    assert best.cost == 0
    assert best.setting == other


def test_the_picture_speaks_of_a_line_only_where_one_is_drawn() -> None:
    """A setting from outside may be better than every pair of the map: then there is no line to speak of."""
    found = count(levels=np.array([1.0, 3.0]))
    better = BASE.with_levels(8.0, 5.0, BASE.polarity), 0.0
    for seen, says in (
        (hindsight(found), "Inside the black line errors cost least; the cross has the most room."),
        (hindsight(found, others=[better]), "No pair of this map is as good as the best; the cross has the most room."),
    ):
        text = surface_figure(found, seen).decode()
        assert says in text
        assert ("cheapest: " in text) is ("black line" in text)


def test_a_level_between_stated_ones_was_not_counted() -> None:
    found = count(levels=np.array([1.0, 5.0, 8.0]))
    assert np.isnan(regret_of(found, [BASE.with_levels(6.0, 5.0, BASE.polarity)])).all()


def test_without_passes_there_is_no_best() -> None:
    truth = Truth.from_arrays([0], [3])
    found = surface(Recording.from_array(LIGHT, INFO), truth, BASE)
    with pytest.raises(ParameterError, match="no pass is left to score"):
        hindsight(found)
