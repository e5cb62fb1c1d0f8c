"""How much values in time order resemble their neighbours."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def integrated_autocorrelation(values: ArrayLike) -> float | None:
    """Return ``1 + 2 Σ ρ_k`` of a series in time order: how many values are worth one independent value.

    The result is None for a constant series or fewer than 4 values. It is not below ``1 / n``.

    Notes
    -----
    ρ_k is the autocorrelation about the mean with divisor Σ (y − ȳ)²; the sum ends before the first pair
    ρ_{2j} + ρ_{2j+1} that is not positive.

    References
    ----------
    Geyer, Practical Markov chain Monte Carlo, Statistical Science 7 (1992) 473–483 (initial positive
    sequence).
    """
    y, total = _about_mean(values)
    if y.size < 4 or not total > 0:
        return None
    size = 1 << (2 * y.size - 1).bit_length()
    power: NDArray[np.float64] = np.abs(np.fft.rfft(y, size)) ** 2
    rho: NDArray[np.float64] = np.fft.irfft(power, size)[: y.size] / total
    pairs = rho[: y.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    last = int(np.argmax(pairs <= 0)) if (pairs <= 0).any() else pairs.size
    found: float = 2 * float(pairs[:last].sum()) - 1
    return float(max(1 / y.size, found))


def autocorrelation(values: ArrayLike, lag: int = 1) -> float | None:
    """Return the autocorrelation at one lag, about the mean, with divisor Σ (y − ȳ)²; None if constant.

    Examples
    --------
    >>> autocorrelation([10000001, 10000003, 10000002])
    -0.5
    """
    y, total = _about_mean(values)
    return float(y[lag:] @ y[: y.size - lag]) / total if total > 0 else None


def _about_mean(values: ArrayLike) -> tuple[NDArray[np.float64], float]:
    y = np.asarray(values, np.float64).reshape(-1)
    if y.size:  # numpy warns of the mean of an empty array
        # Two steps: the mean of the residuals is not zero to the last digit.
        y = y - y.mean()
        y = y - y.mean()
    return y, float(y @ y)
