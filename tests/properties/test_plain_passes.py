"""Cells counted on the passes that need it are those counted on all of the light, and those of replay."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from teach_views import teach_view

from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.teaching import Events, TeachView
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.scoring.claimable import wrong_apart
from teachlab.switching import replay
from teachlab.teaching.cells import designed_cells, plain_passes
from teachlab.teaching.cells.designed_cells import CellGrid, ShownCounter, cell_setting, truth_of
from teachlab.teaching.cells.plain_passes import PlainPasses, parts_of
from teachlab.teaching.cells.ranked_light import RankedLight
from teachlab.teaching.cells.shown_light import ShownLight

RATE = 1000.0
GRID = CellGrid(
    levels=np.arange(1, 9) / 8, releases=np.array([0.25, 0.5, 1.0]), filters=np.array([1, 3]),
    on_delays=np.array([0, 1, 5]), off_delays=np.array([0, 2, 9]),
)  # fmt: skip


def view_of(seed: int) -> TeachView:
    """A line in whole counts, so that light lies on levels: noise, dips, flashes, weak, close, short and cut passes."""
    rng = np.random.default_rng(seed)
    passes = int(rng.integers(20, 60))
    lengths = rng.integers(8, 30, passes)
    gaps = rng.integers(12, 50, passes + 1)
    close = rng.random(passes + 1) < 0.05
    gaps[close] = rng.integers(0, 6, int(close.sum()))
    start = np.cumsum(gaps[:-1]) + np.append(0, np.cumsum(lengths)[:-1])
    end = start + lengths
    light = 10.0 + rng.integers(-1, 2, int(end[-1] + gaps[-1])) * rng.integers(1, 9)
    for a, b in zip(start.tolist(), end.tolist(), strict=True):
        light[a : max(b + int(rng.integers(-1, 3)), a + 1)] += rng.choice([64, 48, 72, 24], p=[0.7, 0.1, 0.1, 0.1])
        if rng.random() < 0.15:
            dip = int(rng.integers(a, b))
            light[dip : dip + int(rng.integers(1, 6))] = 10.0
    for at in rng.integers(0, light.size, 5).tolist():
        light[at : at + int(rng.integers(1, 8))] += 40.0
    if seed % 3 == 0:
        at = int(rng.integers(light.size))
        light[at : at + int(rng.integers(1, 15))] = np.nan
    rise = seed % 2 == 0
    events = Events(
        light if rise else 200.0 - light, start, end, rng.random(passes) > 0.05, np.full(passes, "tin", object),
        int(rng.integers(0, 3)),
    )  # fmt: skip
    return teach_view(direction=Direction.RISE if rise else Direction.DIP, unit="mV", rate_hz=RATE, events_=events)


def shown_of(view: TeachView) -> ShownLight:
    return ShownLight(
        background=10.0 if view.sign > 0 else -190.0, contrast=64.0, noise=1.0, passes=1, dwell=20.0,
        shortest_pass=8.0, shortest_gap=12.0, tops=np.array([64.0]), rise=view.sign > 0, dark=0.0,
    )  # fmt: skip


def counted(view: TeachView, narrow: float, monkeypatch: pytest.MonkeyPatch) -> NDArray[np.int64]:
    monkeypatch.setattr(designed_cells, "NARROW", narrow)
    return ShownCounter(view).cells(GRID, shown_of(view))


@pytest.mark.parametrize(
    ("seed", "at_a_time"), [(seed, some) for some, seeds in ((1 << 20, 40), (150, 40), (1, 4)) for seed in range(seeds)]
)
def test_what_is_left_out_changes_no_cell(seed: int, at_a_time: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plain_passes, "LITTLE", (0, 200, 1 << 12)[seed % 3])
    for module in (plain_passes, designed_cells):
        monkeypatch.setattr(module, "AT_A_TIME", at_a_time)
    view = view_of(seed)
    of_all, of_some = counted(view, -1.0, monkeypatch), counted(view, 1.0, monkeypatch)
    np.testing.assert_array_equal(of_some, of_all)
    rng = np.random.default_rng(seed)
    recording = Recording.from_array(view.events.light, RecordingInfo(sample_rate_hz=RATE, unit="mV"))
    truth = truth_of(view.events)
    for f, h, c, d, e in zip(*(rng.integers(0, size, 3).tolist() for size in GRID.shape), strict=True):
        level, release = GRID.turned_levels(shown_of(view))[f * GRID.releases.size + h]
        delays = int(GRID.on_delays[d]), int(GRID.off_delays[e])
        setting = cell_setting(view, level, release, int(GRID.filters[c]), *delays)
        # At 1 kHz: as much tolerance in milliseconds as the events are guarded by in evaluations.
        result = score(replay(recording, setting), truth, rules=Rules(tolerance_ms=view.events.guard))
        assert of_all[f, h, c, d, e] == sum(wrong_apart(truth, result))


def test_parts_hold_all_rows_and_no_more_than_one_too_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plain_passes, "AT_A_TIME", 10)
    lengths = np.array([4, 0, 5, 3, 40, 1, 9, 2])
    rows = np.array([0, 1, 3, 4, 5, 6, 7])
    assert [part.tolist() for part in parts_of(rows, lengths)] == [[0, 1, 3], [4, 5], [6, 7]]
    assert parts_of(rows[:0], lengths) == []


def test_most_passes_of_a_plain_line_are_left_out() -> None:
    """Else the test above compares nothing: of 20 equal passes all but the last two need no counting."""
    start = 50 + 100 * np.arange(20)
    height = np.full(2100, 10.0)
    for a in start.tolist():
        height[a : a + 40] = 74.0
    on, releases = np.array([42.0, 80.0]), np.array([[26.0], [26.0]])
    light = RankedLight.of([height], height.size, np.array([26.0, 42.0, 80.0]))

    def plain_up_to(on_delay: int) -> PlainPasses:
        return PlainPasses.of(
            Truth.from_arrays(start, start + 40), light, light.marks(on), light.marks(releases), guard=2, rise=True,
            consecutive=3, on_delay=on_delay, off_delay=30,
        )  # fmt: skip

    plain = plain_up_to(20)
    assert plain.counted.sum(axis=0).tolist() == [2, 2]
    right = plain.stretches(np.arange(2))[2]
    assert right.tolist() == [18, 0]  # none reaches the upper level: lost in every cell
    # From an on-delay that some light does not outlast on, every pass is counted.
    assert plain_up_to(40).counted.sum(axis=0).tolist() == [20, 2]


def test_levels_counted_together_are_counted_on_little_more_light(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(plain_passes, "LITTLE", 0)
    counted = np.zeros((9, 5), bool)
    for level, rows in enumerate(([8], [8], [0, 1, 2, 3, 8], [7, 8], [7, 8])):
        counted[rows, level] = True
    begin = 10 * np.arange(9)
    plain = PlainPasses(once=~counted, counted=counted, begin=begin, stop=begin + 10)
    groups = plain.groups(np.arange(5))
    # Together: 3 levels on 5 stretches are more than twice the 7 of each alone, 3 on 6 no more than twice the 9.
    assert [one.tolist() for one in groups] == [[0, 1], [2, 3, 4]]
    assert plain.groups(np.arange(0)) == []
    begins, stops, right = plain.stretches(np.array([1, 2]))
    assert begins.tolist() == [0, 10, 20, 30, 80]
    assert (stops - begins).tolist() == [10] * 5
    # Passes 0 to 3, which level 1 alone would leave out, are counted for it too.
    assert right.tolist() == [4, 4]
