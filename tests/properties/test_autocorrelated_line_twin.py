"""The line through days that follow one another: against dense matrices, statsmodels, and laws."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy.stats import t as student

from teachlab.errors import ParameterError
from teachlab.statistics.over_time.autocorrelated_line import LASTING, SCATTER, autocorrelated_line

Values = NDArray[np.float64]


def days_and_values(seed: int) -> tuple[Values, Values]:
    rng = np.random.default_rng(seed)
    size = int(rng.integers(4, 30))
    at = np.sort(rng.permutation(2 * size)[:size]).astype(float)
    return at, rng.normal(size=size).cumsum() * 0.3 + 0.1 * at


def dense(at: Values, values: Values, share: float) -> float:
    """A quantile of the mixture, with whole matrices and a search of its own."""
    design, parts = np.column_stack((np.ones_like(at), at)), []
    for lasting, of_change in product(LASTING, SCATTER):
        if lasting == 0 and of_change > 0:
            continue
        # Of what changes in a day, v / (v + (1 − v)(1 − φ²)) is scatter, v its share of the variance.
        change = (1 - lasting**2) * of_change
        scatter = change / (1 - of_change + change)
        wander = lasting ** np.abs(at[:, None] - at) if lasting else np.eye(at.size)
        matrix = (1 - scatter) * wander + scatter * np.eye(at.size)
        found = sm.GLS(values, design, sigma=matrix).fit()
        inverse = np.linalg.inv(matrix)
        rest = values - design @ found.params
        likelihood = (
            -0.5 * np.linalg.slogdet(matrix)[1]
            - 0.5 * np.linalg.slogdet(design.T @ inverse @ design)[1]
            - 0.5 * (at.size - 2) * np.log(rest @ inverse @ rest)
        )
        parts.append((found.params[1], found.bse[1], likelihood))
    slope, error, likelihood = np.array(parts).T
    weight = np.exp(likelihood - likelihood.max())
    weight /= weight.sum()
    low, high = slope.min() - 100 * error.max(), slope.max() + 100 * error.max()
    for _ in range(200):
        middle = (low + high) / 2
        below = float(weight @ student.cdf((middle - slope) / error, at.size - 2))
        low, high = (middle, high) if below < share else (low, middle)
    return (low + high) / 2


@pytest.mark.parametrize("seed", range(12))
def test_equals_dense_generalised_least_squares(seed: int) -> None:
    """Slope and error of every kind of residuals by statsmodels' GLS; the likelihood written out."""
    at, values = days_and_values(seed)
    line = autocorrelated_line(at, values)
    for ours, share in ((line.low, 0.025), (line.slope, 0.5), (line.high, 0.975)):
        assert ours == pytest.approx(dense(at, values, share), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_moves_with_unit_place_and_slope(seed: int) -> None:
    at, values = days_and_values(seed)
    one = autocorrelated_line(at, values)
    turned = autocorrelated_line(at[::-1] + 7000, 5 + 3 * values[::-1] + 2 * at[::-1])
    for name in ("low", "slope", "high"):
        assert getattr(turned, name) == pytest.approx(2 + 3 * getattr(one, name), rel=1e-6, abs=1e-8)
    assert turned.alike == pytest.approx(one.alike)


def test_levels_of_one_day_count_once() -> None:
    at, values = days_and_values(3)
    twice = autocorrelated_line(np.repeat(at, 2), np.column_stack((values - 0.1, values + 0.1)).ravel())
    one = autocorrelated_line(at, values)
    assert (twice.low, twice.slope, twice.high) == pytest.approx((one.low, one.slope, one.high))
    assert twice.days == one.days == at.size


def test_a_line_without_scatter_is_found_to_its_digits() -> None:
    line = autocorrelated_line([0, 1, 2, 5], [1.0, 0.5, 0.0, -1.5])
    assert (line.low, line.slope, line.high) == pytest.approx((-0.5, -0.5, -0.5), abs=1e-9)
    flat = autocorrelated_line([0, 1, 2], [4.0, 4.0, 4.0])
    assert (flat.low, flat.slope, flat.high) == pytest.approx((0, 0, 0), abs=1e-9)


def test_days_that_wander_give_a_wider_interval_than_days_that_do_not() -> None:
    rng = np.random.default_rng(11)
    at = np.arange(60.0)
    white = rng.normal(size=60)
    wander = np.convolve(rng.normal(size=120), 0.8 ** np.arange(60), "full")[60:120]
    wander *= white.std() / wander.std()
    one, other = autocorrelated_line(at, white), autocorrelated_line(at, wander)
    assert other.alike > 0.5 > one.alike
    assert other.high - other.low > 1.5 * (one.high - one.low)


@pytest.mark.parametrize(("at", "values"), [([0, 1, 1], [1, 2, 3]), ([0, 1, 2], [1, np.nan, 3])])
def test_refused(at: list[float], values: list[float]) -> None:
    with pytest.raises(ParameterError):
        autocorrelated_line(at, values)
