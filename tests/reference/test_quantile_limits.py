"""Order-statistic limits of quantiles against outside values, and their share of right answers counted exactly."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import quantile_test

from teachlab.statistics.quantiles import QuantileSpread, least_values, quantile_limits


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_limits_equal_those_of_scipy(seed: int, share: float) -> None:
    """scipy.stats.quantile_test, after Conover, Practical Nonparametric Statistics (1999)."""
    rng = np.random.default_rng(seed)
    values = np.sort(rng.normal(size=int(rng.integers(120, 400))))
    low, high = quantile_limits(values, share, 0.025)
    theirs = quantile_test(values, q=0.0, p=share).confidence_interval(confidence_level=0.95)
    assert (low, high) == pytest.approx((theirs.low, theirs.high))


def test_median_of_ten() -> None:
    """Ranks 2 and 9 of 10 values: 97.9 % (Conover 1999, worked from the binomial table, n = 10, p = 1/2)."""
    assert quantile_limits(np.arange(1.0, 11.0), 0.5, 0.025) == (2.0, 9.0)
    assert quantile_limits(np.arange(1.0, 6.0), 0.5, 0.025) == (None, None)  # 2 · (1/2)^5 > 5 %


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_from_least_values_on_the_spread_has_an_upper_limit(confidence: float) -> None:
    n = least_values(confidence)
    for size, known in ((n - 1, False), (n, True)):
        found = QuantileSpread.of(np.arange(float(size)), confidence=confidence)
        assert found is not None
        assert (found.spread_high is not None) is known


def test_limits_of_the_spread_hold_for_values_of_many_shapes() -> None:
    rng = np.random.default_rng(20260301)
    for draw, truth in (
        (lambda: rng.normal(size=200), 2 * 1.6448536),
        (lambda: rng.exponential(size=200), np.log(0.95 / 0.05)),
        (lambda: rng.uniform(size=200), 0.9),
    ):
        right = 0
        for _ in range(400):
            found = QuantileSpread.of(draw())
            assert found is not None
            assert found.spread_low is not None
            assert found.spread_high is not None
            right += found.spread_low <= truth <= found.spread_high
        assert right >= 380  # at least 95 %; the rule is conservative: about 98 % are right
