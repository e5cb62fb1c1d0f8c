"""The statistics of events equal a plain loop over evaluations, and mean what they say for a replay."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.light.event_statistics import inner_valleys, measure_events
from teachlab.model.teaching import Events

quick = settings(max_examples=120, deadline=None)


@st.composite
def shown(draw: st.DrawFn) -> Events:
    """A short stretch with a few passes, some of them touching, some to be ignored, with invalid evaluations."""
    size = draw(st.integers(4, 60))
    light = np.array(draw(st.lists(st.integers(0, 9), min_size=size, max_size=size)), np.float64)
    if draw(st.booleans()):
        holes = draw(st.integers(1, 10))
        at = draw(st.integers(0, size - 1))
        light[at : at + holes] = np.nan
    borders = sorted(draw(st.sets(st.integers(0, size), min_size=2, max_size=8)))
    start, end = [], []
    k = 0
    while k + 1 < len(borders):
        start.append(borders[k])
        end.append(borders[k + 1])
        k += 1 if draw(st.booleans()) else 2
    count = len(start)
    return Events(
        light,
        np.array(start, np.int64),
        np.array(end, np.int64),
        np.array(draw(st.lists(st.booleans(), min_size=count, max_size=count))),
        np.array(["x"] * count, object),
        draw(st.integers(0, 3)),
    )


def plain_hold(light: list[float]) -> tuple[list[float], list[bool]]:
    known = [x for x in light if not math.isnan(x)]
    last, run = (known[0] if known else 0.0), 0
    level, void = [], []
    for x in light:
        run = run + 1 if math.isnan(x) else 0
        last = last if math.isnan(x) else x
        level.append(last)
        void.append(run > 5)
    return level, void


def plain_peak(level: list[float], a: int, b: int, hold: int) -> float:
    hold = min(hold, b - a)
    return max(min(level[i : i + hold]) for i in range(a, b - hold + 1))


def plain_windows(events: Events, lag: int) -> list[tuple[int, int]]:
    size, e = events.light.size, events.guard
    start = [int(a) - e for a in events.start]
    stop = [int(b) + e + lag for b in events.end]
    for k in range(len(start) - 1):
        if stop[k] > start[k + 1]:
            meet = min((int(events.end[k]) + int(events.start[k + 1])) // 2 + lag, stop[k], int(events.end[k + 1]))
            stop[k] = start[k + 1] = meet
    return [(min(max(a, 0), size), min(max(b, 0), size)) for a, b in zip(start, stop, strict=True)]


def plain_statistics(
    events: Events, sign: int, hold: int, gap_hold: int
) -> tuple[list[float], list[float], list[float]]:
    level, void = plain_hold([sign * float(x) for x in events.light])
    if all(math.isnan(x) for x in events.light):
        level = [0.0] * len(level)
    peaks, ignored = [], []
    for k, (a, b) in enumerate(plain_windows(events, gap_hold - 1)):
        if b > a and not any(void[a:b]):
            if events.detect[k]:
                peaks.append(plain_peak(level, a, b, hold))
            else:
                ignored.append(plain_peak(level, a, b, gap_hold))
    at, gaps = 0, []
    for a, b in [*plain_windows(events, 0), (len(level), len(level))]:
        if a > at and not any(void[at:a]):
            gaps.append(plain_peak(level, at, a, gap_hold))
        at = max(at, b)
    return peaks, ignored, gaps


@quick
@given(shown(), st.sampled_from([1, -1]), st.integers(1, 6), st.integers(1, 4))
def test_peaks_equal_a_plain_loop(events: Events, sign: int, hold: int, gap_hold: int) -> None:
    found = measure_events(events, sign, hold=max(hold, gap_hold), gap_hold=gap_hold)
    peaks, ignored, gaps = plain_statistics(events, sign, max(hold, gap_hold), gap_hold)
    assert found.peaks.tolist() == peaks
    assert found.ignored_peaks.tolist() == ignored
    assert found.gap_peaks.tolist() == gaps


@quick
@given(shown(), st.integers(0, 9), st.integers(1, 4))
def test_inner_valleys_equal_a_plain_loop(events: Events, level: int, release: int) -> None:
    height, void = plain_hold([float(x) for x in events.light])
    expected = []
    for k, (a, b) in enumerate(plain_windows(events, 0)):
        if not events.detect[k] or b <= a or any(void[a:b]):
            continue
        # The highest of every `release` evaluations from here on: a shorter drop is not seen.
        seen = [max(height[i : i + release]) for i in range(len(height))]
        above = [i for i in range(a, b) if seen[i] >= level]
        if above:
            expected.append(min(seen[above[0] : above[-1] + 1]))
    if np.isnan(events.light).all():
        expected = []
    assert inner_valleys(events, 1, float(level), release_hold=release).tolist() == expected


@quick
@given(shown(), st.integers(0, 9), st.integers(1, 4))
def test_a_pass_reaches_a_level_for_so_long_if_and_only_if_its_sustained_peak_does(
    events: Events, level: int, hold: int
) -> None:
    found = measure_events(events, 1, hold=hold)
    height, void = plain_hold([float(x) for x in events.light])
    reached = []
    for k, (a, b) in enumerate(plain_windows(events, 0)):
        if events.detect[k] and b > a and not any(void[a:b]):
            need, run, best = min(hold, b - a), 0, 0
            for i in range(a, b):
                run = run + 1 if height[i] >= level else 0
                best = max(best, run)
            reached.append(best >= need)
    if not np.isnan(events.light).all():
        assert (found.peaks >= level).tolist() == reached


@pytest.mark.parametrize("sign", [1, -1])
@quick
@given(shown(), st.integers(-50, 50), st.sampled_from([0.5, 1.0, 4.0]))
def test_statistics_follow_gain_and_offset(sign: int, events: Events, offset: int, gain: float) -> None:
    moved = Events(gain * events.light + offset, events.start, events.end, events.detect, events.label, events.guard)
    a, b = measure_events(events, sign, hold=3), measure_events(moved, sign, hold=3)
    if np.isnan(events.light).all():
        return
    for name in ("peaks", "gap_peaks", "gap_valleys", "ignored_peaks"):
        assert (gain * getattr(a, name) + sign * offset).tolist() == getattr(b, name).tolist()
    for name in ("noise_background", "noise_object", "edge_range"):
        before, after = getattr(a, name), getattr(b, name)
        assert (before is None) == (after is None)
        if before is not None:
            assert after == pytest.approx(gain * before, nan_ok=True)
