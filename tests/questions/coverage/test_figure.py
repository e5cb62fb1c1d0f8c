"""The picture of a certificate: no unseen place is lost in it, trips stand where they fell, same values same bytes."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting, Taught
from teachlab.model.truth import Truth
from teachlab.questions.coverage.certificate import Coverage, coverage
from teachlab.questions.coverage.cycles import Cycle, folded
from teachlab.questions.coverage.figure import coverage_figure, places


@given(
    st.lists(st.tuples(st.integers(0, 400), st.integers(1, 60)), min_size=1, max_size=12),
    st.integers(1, 40),
    st.integers(7, 150),
)
def test_stretches_hold_the_least_and_the_most_of_all_their_points(
    gaps: list[tuple[int, int]], most: int, period: int
) -> None:
    start = np.cumsum([a + b for a, b in gaps])
    stop = start + [b for _, b in gaps]
    edges, count = folded(start / 10, stop / 10, Cycle(name="belt", period_s=period / 10))
    cuts, low, high = places(edges, count, most=most)
    assert cuts.size == most + 1
    # Point by point: the middle of every piece between two borders of either kind.
    borders = np.union1d(edges, cuts)
    for a, b in pairwise(borders):
        if b - a < 1e-9:
            continue
        seen = int(count[np.searchsorted(edges, (a + b) / 2) - 1])
        k = int(np.searchsorted(cuts, (a + b) / 2) - 1)
        assert low[k] <= seen <= high[k]
    assert low.min() == count.min()
    assert high.max() == count.max()


def line(tripping: bool = True) -> tuple[Recording, Truth]:
    """Sixty passes every 0.4 s; a seam every 3 s, which rises above 20 counts."""
    light = np.full(24_400, 10.0)
    start = 100 + 400 * np.arange(60)
    if tripping:
        for a in range(1000, light.size, 3000):
            light[a : a + 20] = 25
    for a in start:
        light[a : a + 150] = 60
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction="rise")
    return Recording.from_array(light, info, name="line"), Truth.from_arrays(start, start + 150)


def certified(setting: Setting | None) -> Coverage:
    cycles = [Cycle(name="belt", period_s=3.0), Cycle(name="lamp", period_s=0.01)]
    return coverage(*line(), cycles, setting=setting)


LOW = Setting(unit="counts", on_level=20.0, off_level=18.0)


def test_trips_are_told_by_block_and_lie_in_open_gaps() -> None:
    found = certified(LOW)
    every = np.arange(1000, 24_400, 3000) / 1000
    # 1.0, 4.0 … s: in a gap unless a pass of 150 ms after 100 ms + k · 400 ms covers them.
    in_gap = [t for t in every if not 0.1 <= t % 0.4 < 0.25]
    scored = [t for t in in_gap if t > 0.3 * 24]
    assert set(found.trips_s) == {"teach", "scored"}
    assert set(found.trips_s["scored"].tolist()) <= set(in_gap)
    assert [t for t in found.trips_s["scored"].tolist() if t > 8.5] == [t for t in scored if t > 8.5]
    assert certified(None).trips_s == {}


def test_profiles_are_those_behind_the_exposures() -> None:
    found = certified(None)
    for one in found.cycles:
        for block, exposure in one.blocks.items():
            edges, count = one.profiles[block]
            share = np.diff(edges) / one.cycle.period_s
            assert float((share * count).sum()) == pytest.approx(exposure.exposures)
    assert "profiles" not in found.as_dict()["cycles"][0]


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_same_values_same_bytes(kind: str) -> None:
    picture = coverage_figure(certified(LOW), title="line $a$ <b>", kind=kind)
    assert picture == coverage_figure(certified(LOW), title="line $a$ <b>", kind=kind)
    if kind == "svg":
        text = picture.decode()
        assert "line $a$ &lt;b&gt;" in text
        assert "belt, scored block" in text
        assert "false trips" in text
        assert "false trips" not in coverage_figure(certified(None), title="line", kind=kind).decode()


def test_a_setting_taught_beyond_this_recording_was_shown_nothing_of_it() -> None:
    drawn = {"background": {"at_sample": 10**6, "evaluations": 40}}
    elsewhere = Setting(
        unit="counts",
        on_level=20.0,
        off_level=18.0,
        taught=Taught(strategy="x", parameters={}, evidence={"drawn": drawn}),
    )
    assert set(certified(elsewhere).cycles[0].blocks) == {"teach", "scored"}


@pytest.mark.parametrize(("times", "told"), [(1, "seen 0 times"), (2, "seen fewer than 2 times")])
def test_how_often_a_place_had_to_be_seen_is_told_and_drawn(times: int, told: str) -> None:
    found = coverage(*line(), [Cycle(name="belt", period_s=3.0)], times=times)
    assert f">place {told}<" in coverage_figure(found, title="line", kind="svg").decode()
