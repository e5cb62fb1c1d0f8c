"""Published series with certified statistics, through the public functions that measure noise and likeness.

Data and certified values: NIST Statistical Reference Datasets, univariate, see ``data/strd_univariate.json``.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import chi2

from teachlab.light.noise import local_noise
from teachlab.questions.stale.lot_alarm import falling_below, level_of_lots
from teachlab.statistics.over_time.autocorrelation import autocorrelation, integrated_autocorrelation

NIST = "NIST Statistical Reference Datasets, univariate: certified values"
SETS: dict[str, Any] = json.loads((Path(__file__).parent / "data" / "strd_univariate.json").read_text())["sets"]


def _series(name: str) -> NDArray[np.float64]:
    return np.array(SETS[name]["values"], np.float64)


@pytest.mark.parametrize("name", SETS)
def test_certified_statistics(name: str) -> None:
    y, certified = _series(name), SETS[name]
    assert y.size == {"Lew": 200, "Lottery": 218, "Mavro": 50}[name]
    assert y.mean() == pytest.approx(certified["mean"], rel=1e-14), NIST
    assert y.std(ddof=1) == pytest.approx(certified["sd"], rel=1e-11), NIST
    assert autocorrelation(y) == pytest.approx(certified["lag1"], abs=1e-11), NIST


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("lag", [0, 1, 2, 3, 10])
def test_further_lags_as_statsmodels_has_them(name: str, lag: int) -> None:
    from statsmodels.tsa.stattools import acf

    assert autocorrelation(_series(name), lag) == pytest.approx(float(acf(_series(name), nlags=10)[lag]), abs=1e-12)


@pytest.mark.parametrize("name", SETS)
def test_how_many_values_are_worth_one(name: str) -> None:
    """1 + 2 Σ ρ_k up to the first pair that is not positive, by a plain loop over statsmodels' autocorrelations."""
    from statsmodels.tsa.stattools import acf

    y = _series(name)
    rho = acf(y, nlags=y.size - 1)
    total, k = 0.0, 0
    while 2 * k + 1 < y.size and rho[2 * k] + rho[2 * k + 1] > 0:
        total += rho[2 * k] + rho[2 * k + 1]
        k += 1
    assert integrated_autocorrelation(y) == pytest.approx(max(1 / y.size, 2 * total - 1), rel=1e-10)


def test_noise_of_the_first_differences() -> None:
    """1.4826 · MAD of the first differences / √2, by sorting; the filter's drift is no noise, the beam's swing is."""
    from scipy.stats import median_abs_deviation

    for name in SETS:
        y = _series(name)
        expected = float(median_abs_deviation(np.diff(y), scale="normal")) / math.sqrt(2)
        assert local_noise(np.diff(y), None) == pytest.approx(expected, rel=1e-4), name
    assert (local_noise(np.diff(_series("Mavro")), None) or 1) < 0.35 * SETS["Mavro"]["sd"]


def test_standard_deviations_enter_the_sum_as_certified() -> None:
    """Learnt as lots of one value each, watched ten deviations below: the sum is told in spreads of that deviation."""
    for name in ("Lew", "Lottery"):
        y, certified = _series(name), SETS[name]
        level = level_of_lots(y, np.arange(y.size))
        assert level is not None
        # The spread is the upper limit at 80 % of a standard deviation of n − 1 degrees of freedom.
        freedom = y.size - 1
        assert level.spread == pytest.approx(certified["sd"] * math.sqrt(freedom / float(chi2.ppf(0.2, freedom))))
        found = falling_below([level.lowest - 10 * certified["sd"]], level)
        assert found is not None
        assert found.largest == pytest.approx(10 * certified["sd"] / level.spread - 0.5)
