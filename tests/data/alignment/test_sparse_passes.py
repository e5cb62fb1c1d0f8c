"""Short passes in long gaps: a shift is found in few bins, and by sums of which most are only bounded."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.data.alignment import coarse_shift as module
from teachlab.data.alignment import measure_alignment
from teachlab.data.alignment.shift import ClockShift
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
LENGTH, GAP = 48, 4000


def starts(rng: np.random.Generator, count: int) -> np.ndarray:
    return np.cumsum(rng.normal(GAP, 400, count).round()) + GAP


@pytest.mark.parametrize("seed", range(40))
def test_bounded_sums_find_what_all_sums_find(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(seed)
    monkeypatch.setattr(module, "BLOCK", int(rng.integers(1, 9)))
    count, steps, widest = int(rng.integers(1, 7)), int(rng.integers(2, 60)), int(rng.integers(5, 200))
    rows = rng.normal(0, 0.3, (count, 2 * (widest + steps) + 1))
    share = rng.uniform(-1, 1, count)
    share /= np.abs(share).max()
    slip, lag = int(rng.integers(-steps, steps + 1)), int(rng.integers(-widest, widest + 1))
    for row, part in zip(rows, share, strict=True):
        row[steps + int(np.rint(slip * part)) + widest + lag] += rng.choice([1.5, 4.0])
    slips, halves = range(-(steps // 2) * 2, steps + 1, 2), [int(rng.integers(1, widest + 1)), widest]
    both = (sums(rows, share, slips, halves, steps) for sums in (module._all_sums, module._largest_sums))
    for every, found in zip(*both, strict=True):
        least = module.ALIKE * max(value for value, _, _ in every)
        wanted = [row for row in every if row[0] >= least]
        assert [row[1:] for row in found if row[0] >= least - 1e-9] == [row[1:] for row in wanted]


@pytest.mark.parametrize("count", [2, 40, 600, 20_000, 1_000_000])
def test_bins_stay_few_however_long_the_gaps_are(count: int) -> None:
    start = 600_000.0 * np.arange(1, count + 1)
    bins = module.bins_of(start, start + 60, int(start[-1]) + 600_000)
    assert sum((high - low) / width for low, high, width in bins) < 1.3 * module.RUNS * module.MOST_BINS


@pytest.mark.parametrize("count", [60, 600])
@pytest.mark.parametrize("bounded", [False, True])
def test_a_shift_of_short_passes_in_long_gaps_is_found(
    count: int, bounded: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_BINS", 1 << 11)
    monkeypatch.setattr(module, "LOOPED", 0 if bounded else 10**12)
    for seed in range(3):
        rng = np.random.default_rng([seed, count])
        start = starts(rng, count)
        samples = int(start[-1]) + 2 * GAP
        clock = ClockShift(samples, float(rng.uniform(-1500, 1500)), float(rng.uniform(-3e-4, 3e-4)))
        light = rng.normal(300, 5, samples)
        for a in np.rint(clock.of(start)).astype(int):
            light[a : a + LENGTH] += 500
        truth = Truth.from_arrays(start.astype(int), start.astype(int) + LENGTH, uncertainty_samples=2)
        assert module._Search.of(start, start + LENGTH).reach == module.NEAR_PASSES
        found = measure_alignment(Recording.from_array(light, INFO), truth)
        assert found is not None
        assert found.belongs
        assert found.lags.shift.shift == pytest.approx(clock.shift, abs=2)
        assert found.lags.shift.rate * samples / 2 == pytest.approx(clock.rate * samples / 2, abs=3)
