"""A design by bounds and by the cells that it needs is the design by all cells."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from teach_views import teach_view

from teachlab.errors import Abstained
from teachlab.model.memory import memory_of
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.teaching import Events, TeachView
from teachlab.questions.design import designed_and_judged
from teachlab.sensor.edges import TwoState
from teachlab.teaching.cells import designed_cells, needed_cells
from teachlab.teaching.cells.designed_cells import CellGrid, ShownCounter, truth_of
from teachlab.teaching.cells.needed_cells import NeededCells
from teachlab.teaching.cells.shown_light import ShownLight
from teachlab.teaching.strategies.designed import Designed

STRATEGY = Designed(levels=9, delays=3)


def busy_line(seed: int) -> TeachView:
    """Passes in light that chatters: noise of any strength and colour, flicker, flashes, dips, invalid stretches."""
    rng = np.random.default_rng(seed)
    passes = int(rng.integers(24, 40))
    lengths, gaps = rng.integers(15, 40, passes), rng.integers(4, 60, passes + 1)
    if seed > 9:  # products that touch
        gaps[2:-1:4] = 0
    start = np.cumsum(gaps[:-1]) + np.append(0, np.cumsum(lengths)[:-1])
    end = start + lengths
    light = rng.normal(0, rng.choice([2, 10, 25]), int(end[-1] + gaps[-1]))
    if rng.random() < 0.5:
        light = np.convolve(light, np.ones(4) / 2, "same")
    light = np.round(light) + 100
    flicker, strength = rng.choice([1.0, 0.8, 0.5]), rng.choice([40, 80])
    for a, b in zip(start.tolist(), end.tolist(), strict=True):
        light[a:b] += strength * (rng.random(b - a) < flicker)
    for at in rng.integers(0, light.size, int(rng.integers(0, 20))).tolist():
        light[at : at + int(rng.integers(1, 8))] += 50.0
    if seed % 4 == 0:
        at = int(rng.integers(light.size))
        light[at : at + int(rng.integers(1, 15))] = np.nan
    rise = seed % 2 == 0
    events = Events(
        light if rise else 300.0 - light, start, end, rng.random(passes) > 0.05, np.full(passes, "tin", object),
        int(rng.integers(0, 3)),
    )  # fmt: skip
    return teach_view(direction=Direction.RISE if rise else Direction.DIP, unit="mV", events_=events)


def all_are_busy(monkeypatch: pytest.MonkeyPatch, *, rounds: int) -> None:
    for name, value in {
        "LARGE": 0, "BUSY": -1, "FIRST_EDGES": 1, "FEWEST_PASSES": 5, "LONGER": 2, "TOGETHER": 3, "MOST_ROUNDS": rounds,
    }.items():  # fmt: skip
        monkeypatch.setattr(needed_cells, name, value)


def designed(view: TeachView) -> Any:
    try:
        return STRATEGY.teach(view)
    except Abstained as refusal:
        return str(refusal)


@pytest.mark.parametrize("rounds", [0, 1000])
@pytest.mark.parametrize("seed", range(16))
def test_the_same_is_chosen_for_the_same_reasons(seed: int, rounds: int, monkeypatch: pytest.MonkeyPatch) -> None:
    view = busy_line(seed)
    of_all = designed(view)
    all_are_busy(monkeypatch, rounds=rounds)
    of_needed = designed(view)
    if isinstance(of_all, str):
        assert of_needed == of_all
        return
    told, needed = of_all.taught.evidence, dict(of_needed.taught.evidence)
    reasons = needed.pop("reasons")
    assert 0 < needed.pop("cells_in_full", needed["cells"]) <= needed["cells"]
    assert needed == {key: value for key, value in told.items() if key != "reasons"}
    for part, reason in told["reasons"].items():
        least = re.search(r"errs at least (\d+) times?", reasons[part])
        if least is None:
            assert reasons[part] == reason
        else:
            exact = re.search(r"errs (\d+) times?", reason)
            assert exact is not None
            assert int(least[1]) <= int(exact[1])
    for name in ("on_level", "off_level", "consecutive", "on_delay_ms", "off_delay_ms"):
        assert getattr(of_needed, name) == getattr(of_all, name)


@pytest.mark.parametrize("seed", range(14))
def test_a_first_stretch_bounds_every_cell(seed: int) -> None:
    view = busy_line(seed)
    try:
        shown = ShownLight.of(view)
    except Abstained:
        pytest.skip("passes do not stand out")
    grid = CellGrid.of(shown, levels=9, delays=4, levels_only=False)
    counter = ShownCounter(view)
    errors = counter.cells(grid, shown)
    before = np.zeros_like(errors)
    for passes in (3, 10, counter.passes - 1):
        bounds = counter.first(passes).cells(grid, shown)
        assert (bounds <= errors).all()
        assert (bounds >= before).all()
        before = bounds
    assert before.max() > 0


@pytest.mark.parametrize("seed", range(6))
def test_comparators_that_hold_too_many_edges_read_again_by_halves(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    view = busy_line(seed)
    of_all = designed(view)
    monkeypatch.setattr(designed_cells, "HELD_EDGES", 50)
    assert designed(view) == of_all


def test_a_comparator_whose_edges_need_more_memory_than_allowed_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    states = [TwoState(False, np.arange(99)), TwoState(False, np.arange(101))]
    monkeypatch.setattr(designed_cells, "HELD_EDGES", 90)
    with memory_of(130.0 * 100), pytest.raises(Abstained, match="switches too often to be counted") as refusal:
        list(designed_cells.in_parts(states))
    assert "101 edges" in str(refusal.value)
    with memory_of(130.0 * 101):
        assert list(designed_cells.in_parts(states)) == [states]


def test_long_light_that_is_quiet_at_every_level(monkeypatch: pytest.MonkeyPatch) -> None:
    start = 100 + 200 * np.arange(30)
    light = np.full(6200, 10.0)
    for a in start.tolist():
        light[a : a + 80] = 90.0
    view = busy_line(0)
    events = replace(
        view.events,
        light=light,
        start=start,
        end=start + 80,
        detect=np.ones(30, bool),
        label=np.full(30, "tin", object),
    )
    view = replace(view, events_=events)
    of_all = designed(view)
    all_are_busy(monkeypatch, rounds=1000)
    assert designed(view).taught == of_all.taught


def test_few_rows_are_counted_in_full(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the first test compares nothing."""
    all_are_busy(monkeypatch, rounds=1000)
    kept: list[NeededCells] = []
    settled = NeededCells.settled

    def keep(self: NeededCells, *asked: Any) -> bool:
        kept[:] = [self]
        return settled(self, *asked)

    monkeypatch.setattr(NeededCells, "settled", keep)
    shares = []
    for seed in range(6):
        if not isinstance(designed(busy_line(seed)), str):
            shares.append(kept[0].counted.mean())
    assert len(shares) > 2
    assert np.median(shares) < 0.5


def test_a_design_tells_how_many_cells_are_counted_in_full(monkeypatch: pytest.MonkeyPatch) -> None:
    events = busy_line(1).events
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=Direction.DIP)
    pair = Recording.from_array(events.light, info), truth_of(events)
    assert designed_and_judged(*pair, STRATEGY).part_lines()[-1].endswith("combinations, each exactly.")
    all_are_busy(monkeypatch, rounds=1000)
    answer = designed_and_judged(*pair, STRATEGY)
    assert answer.taught.setting.taught is not None
    full = answer.taught.setting.taught.evidence["cells_in_full"]
    assert 0 < full < answer.cells
    assert f"{answer.cells:,} combinations, {full:,} of them on all that was shown" in answer.part_lines()[-1]
