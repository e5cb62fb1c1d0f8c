"""The interval of the shift: how often it holds the shift that was made, also with steep and with slow edges."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.data.alignment import measure_alignment
from teachlab.data.alignment.crossings import STEADY, _is_steady, _spread, rises
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth

PASSES, SCATTER = 4, 3.0


def test_the_interval_of_few_passes_holds_the_shift_as_often_as_it_says() -> None:
    """Four passes with borders that vary by 3 samples, 500 times: 95 % is at least 460 in 999 of 1000 cases."""
    held = []
    for seed in range(500):
        rng = np.random.default_rng([seed, PASSES])
        lengths, gaps = rng.integers(60, 160, PASSES), rng.integers(60, 200, PASSES)
        start = 150 + np.concatenate(([0], np.cumsum(lengths + gaps)[:-1]))
        light = rng.normal(800, 10, int(start[-1]) + 400)
        for a, length in zip(start, lengths, strict=True):
            light[a : a + length] += 2000
        shift = int(rng.integers(-12, 13))
        early = (side - shift + rng.normal(0, SCATTER, PASSES) for side in (start, start + lengths))
        truth = Truth.from_arrays(*(np.round(side).astype(int) for side in early))
        info = RecordingInfo(sample_rate_hz=1000, unit="counts", direction=Direction.RISE)
        found = measure_alignment(Recording.from_array(light, info), truth)
        assert found is not None
        held.append(found.lags.low <= shift <= found.lags.high)
    assert sum(held) >= 460


def boxes(
    rng: np.random.Generator, passes: int, edge: float, shift: float, pitch: float = 1.0
) -> tuple[Recording, Truth]:
    """Return boxes of 60 to 110 units every 150 to 330, and passes so much early; `pitch`: samples a unit."""
    length, gap = rng.uniform(60, 110, passes) * pitch, rng.uniform(90, 220, passes + 1) * pitch
    start = np.cumsum(gap[:-1]) + np.concatenate(([0], np.cumsum(length[:-1])))
    end = start + length
    at = np.arange(int(end[-1] + gap[-1])) + 0.5
    ramps = np.minimum((at - start[:, None]) / edge, (end[:, None] - at) / edge) + 0.5
    light = 2000 + 800 * np.clip(ramps, 0, 1).max(axis=0) + rng.normal(0, 10, at.size)
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", direction=Direction.RISE)
    early = (np.rint(side - shift).astype(int) for side in (start, end))
    return Recording.from_array(light, info), Truth.from_arrays(*early)


def held(passes: int, edge: float, pitch: float = 1.0) -> tuple[int, float]:
    """Return in how many of 40 recordings the interval holds the shift, and the largest error, samples."""
    inside, errors = 0, []
    for seed in range(40):
        rng = np.random.default_rng([seed, passes])
        shift = float(rng.uniform(-12, 12)) * pitch
        found = measure_alignment(*boxes(rng, passes, edge, shift, pitch))
        assert found is not None
        inside += found.lags.low <= shift <= found.lags.high
        errors.append(abs(found.lags.shift.shift - shift))
    return inside, max(errors)


def test_the_interval_of_edges_that_are_steeper_than_a_sample_holds_the_shift() -> None:
    """Borders and edges lie on whole samples: a median of them is off by up to a half, however many there are."""
    inside, most = held(60, 0.8, pitch=0.25)
    assert inside == 40
    assert most > 0.15  # more than the 0.1 that 60 passes of slow edges are off by


def test_edges_that_take_most_of_a_pass_are_found_from_any_side() -> None:
    """Edges of 50 samples on passes of 60 to 110: windows at a coarse guess drew the crossings to it."""
    inside, most = held(40, 50.0)
    assert inside >= 36
    assert most < 1.0


def test_three_passes_of_uneven_pitch_fit_one_shift() -> None:
    """Shifted by two passes a single one is left, and a single one fits anything."""
    for seed in range(10):
        found = measure_alignment(*boxes(np.random.default_rng(seed), 3, 4.0, 7.0))
        assert found is not None
        assert not found.ambiguous
        assert found.lags.shift.shift == pytest.approx(7, abs=1.5)


@pytest.mark.parametrize("passes", [20, 100])
def test_exact_starts_do_not_make_ends_exact(passes: int) -> None:
    """A table with starts and one length for all: products differ by 14 ms, and the interval held 7 of 20 shifts."""
    inside = 0
    for seed in range(40):
        recording, truth = boxes(np.random.default_rng([seed, passes]), passes, 4.0, 7.0)
        found = measure_alignment(recording, Truth.from_arrays(truth.start, truth.start + 85))
        assert found is not None
        inside += found.lags.low <= 7 <= found.lags.high
    assert inside >= 36


@pytest.mark.parametrize("passes", [8, 20, 60])
def test_light_that_bounces_at_borders_is_no_clock_that_drifts(passes: int) -> None:
    """Of several crossings at a border the nearest proved any guess: of 20 tables of 60 passes, 10 drifted."""
    drifting = inside = 0
    for seed in range(20):
        rng = np.random.default_rng([seed, passes])
        recording, truth = boxes(rng, passes, 4.0, 0.0)
        light = recording.light[:].copy()
        for side in (truth.start, truth.end):
            for border in side:
                for at in border + rng.integers(-6, 6, int(rng.integers(1, 4))):
                    light[at : at + 2] = 4800 - light[at : at + 2]
        late = [np.rint(side + 9 + rng.normal(0, 1, passes)).astype(int) for side in (truth.start, truth.end)]
        found = measure_alignment(Recording.from_array(light, recording.info), Truth.from_arrays(*late))
        assert found is not None
        assert found.belongs
        drifting += found.drifts
        inside += found.lags.low <= -9 <= found.lags.high
    assert drifting <= 3
    assert inside >= 17


def test_light_at_the_end_of_all_numbers_has_its_border_where_it_rises() -> None:
    """What is taken off a level there lies beyond all numbers of its type, which numpy warned of."""
    light = np.array([-3.4e38] * 16 + [3.4e38] * 16, np.float32)
    [(places, _)] = rises([(light, 16)])
    assert places.tolist() == pytest.approx([16.0], abs=0.6)


@pytest.mark.parametrize("seed", range(20))
def test_steady_light_spreads_by_a_share_of_the_step_counted_or_measured(seed: int) -> None:
    rng = np.random.default_rng(seed)
    light = rng.normal(0, 1, 2 * int(rng.integers(3, 40)) + 1)
    base = float(np.median(light))
    spread = _spread(light, base)
    for step in (1.001 * spread / STEADY, 0.999 * spread / STEADY):
        assert _is_steady(light, base, step) == (spread <= STEADY * step)
