"""Alarms: run lengths by simulation and from a table, the sum by a plain loop, spells by hand."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.errors import ParameterError
from teachlab.statistics.over_time.cumulative_sums import falling, margin_alarm, run_length, threshold_for


@pytest.mark.parametrize(("threshold", "drift", "printed"), [(4, 0, 336), (5, 0, 930), (4, 1, 8.38), (5, 1, 10.4)])
def test_run_lengths_of_the_table(threshold: float, drift: float, printed: float) -> None:
    # One-sided run lengths at k = 0.5: NIST/SEMATECH e-Handbook 6.3.2.3 (from memory); the formula is approximate.
    assert run_length(1.0, threshold, drift_sd=drift) == pytest.approx(printed, rel=0.02)


def test_run_length_by_simulation() -> None:
    rng = np.random.default_rng(6)
    lengths = []
    for _ in range(400):
        total, k = 0.0, 0
        while total <= 3:
            total = max(0.0, total - rng.normal() - 0.5)
            k += 1
        lengths.append(k)
    # Run lengths are nearly exponential: 400 of them have a standard error of 5 %.
    assert np.mean(lengths) == pytest.approx(run_length(1.0, 3.0), rel=0.15)


@pytest.mark.parametrize("seed", range(5))
def test_the_sum_equals_a_plain_loop(seed: int) -> None:
    x = np.random.default_rng(seed).normal(50, 2, 300) - np.linspace(0, 4, 300)
    found = falling(x, threshold=5.0)
    assert found is not None
    mean, sd = x[:60].mean(), x[:60].std(ddof=1)
    total, largest, alarm = 0.0, 0.0, None
    for k in range(60, 300):
        total = max(0.0, total + (mean - x[k]) / sd - 0.5)
        largest = max(largest, total)
        alarm = k if alarm is None and total > 5 else alarm
    assert (found.alarm, found.baseline) == (alarm, 60)
    assert found.largest == pytest.approx(largest)


def test_learning_from_an_earlier_recording_equals_a_plain_loop() -> None:
    rng = np.random.default_rng(9)
    before, now = rng.normal(50, 2, 200), rng.normal(50, 2, 300) - np.linspace(0, 4, 300)
    found = falling(now, learn=before, threshold=6.0)
    assert found is not None
    total, alarm = 0.0, None
    for k, x in enumerate(now):
        total = max(0.0, total + (before.mean() - x) / before.std(ddof=1) - 0.5)
        alarm = k if alarm is None and total > 6 else alarm
    assert alarm is not None
    assert (found.alarm, found.baseline, found.threshold) == (alarm, 200, 6.0)
    assert falling(now, learn=before[:19]) is None


@pytest.mark.parametrize(("watched", "baseline"), [(100, 20), (240, 60), (2000, 500), (2000, 5000)])
def test_a_steady_recording_rarely_alarms(watched: int, baseline: int) -> None:
    rng = np.random.default_rng(12)
    alarms = 0
    for _ in range(400):
        found = falling(rng.normal(size=watched), learn=rng.normal(size=baseline))
        assert found is not None
        assert found.threshold == threshold_for(watched, baseline)
        alarms += found.alarm is not None
    # At most 5 % plus three standard errors; a fixed threshold of 5 alarms on most of 2000 values.
    assert alarms <= 400 * 0.05 + 3 * (400 * 0.05 * 0.95) ** 0.5


def test_nothing_to_learn_from() -> None:
    assert falling(np.arange(20.0)) is None
    assert falling(np.full(100, 7.0)) is None


def test_spells_by_hand() -> None:
    gain = np.full(400, 2.0)
    gain[[10, 50, 300]] = 1.2
    lost = np.zeros(400, bool)
    lost[90] = True
    found = margin_alarm(gain, lost)
    # 10 and 50 are one spell, followed by the loss; 300 comes to nothing.
    assert (found.warned, found.warnings, found.for_nothing) == (3, 2, 1)
    assert (found.first_warned, found.first_lost, found.lead) == (10, 90, 80)
    none = margin_alarm(np.full(5, 3.0), np.zeros(5, bool))
    assert (none.warned, none.warnings, none.for_nothing, none.lead) == (0, 0, 0, None)


def test_refusals() -> None:
    with pytest.raises(ParameterError, match="horizon"):
        margin_alarm([1.0], [False], horizon=0)
    with pytest.raises(ParameterError, match="threshold"):
        run_length(1.0, 0.0)
