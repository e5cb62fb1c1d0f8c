"""The median of pairwise slopes and its interval are those of a reference library.

Source: scipy.stats.theilslopes (SciPy), which follows Theil (1950) and Sen (1968).
"""

import warnings

import numpy as np
import pytest
from scipy.stats import theilslopes

from teachlab.statistics.median_slope import median_slope


@pytest.mark.parametrize("seed", range(300))
def test_slope_and_interval_are_those_of_the_library_with_and_without_ties(seed):
    rng = np.random.default_rng(seed)
    size = int(rng.integers(2, 60))
    at, values = (rng.integers(0, rng.integers(1, 40), size).astype(float) for _ in range(2))
    if seed % 3 == 0:
        values = rng.standard_normal(size)
    confidence = float(rng.uniform(0.5, 0.99))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = theilslopes(values, at, confidence)
    expected = [other.slope, other.low_slope, other.high_slope]
    np.testing.assert_allclose(median_slope(values, at, confidence), expected, rtol=1e-15, equal_nan=True)


def test_one_outlier_does_not_move_the_slope():
    at = np.arange(20.0)
    values = 2 * at
    values[7] = 1e6
    assert median_slope(values, at).slope == 2
