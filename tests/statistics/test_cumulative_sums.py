"""Alarms: run lengths by simulation and from a table, the sum by a plain loop, spells by hand."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.errors import ParameterError
from teachlab.statistics.over_time.cumulative_sums import margin_alarm, run_length, sums_of, threshold_for


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
    sums = sums_of((x[:60].mean() - x[60:]) / x[:60].std(ddof=1) - 0.5)
    mean, sd = x[:60].mean(), x[:60].std(ddof=1)
    total, plain = 0.0, []
    for value in x[60:]:
        total = max(0.0, total + (mean - value) / sd - 0.5)
        plain.append(total)
    assert sums.tolist() == pytest.approx(plain)


@pytest.mark.parametrize(("watched", "baseline"), [(100, 20), (240, 60), (2000, 500), (2000, 5000)])
def test_a_steady_recording_rarely_alarms(watched: int, baseline: int) -> None:
    rng = np.random.default_rng(12)
    alarms = 0
    for _ in range(400):
        x, base = rng.normal(size=watched), rng.normal(size=baseline)
        sums = sums_of((base.mean() - x) / base.std(ddof=1) - 0.5)
        alarms += bool((sums > threshold_for(watched, baseline)).any())
    # At most 5 % plus three standard errors; a fixed threshold of 5 alarms on most of 2000 values.
    assert alarms <= 400 * 0.05 + 3 * (400 * 0.05 * 0.95) ** 0.5


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
