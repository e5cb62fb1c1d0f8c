"""Cells counted on lanes are those counted from runs, in NumPy and compiled; filter and delays on lanes, by loops."""

from __future__ import annotations

from dataclasses import replace
from importlib.util import find_spec

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.sensor.lane_delays import filtered, held, lasting
from teachlab.sensor.latch import later, packed
from teachlab.teaching.cells import designed_cells, lane_counts
from teachlab.teaching.cells.designed_cells import CellGrid, ShownCounter
from teachlab.teaching.cells.shown_light import ShownLight
from tests.properties.test_needed_cells import busy_line

WAYS = [False, pytest.param(True, marks=pytest.mark.skipif(find_spec("numba") is None, reason="needs numba"))]
ON = np.array([0, 1, 7, 63, 64, 70])
OFF = np.array([0, 2, 30, 63, 64, 90, 200])


@pytest.mark.parametrize("fast", WAYS)
@pytest.mark.parametrize("seed", range(12))
def test_cells_on_lanes_are_those_from_runs(seed: int, fast: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Noise, flicker, invalid stretches, ignored passes, rises and dips; light in whole numbers and not."""
    view = busy_line(seed)
    if seed % 3 == 1:
        view = replace(view, events_=replace(view.events, light=view.events.light + 0.25 * np.sin(view.events.light)))
    try:
        shown = ShownLight.of(view)
    except Abstained:
        pytest.skip("passes do not stand out")
    grid = CellGrid.of(shown, levels=7, delays=6, levels_only=False)
    if seed % 4 < 2:
        grid = replace(grid, on_delays=ON, off_delays=OFF, filters=np.array([1, 2, 5]))
    monkeypatch.setattr(lane_counts, "HELD_ONSETS", 50)
    monkeypatch.setattr(lane_counts, "KEPT", 2000)
    every = ShownCounter(view).cells(grid, shown)
    rng = np.random.default_rng(seed)
    for share in (1.0, 0.05):
        wanted = rng.random(grid.shape) < share
        found = np.full(grid.shape, -1)
        counted = ShownCounter(view, fast=fast).count_into(found, wanted, grid, shown)
        assert counted[wanted].all()
        np.testing.assert_array_equal(found[counted], every[counted])
        assert (found[~counted] == -1).all()
    assert np.unique(every).size > 5


@pytest.mark.skipif(find_spec("numba") is None, reason="needs numba")
def test_long_light_is_counted_the_compiled_way(monkeypatch: pytest.MonkeyPatch) -> None:
    from teachlab.teaching.cells import compiled_lanes

    view = busy_line(2)
    shown = ShownLight.of(view)
    grid = CellGrid.of(shown, levels=3, delays=2, levels_only=False)
    called = []
    of = compiled_lanes.counted_onsets
    monkeypatch.setattr(compiled_lanes, "counted_onsets", lambda *given: called.append(given[3]) or of(*given))
    for least, times in ((view.events.light.size + 1, 0), (view.events.light.size, grid.releases.size)):
        monkeypatch.setattr(designed_cells, "FAST_FROM", least)
        wanted = np.zeros(grid.shape, bool)
        wanted[1, :, 0, 0, 0] = True
        ShownCounter(view).first(9).count_into(np.zeros(grid.shape, np.int64), wanted, grid, shown)
        assert len(called) == times


def flags_of(lanes: NDArray[np.uint64], size: int) -> list[bool]:
    return np.unpackbits(lanes.view(np.uint8), bitorder="little")[:size].astype(bool).tolist()


@pytest.mark.parametrize("seed", range(12))
def test_filter_and_delays_on_lanes_are_those_of_a_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    size, before = int(rng.integers(1, 400)), bool(rng.integers(2))
    flags = rng.random(size) < rng.choice([0.1, 0.5, 0.9])
    if seed % 3 == 0:
        flags = np.repeat(flags, 9)[:size]
    lanes, history = packed(flags), [before] * 400 + flags.tolist()
    for delay in (0, 1, 2, 5, 63, 64, 65, 130, 399):
        window = [history[k + 400 - delay : k + 401] for k in range(size)]
        assert flags_of(later(lanes, delay, before), size) == [one[0] for one in window]
        assert flags_of(lasting(lanes, delay, before), size) == [all(one) for one in window]
        assert flags_of(held(lanes, delay, before), size) == [any(one) for one in window]
        state, out = before, []
        for one in window:
            # All evaluations asked disagree with the state: it changes.
            state = not state if all(flag != state for flag in one) else state
            out.append(state)
        assert flags_of(filtered(lanes, delay + 1, before), size) == out
        if find_spec("numba") and delay < 64:
            from teachlab.teaching.cells import compiled_lanes

            assert flags_of(compiled_lanes.filtered(lanes, delay + 1, before), size) == out
