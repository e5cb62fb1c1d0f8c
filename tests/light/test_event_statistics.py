"""Evidence statistics worked by hand on a few evaluations."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from teachlab.light.edge_time import edge_evaluations, ranges
from teachlab.light.event_statistics import inner_valleys, measure_events
from teachlab.model.teaching import Events

NAN = float("nan")


def events(light: list[float], start: list[int], end: list[int], **more: Any) -> Events:
    count = len(start)
    return Events(
        np.array(light, np.float64),
        np.array(start, np.int64),
        np.array(end, np.int64),
        np.array(more.get("detect", [True] * count)),
        np.array(more.get("label", ["tub"] * count), object),
        more.get("guard", 0),
    )


#        0  1  2  3  4  5  6  7  8  9 10 11 12 13
LINE = [1, 3, 1, 9, 5, 8, 2, 1, 4, 1, 7, 7, 6, 1.0]
TWO = events(LINE, [3, 10], [6, 13])


@pytest.mark.parametrize(
    ("hold", "peaks", "gap_peaks"),
    [
        (1, [9, 7], [3, 4, 1]),
        # The last gap has one evaluation and is held as a whole.
        (2, [5, 7], [1, 1, 1]),
        (3, [5, 6], [1, 1, 1]),
    ],
)
def test_sustained_peaks(hold: int, peaks: list[float], gap_peaks: list[float]) -> None:
    assert measure_events(TWO, 1, hold=hold).peaks.tolist() == peaks
    assert measure_events(TWO, 1, hold=hold, gap_hold=hold).gap_peaks.tolist() == gap_peaks


def test_a_lag_lengthens_the_windows_but_not_the_borders_of_gaps() -> None:
    # With a lag of one the window of the first pass reaches to 7: 9, 5, 8, 2 holds 5 for two.
    found = measure_events(TWO, 1, hold=2, gap_hold=2)
    assert (found.peaks.tolist(), found.gap_at.tolist()) == ([5, 7], [0, 6, 13])


def test_dips_are_rises_of_the_mirrored_light() -> None:
    mirrored = events([-x for x in LINE], [3, 10], [6, 13])
    a, b = measure_events(TWO, 1, hold=2), measure_events(mirrored, -1, hold=2)
    for name in ("peaks", "gap_peaks", "gap_valleys"):
        assert getattr(a, name).tolist() == getattr(b, name).tolist()
    assert (a.noise_background, a.noise_object, a.edge_range) == (b.noise_background, b.noise_object, b.edge_range)


def test_valleys_between_passes_include_the_border_and_what_a_release_needs() -> None:
    # From 5 (the border) to 10: lowest single level 1; lowest level below which it stays for 3: max(2, 1, 4) = 4.
    assert measure_events(TWO, 1).gap_valleys.tolist() == [1]
    assert measure_events(TWO, 1, release_hold=3).gap_valleys.tolist() == [4]
    # Longer than the gap of 4: the edges of the passes are part of it.
    assert measure_events(TWO, 1, release_hold=5).gap_valleys.tolist() == [7]


def test_ignored_passes_are_kept_apart() -> None:
    found = measure_events(events(LINE, [3, 10], [6, 13], detect=[True, False], label=["a", "b"]), 1)
    assert (found.peaks.tolist(), found.kinds.tolist()) == ([9], ["a"])
    assert (found.ignored_peaks.tolist(), found.ignored_kinds.tolist()) == ([7], ["b"])


def test_the_border_belongs_to_no_gap() -> None:
    found = measure_events(events(LINE, [3, 10], [6, 13], guard=1), 1)
    assert found.gap_peaks.tolist() == [3, 4]
    assert found.gap_at.tolist() == [0, 7]


def test_inner_valleys_lie_between_the_first_and_the_last_crossing() -> None:
    assert inner_valleys(TWO, 1, 6.0).tolist() == [5, 6]
    assert inner_valleys(TWO, 1, 9.0).tolist() == [9]  # the second pass never gets there
    # A drop of one evaluation does not last for two.
    assert inner_valleys(TWO, 1, 6.0, release_hold=2).tolist() == [8, 6]


def test_five_invalid_evaluations_hold_and_six_leave_the_event_out() -> None:
    light = [1.0, 1, 9, *[NAN] * 5, 9, 1, 1, 1, 9, *[NAN] * 6, 9, 1, 1]
    found = measure_events(events(light, [2, 12], [9, 20]), 1, hold=7)
    assert found.peaks.tolist() == [9]
    assert found.passes_left_out == 1
    assert found.gap_peaks.tolist() == [1, 1, 1]


def test_nothing_valid_is_no_event() -> None:
    found = measure_events(events([NAN] * 20, [8], [12]), 1)
    assert (found.peaks.size, found.noise_background, found.step) == (0, None, None)
    assert np.isnan(found.edge_range) or found.edge_range == 0


def test_noise_has_the_floor_of_one_step() -> None:
    light = [0.0] * 20 + [4.0] * 10 + [0.0] * 20
    found = measure_events(events(light, [20], [30]), 1)
    assert found.noise_background == pytest.approx(4 / 12**0.5)


def test_edge_time_of_a_ramp_and_the_range_within_it() -> None:
    ramp = np.concatenate(
        [np.zeros(40), np.linspace(0, 10, 21), np.full(30, 10.0), np.linspace(10, 0, 21), np.zeros(40)]
    )
    assert edge_evaluations(ramp, np.array([50]), np.array([102]), 0.0) == pytest.approx(16.0)
    assert ranges(np.array([0.0, 1, 0, 0, 5]), np.array([0]), np.array([4]), 2).tolist() == [1, 1, 0]


def test_one_glint_does_not_stretch_the_edge() -> None:
    step = np.concatenate([np.zeros(30), np.full(60, 10.0), np.zeros(30)])
    step[60:64] = 15.0
    assert edge_evaluations(step, np.array([30]), np.array([90]), 0.0) == pytest.approx(0.8)


@given(st.integers(0, 2**32 - 1), st.integers(1, 9), st.floats(0, 0.3))
def test_noise_is_that_of_neighbours_inside_passes_and_gaps(seed: int, count: int, holes: float) -> None:
    rng = np.random.default_rng(seed)
    cuts = np.cumsum(rng.integers(1, 8, 2 * count))
    light = rng.integers(0, 30, int(cuts[-1]) + int(rng.integers(0, 5))).astype(np.float64)
    light[rng.random(light.size) < holes] = np.nan
    start, end = cuts[::2], cuts[1::2]
    found = measure_events(events(light.tolist(), start.tolist(), end.tolist()), 1)

    def clean(a: int, b: int) -> bool:
        run, worst = 0, 0
        for k in range(b):
            run = run + 1 if np.isnan(light[k]) else 0
            worst = max(worst, run) if k >= a else worst
        return worst <= 5

    def noise(stretches: list[tuple[int, int]]) -> float | None:
        pairs = [light[k + 1] - light[k] for a, b in stretches for k in range(a, b - 1)]
        pairs = [d for d in pairs if not np.isnan(d)]
        return None if not pairs else 1.4826 * float(np.median(np.abs(pairs - np.median(pairs)))) / np.sqrt(2)

    floor = 0.0 if found.step is None else found.step / np.sqrt(12)
    passes = [(a, b) for a, b in zip(start.tolist(), end.tolist(), strict=True) if clean(a, b)]
    borders = [0, *cuts.tolist(), light.size]
    gaps = [(a, b) for a, b in zip(borders[::2], borders[1::2], strict=True) if b > a and clean(a, b)]
    for own, stretches in ((found.noise_object, passes), (found.noise_background, gaps)):
        plain = noise(stretches)
        assert own == (None if plain is None else pytest.approx(max(plain, floor)))


@pytest.mark.parametrize("top", [1000.0, 3.0])
def test_the_range_of_one_edge_is_that_of_two_neighbours_at_least(top: float) -> None:
    """Gaps climb by 1 in each evaluation: two neighbours differ by 1, three by 2.

    Passes of 1000 rise within one evaluation. Those of 3 do not rise above the median of the gaps: no edge is seen.
    """
    gap = [0.0, 1, 2, 3, 4, 5, 6, 7]
    light = [*gap, *[top] * 4, *gap, *[top] * 4, *gap]
    found = measure_events(events(light, [8, 20], [12, 24]), 1, hold=1)
    assert np.isnan(found.edge) == (top == 3.0)
    assert found.edge_range == 1.0
