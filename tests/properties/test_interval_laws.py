"""Laws of the exact intervals: coverage by exact summation, mirror, order."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from teachlab.statistics.intervals import count, proportion


@pytest.mark.parametrize("confidence", [0.8, 0.95])
@pytest.mark.parametrize("trials", [1, 2, 3, 7, 20, 31])
def test_an_interval_covers_at_least_as_often_as_it_says(trials: int, confidence: float) -> None:
    """The probability that the interval holds the true rate, summed exactly over all outcomes."""
    rates = [proportion(k, trials, confidence) for k in range(trials + 1)]
    lowest = lowest_upper = 1.0
    for step in range(1, 400):
        p = Fraction(step, 400)
        chance = [math.comb(trials, k) * p**k * (1 - p) ** (trials - k) for k in range(trials + 1)]
        lowest = min(lowest, float(sum(c for c, r in zip(chance, rates, strict=True) if r.low <= p <= r.high)))
        lowest_upper = min(lowest_upper, float(sum(c for c, r in zip(chance, rates, strict=True) if p <= r.upper)))
    assert lowest >= confidence
    assert lowest_upper >= confidence


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.999])
@pytest.mark.parametrize("trials", [1, 5, 30, 1000])
def test_the_interval_of_failures_mirrors_that_of_successes(trials: int, confidence: float) -> None:
    for events in {0, 1, trials // 3, trials // 2, trials - 1, trials}:
        rate, other = proportion(events, trials, confidence), proportion(trials - events, trials, confidence)
        assert (rate.low, rate.high) == pytest.approx((1 - other.high, 1 - other.low), abs=1e-12)


@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.999])
def test_bounds_are_in_order_and_grow_with_the_events(confidence: float) -> None:
    before = None
    for events in range(41):
        rate = proportion(events, 40, confidence)
        assert rate.estimate is not None
        assert 0 <= rate.low <= rate.estimate <= rate.high <= 1
        assert rate.estimate <= rate.upper <= rate.high
        if before is not None:
            assert rate.low > before.low or events == 0
            assert rate.high > before.high or before.high == 1
        before = rate


@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_a_count_interval_covers_at_least_as_often_as_it_says(confidence: float) -> None:
    found = [count(k, 1.0, confidence) for k in range(80)]
    for step in range(1, 120):
        mean = step / 8
        chance = [math.exp(k * math.log(mean) - mean - math.lgamma(k + 1)) for k in range(80)]
        assert sum(c for c, r in zip(chance, found, strict=True) if r.low <= mean <= r.high) >= confidence - 1e-9
        assert sum(c for c, r in zip(chance, found, strict=True) if mean <= r.upper) >= confidence - 1e-9


def test_exposure_only_scales_a_count() -> None:
    for events in (0, 1, 17):
        one, many = count(events, 1.0), count(events, 250.0)
        assert (many.low, many.high, many.upper) == pytest.approx((one.low / 250, one.high / 250, one.upper / 250))
