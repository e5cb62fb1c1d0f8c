"""Switchings with a dead band against rainflow counting of ASTM E1049-85.

A comparator with hysteresis changes state once on every range that bridges its band, and never on one that
does not: its switchings are the rainflow cycles (two each) and half cycles (one each) with their maximum at
or above the on-level and their minimum below the off-level.
"""

from __future__ import annotations

import itertools
from collections import Counter

import numpy as np
import pytest
import rainflow

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.switching import replay

ASTM = [-2, 1, -3, 5, -1, 3, -4, 4, -2]
ASTM_COUNTS = {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}
"""Range and cycles: ASTM E1049-85, Standard Practices for Cycle Counting in Fatigue Analysis, Fig. 6."""
DARK = -1000
"""Both begin in the dark, below every level: before that there is no cycle."""


def switchings(series: list[int], on_level: float, off_level: float) -> int:
    light = np.array([DARK, *series], np.int16)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1.0, unit="counts"))
    output = replay(recording, Setting(unit="counts", on_level=on_level, off_level=off_level))
    return int(output.onsets.size + output.releases.size)


def left_after_removing(series: list[int], band: float) -> list[int]:
    """The reversals that are left when every range smaller than the band is taken out."""
    low = high = series[0]
    kept: list[int] = []
    rising: bool | None = None
    for value in series:
        if rising is None:
            low, high = min(low, value), max(high, value)
            if high - low >= band:
                rising = value == high
                kept.append(low if rising else high)
        elif rising:
            if high - value >= band:
                kept.append(high)
                rising, low = False, value
            high = max(high, value)
        else:
            if value - low >= band:
                kept.append(low)
                rising, high = True, value
            low = min(low, value)
    if rising is not None:
        kept.append(high if rising else low)
    return kept


def random_series(seed: int) -> list[int]:
    rng = np.random.default_rng(seed)
    steps = rng.integers(-6, 7, int(rng.integers(2, 60)))
    return [int(x) for x in np.cumsum(steps)]


def test_the_standard_counts_its_series_as_printed() -> None:
    assert dict(rainflow.count_cycles(ASTM)) == ASTM_COUNTS


@pytest.mark.parametrize("band", [1, 2, 3, 3.5, 4, 5, 6, 7, 8, 8.5, 9])
def test_ranges_left_after_a_dead_band_are_the_cycles_at_least_as_wide(band: float) -> None:
    left = left_after_removing(ASTM, band)
    assert len(left) - 1 == sum(2 * cycles for width, cycles in ASTM_COUNTS.items() if width >= band)


@pytest.mark.parametrize("series", [ASTM, *(random_series(seed) for seed in range(15))], ids=range(16))
def test_switchings_are_the_cycles_that_bridge_the_band(series: list[int]) -> None:
    counted = rainflow.extract_cycles([DARK, *series])
    cycles = [(mean - width / 2, mean + width / 2, n) for width, mean, n, _, _ in counted]
    differing = Counter()
    for on in range(min(series) - 1, max(series) + 2):
        for off in range(min(series) - 1, on + 1):
            bridging = sum(2 * n for low, high, n in cycles if high >= on and low < off)
            found = switchings(series, on, off)
            if found != bridging:
                differing[on, off] = found - bridging
    assert not differing


@pytest.mark.parametrize("series", [ASTM, *(random_series(seed) for seed in range(15))], ids=range(16))
def test_ranges_smaller_than_the_dead_band_never_switch(series: list[int]) -> None:
    """Whole numbers: to go from below the off-level to the on-level takes at least on − off + 1."""
    for band in (2, 4, 7):
        left = left_after_removing([DARK, *series], band)[1:]
        for off in range(min(series), max(series) - band + 2):
            on = off + band - 1
            assert switchings(series, on, off) == switchings(left, on, off), (on, off)


@pytest.mark.parametrize("band", [3, 4, 5, 6, 7, 8, 9])
def test_a_level_inside_every_range_that_is_left_switches_on_each(band: int) -> None:
    """Where all ranges that are left share a band, every one of them switches a comparator placed there."""
    left = left_after_removing(ASTM, band)
    peaks = [max(pair) for pair in itertools.pairwise(left)]
    valleys = [min(pair) for pair in itertools.pairwise(left)]
    on, off = min(peaks), max(valleys) + 1
    if off > on:
        pytest.fail("the ranges left of the printed series always share a band")
    begins_light = left[0] > left[1]
    assert switchings(ASTM, on, off) == len(left) - 1 + begins_light


LEVEL_CROSSINGS = {-3: 1, -2: 2, -1: 3, 0: 4, 1: 4, 2: 3, 3: 3, 4: 2, 5: 1}
"""Crossings of the same series with 0 as the reference: upwards from it on, downwards below it.

ASTM E1049-85, level crossing counting, as the package ffpack 0.3.3 counts it.
"""


@pytest.mark.parametrize(("level", "crossings"), [*LEVEL_CROSSINGS.items()])
def test_level_crossings_of_the_standard(level: int, crossings: int) -> None:
    """A peak that touches a level from below crosses it, a valley that touches it from above does not."""
    recording = Recording.from_array(np.array(ASTM, np.int16), RecordingInfo(sample_rate_hz=1.0, unit="counts"))
    output = replay(recording, Setting(unit="counts", on_level=level, off_level=level))
    assert (output.onsets if level >= 0 else output.releases).size == crossings


def test_peaks_and_valleys_of_the_standard() -> None:
    """Every peak and valley of −4 … 5 once, −2 apart at both ends: what a comparator around each of them tells."""
    inner = ASTM[1:-1]
    assert sorted(inner) == [-4, -3, -1, 1, 3, 4, 5]
    for k, value in enumerate(inner, start=1):
        neighbours = [ASTM[k - 1], ASTM[k + 1]]
        peak = value > max(neighbours)
        level = (value + (max(neighbours) if peak else min(neighbours))) / 2
        recording = Recording.from_array(
            np.array(ASTM[k - 1 : k + 2], np.int16), RecordingInfo(sample_rate_hz=1.0, unit="counts")
        )
        output = replay(recording, Setting(unit="counts", on_level=level, off_level=level))
        assert (output.active_at_start, output.onsets.tolist(), output.releases.tolist()) == (
            (False, [1], [2]) if peak else (True, [2], [1])
        )
