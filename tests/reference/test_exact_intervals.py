"""Exact intervals against printed tables and against two other libraries.

Figures are printed by the source named in each row; half a unit of their last digit is the tolerance.
"""

from __future__ import annotations

import math

import pytest

from teachlab.statistics.intervals import count, proportion

NEWCOMBE = "Newcombe, Two-sided confidence intervals for the single proportion, Stat. Med. 17 (1998) 857, Table I"
NIST_PROPORTION = "NIST/SEMATECH e-Handbook 7.2.4.1, exact limits for 4 of 20"
NIST_MTBF = "NIST/SEMATECH e-Handbook 8.4.5.1, 2 failures in 800 hours"
GARWOOD = "Garwood, Biometrika 28 (1936) 437; Pearson & Hartley, Biometrika Tables, Table 40"

CLOPPER_PEARSON = [
    # events, trials, confidence, low, high, tolerance, source
    (81, 263, 0.95, 0.2527, 0.3676, 5e-5, NEWCOMBE),
    (15, 148, 0.95, 0.0578, 0.1617, 5e-5, NEWCOMBE),
    (0, 20, 0.95, 0.0, 0.1684, 5e-5, NEWCOMBE),
    (1, 29, 0.95, 0.0009, 0.1776, 5e-5, NEWCOMBE),
    # The handbook prints 0.401029 where the exact limit is 0.4010281173 (its next line rounds it to 0.400).
    (4, 20, 0.90, 0.071354, 0.401029, 1.1e-6, NIST_PROPORTION),
    (4, 20, 0.90, 0.0713538843, 0.4010281173, 5e-11, "the same limits to ten digits, from the beta quantiles"),
]

GARWOOD_95 = [
    # events, low, high
    (0, 0.0, 3.6889),
    (1, 0.0253, 5.5716),
    (2, 0.2422, 7.2247),
    (3, 0.6187, 8.7673),
    (4, 1.0899, 10.2416),
    (5, 1.6235, 11.6683),
    (10, 4.7954, 18.3904),
    (20, 12.2165, 30.8884),
    (50, 37.1110, 65.9188),
    (100, 81.3640, 121.6268),
]

UPPER_95 = [(0, 2.9957), (1, 4.7439), (2, 6.2958), (3, 7.7537), (4, 9.1535), (5, 10.5130)]
"""One-sided 95 % limits of a Poisson count: half the chi-square quantiles with 2k + 2 degrees of freedom."""

PROPORTIONS = [(0, 1), (1, 1), (0, 20), (20, 20), (1, 29), (4, 20), (15, 148), (81, 263), (3, 100_000), (7, 7_000_000)]
CONFIDENCES = [0.5, 0.8, 0.9, 0.95, 0.99, 0.999]


@pytest.mark.parametrize(("events", "trials", "confidence", "low", "high", "tolerance", "source"), CLOPPER_PEARSON)
def test_clopper_pearson_as_printed(
    events: int, trials: int, confidence: float, low: float, high: float, tolerance: float, source: str
) -> None:
    rate = proportion(events, trials, confidence)
    assert rate.estimate == events / trials
    assert (rate.low, rate.high) == pytest.approx((low, high), abs=tolerance), source


@pytest.mark.parametrize(("events", "low", "high"), GARWOOD_95)
def test_garwood_as_printed(events: int, low: float, high: float) -> None:
    found = count(events, 1.0)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5e-5), GARWOOD


@pytest.mark.parametrize(("events", "upper"), UPPER_95)
def test_one_sided_poisson_limits(events: int, upper: float) -> None:
    assert count(events, 1.0).upper == pytest.approx(upper, abs=5e-5)


def test_two_failures_in_800_hours() -> None:
    """NIST prints limits of the mean time between failures, 127.0690 h and 2251.229 h at 90 %."""
    found = count(2, 800.0, 0.90)
    assert 1 / found.high == pytest.approx(127.0690, abs=5e-4), NIST_MTBF
    assert 1 / found.low == pytest.approx(2251.229, abs=5e-3), NIST_MTBF
    assert (found.low, found.high) == pytest.approx((0.00044420, 0.00786974), abs=5e-9), NIST_MTBF
    # The same page tabulates the factors on the estimated mean time: 0.3177 and 5.6281.
    assert found.estimate is not None
    assert found.estimate / found.high == pytest.approx(0.3177, abs=5e-5), NIST_MTBF
    assert found.estimate / found.low == pytest.approx(5.6281, abs=5e-5), NIST_MTBF


@pytest.mark.parametrize("hours", [0.5, 8.0, 1000.0])
def test_no_failure_at_all(hours: float) -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1, zero failures: the mean time is at least T / −ln α."""
    assert count(0, hours).upper == pytest.approx(-math.log(0.05) / hours, rel=1e-12)


def test_137_events_with_exposure() -> None:
    """R's help page of poisson.test: 137 nickel workers, exposure 24.19893.

    The digits are recomputed. One public repository prints 5.661765 (4.739, 6.666) as what R shows; that is
    wrong in the third digit, and the test would notice.
    """
    found = count(137, 24.19893)
    assert found.estimate == pytest.approx(5.661407, abs=5e-7)
    assert (found.low, found.high) == pytest.approx((4.753125, 6.692709), abs=5e-7)


@pytest.mark.parametrize("confidence", CONFIDENCES)
@pytest.mark.parametrize(("events", "trials"), PROPORTIONS)
def test_proportion_equals_scipy_and_statsmodels(events: int, trials: int, confidence: float) -> None:
    from scipy.stats import binomtest
    from statsmodels.stats.proportion import proportion_confint

    rate = proportion(events, trials, confidence)
    other = binomtest(events, trials).proportion_ci(confidence, method="exact")
    one_sided = binomtest(events, trials, alternative="less").proportion_ci(confidence, method="exact")
    third = proportion_confint(events, trials, alpha=1 - confidence, method="beta")
    # scipy searches its limits by bisection to about 2e-12.
    assert (rate.low, rate.high, rate.upper) == pytest.approx((other.low, other.high, one_sided.high), abs=1e-11)
    low, high = (0.0 if events == 0 else third[0]), (1.0 if events == trials else third[1])
    assert (rate.low, rate.high) == pytest.approx((low, high), rel=1e-9)


@pytest.mark.parametrize("confidence", CONFIDENCES)
@pytest.mark.parametrize("events", [0, 1, 2, 7, 100, 12_345])
def test_count_equals_scipy_and_statsmodels(events: int, confidence: float) -> None:
    from scipy.stats import chi2, poisson
    from statsmodels.stats.rates import confint_poisson

    hours = 24.5
    found = count(events, hours, confidence)
    alpha = 1 - confidence
    low = float(chi2.ppf(alpha / 2, 2 * events)) / 2 / hours if events else 0.0
    high = float(chi2.isf(alpha / 2, 2 * events + 2)) / 2 / hours
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-9)
    other = confint_poisson(events, hours, method="exact-c", alpha=alpha)
    assert (found.low, found.high) == pytest.approx((0.0 if events == 0 else other[0], other[1]), rel=1e-9)
    # By definition: at the one-sided limit, so few events have probability alpha.
    assert float(poisson.cdf(events, found.upper * hours)) == pytest.approx(alpha, rel=1e-7)


def test_without_trials_nothing_is_known() -> None:
    rate = proportion(0, 0)
    assert (rate.events, rate.trials, rate.estimate) == (0, 0, None)
    assert (rate.low, rate.high, rate.upper) == (0.0, 1.0, 1.0)
    found = count(0, 0.0)
    assert (found.estimate, found.low, found.high, found.upper) == (None, 0.0, math.inf, math.inf)
