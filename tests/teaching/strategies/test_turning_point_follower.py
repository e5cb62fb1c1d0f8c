"""Turning-point follower: distances, forms and delays by counting, worked by hand on small lines."""

from __future__ import annotations

from typing import Any
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.typing import NDArray
from teach_views import teach_view

from teachlab.errors import Abstained, ParameterError
from teachlab.model.following_and_window import TurningPointSetting
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Polarity, Setting
from teachlab.model.teaching import Events, TeachView
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.synthetic import generate, load_scenario
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.cells.cell_reserves import waiting_reserve
from teachlab.teaching.cells.designed_cells import CellGrid, ShownCounter, truth_of
from teachlab.teaching.once import teach_once
from teachlab.teaching.strategies import turning_point_follower as module
from teachlab.teaching.strategies.turning_point_follower import TurningPointFollower

RATE, PASSES = 1000.0, 20
START = 100 + 160 * np.arange(PASSES)


def line(fall: float = 0.0) -> NDArray[np.float64]:
    """Passes of 60 ms every 160 ms that halve light of 100 above 10, which falls along the line by a share."""
    light = np.full(int(START[-1]) + 160, 100.0)
    for a in START:
        light[a : a + 60] = 50.0
    return 10 + light * np.linspace(1, 1 - fall, light.size)


def view_of(light: NDArray[np.float64], direction: Direction = Direction.DIP) -> TeachView:
    events = Events(light, START, START + 60, np.ones(PASSES, bool), np.full(PASSES, "tin", object), 0)
    return teach_view(direction=direction, unit="mV", dark_level=10.0, rate_hz=RATE, events_=events)


def errors(setting: Setting, view: TeachView) -> int:
    recording = Recording.from_array(view.events.light, RecordingInfo(sample_rate_hz=RATE, unit="mV"))
    n = score(replay(recording, setting), truth_of(view.events)).counts
    return n.lost + n.extra + n.false_trips + n.ignore_false_trips


def test_the_share_lies_between_the_noise_and_the_passes() -> None:
    """Every share up to the depth of the passes, a half, is right: 0.65 of the way up in the logarithm."""
    view = view_of(line())
    setting = TurningPointFollower().teach(view)
    assert isinstance(setting, TurningPointSetting)
    assert (setting.form, setting.direction, setting.polarity) == ("gain", Direction.DIP, Polarity.DARK_ON)
    last = max(k for k in np.geomspace(0.02, 0.98, 45) if k < 0.5)
    assert setting.share == pytest.approx(0.02 * (last / 0.02) ** 0.65)
    assert (setting.background, setting.dark_level, setting.has_memory) == (110.0, 10.0, False)
    assert errors(setting, view) == 0
    assert setting.taught is not None
    assert setting.taught.evidence["largest_distance"] == pytest.approx(last)


def test_light_that_falls_to_a_fifth_is_followed() -> None:
    view = view_of(line(0.8))
    assert errors(TurningPointFollower().teach(view_of(line())), view) == 0
    fixed = Setting(unit="mV", on_level=90.0, off_level=85.0, polarity="dark-on")
    assert errors(fixed, view) > 5


def test_rises_are_the_same_upside_down() -> None:
    up, down = view_of(500 - line(), Direction.RISE), view_of(line())
    rise, dip = (TurningPointFollower(form="offset").teach(view) for view in (up, down))
    assert isinstance(rise, TurningPointSetting)
    assert isinstance(dip, TurningPointSetting)
    assert rise.distance == pytest.approx(dip.distance)
    assert (rise.background, rise.polarity) == (390.0, Polarity.LIGHT_ON)
    assert errors(rise, up) == 0


def test_objects_that_dip_twice_take_an_off_delay() -> None:
    light = line()
    for a in START:
        light[a + 23 : a + 37] = 110.0
    setting = TurningPointFollower().teach(view_of(light))
    assert 14 <= setting.off_delay_ms < 100
    assert errors(setting, view_of(light)) == 0


@pytest.mark.parametrize("seed", range(5))
def test_a_filter_as_long_as_the_shortest_pass_is_not_taken(seed: int) -> None:
    """Dark bars of 3 to 12 evaluations under light that falls to a third: a filter of 3 leaves a pass of 3 no room."""
    rng = np.random.default_rng(seed)
    wide, apart = rng.integers(3, 13, (2, 150))
    start = 40 + np.cumsum(wide + apart) - wide
    bright = np.ones(int(start[-1]) + 60)
    for a, w in zip(start.tolist(), wide.tolist(), strict=True):
        bright[a : a + w] = rng.uniform(0.3, 0.5)
    fall = np.linspace(1, 1 / 3, bright.size)
    light = 800 * np.convolve(np.pad(bright, 1, "edge"), [0.25, 0.5, 0.25], "valid") * fall
    recording = Recording.from_array(
        light + 4 * rng.standard_normal(light.size),
        RecordingInfo(sample_rate_hz=5000.0, unit="counts", direction=Direction.DIP),
    )
    truth = Truth.from_arrays(start, start + wide)
    setting = teach_once(TurningPointFollower(), TeachBlock(recording, truth, stop_sample=int(start[50])), 0, 0)
    assert setting.consecutive == 1
    n = score(replay(recording, setting), truth, rules=Rules(first_pass=50)).counts
    assert (n.lost, n.extra, n.false_trips) == (0, 0, 0)


@given(
    arrays(np.bool_, (2, 2, 4, 3)),
    st.lists(st.integers(0, 30), min_size=4, max_size=4, unique=True),
    st.integers(1, 40),
    st.lists(st.integers(1, 9), min_size=2, max_size=2, unique=True),
)
def test_the_reserve_of_a_delay_is_that_of_a_plain_loop(
    costlier: NDArray[np.bool_], delays: list[int], longest: int, filters: list[int]
) -> None:
    waits, lasting = np.sort(delays), np.sort(filters)
    found = waiting_reserve(costlier, lasting, waits, 2, float(longest))
    for k, c, d, e in np.ndindex(costlier.shape):
        below = [j for j in range(d + 1) if costlier[k, c, j, e]]
        above = [j for j in range(d, 4) if costlier[k, c, j, e]]
        needs = waits[d] + lasting[c]
        most = min(longest, waits[above[0]] + lasting[c]) if above else longest
        room = 1.0 if needs == 1 else max((most - needs) / most, 0.0)
        own = waits[d] + 1
        reached = (own - (waits[below[-1]] + 1 if below else 0)) / own
        assert found[k, c, d, e] == pytest.approx(min(reached, room))


@st.composite
def noisy_views(draw: st.DrawFn) -> TeachView:
    """Passes of any depth in light that falls, with noise and holes; some are weak, ignored or touch the next."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count, direction = int(rng.integers(12, 31)), Direction.DIP if rng.random() < 0.7 else Direction.RISE
    wide, apart = rng.integers(2, 30, count), rng.integers(2, 30, count) * (rng.random(count) > 0.1)
    start = 10 + np.cumsum(wide + apart) - wide
    shade = np.ones(int(start[-1] + wide[-1]) + 20)
    for a, w in zip(start.tolist(), wide.tolist(), strict=True):
        shade[a : a + w] = rng.uniform(0.2, 0.7) if rng.random() < 0.9 else 0.97
    light = 100 * shade * np.linspace(1, rng.uniform(0.4, 1), shade.size)
    light += rng.choice([0.1, 1.0, 5.0]) * rng.standard_normal(light.size)
    light[rng.random(light.size) < rng.choice([0.0, 0.03])] = np.nan
    events = Events(
        light if direction is Direction.DIP else 200 - light, start, start + wide, rng.random(count) < 0.9,
        np.full(count, "tin", object), int(rng.integers(0, 2)),
    )  # fmt: skip
    return teach_view(direction=direction, unit="mV", dark_level=0.0, rate_hz=RATE, events_=events)


@settings(deadline=None, max_examples=60)
@given(noisy_views())
def test_what_first_passes_rule_out_changes_no_answer(view: TeachView) -> None:
    """Distances left at a first stretch, as on long light, one at a time, or all counted in full: the same setting."""
    strategy, found = TurningPointFollower(steps=10, delays=3), []
    for large, held in ((0, 1 << 23), (0, 20), (1 << 60, 1 << 23)):
        with mock.patch.multiple(module, LARGE=large, FEWEST_PASSES=2, LONGER=2, HELD_EDGES=held):
            try:
                found.append(strategy.teach(view))
            except Abstained as refusal:
                found.append(str(refusal))
    assert found[0] == found[1] == found[2]


def test_distances_that_first_passes_rule_out_are_not_read_to_the_end() -> None:
    """Noise of a twentieth of the passes: of 45 distances those in the noise are left after the first 16 passes."""
    light = np.tile(line(), 5) + 2 * np.random.default_rng(5).standard_normal(5 * line().size)
    start = np.concatenate([START + k * line().size for k in range(5)])
    events = Events(light, start, start + 60, np.ones(start.size, bool), np.full(start.size, "tin", object), 0)
    view = teach_view(direction=Direction.DIP, unit="mV", dark_level=10.0, rate_hz=RATE, events_=events)
    counted = []

    def spied(counter: ShownCounter, grid: CellGrid, settings: list[TurningPointSetting]) -> Any:
        counted.append((len(settings), counter.evaluations))
        return plainly(counter, grid, settings)

    plainly = TurningPointFollower._counted
    with mock.patch.multiple(module, LARGE=0), mock.patch.object(TurningPointFollower, "_counted", staticmethod(spied)):
        TurningPointFollower(form="offset").teach(view)
    assert counted[0] == (45, int(start[16]) + 60)
    assert sum(some for some, size in counted if size == light.size) < 30


def test_few_passes_and_no_contrast() -> None:
    with pytest.raises(Abstained, match="do not stand out"):
        TurningPointFollower().teach(view_of(line(), Direction.RISE))
    with pytest.raises(Abstained, match="shares of the light are for objects that dip"):
        TurningPointFollower(form="gain").teach(view_of(500 - line(), Direction.RISE))
    with pytest.raises(ParameterError, match="steps"):
        TurningPointFollower(steps=1)


@pytest.mark.parametrize("name", ["clear-jars", "wrapped-pallets"])
def test_dirt_does_not_matter(name: str) -> None:
    """Taught on clean light, it serves the line at 0.9 of it; fixed levels lose all jars (`results/designed.md`)."""
    scenario = load_scenario(name)
    setting = teach_once(TurningPointFollower(), TeachBlock(*generate(scenario, 200, 31)), 0, 0)
    recording, truth = generate(scenario, 150, 32, gain=0.9)
    n = score(replay(recording, setting), truth).counts
    assert n.lost + n.extra + n.false_trips <= 1
