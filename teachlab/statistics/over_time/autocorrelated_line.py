"""A straight line through values over days, where a day may resemble the days before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from teachlab.errors import ParameterError, check_share

LEAST_DAYS = 3
HIGHEST = 0.98
"""Above this autocorrelation of neighbouring days, a trend and a slow random movement cannot be separated."""
GRID = 99
APART = 9
"""Decimals of a day: times closer than this count as one, because values so close depend on each other completely."""
FARTHEST = 1e7
"""Days from day 0, 27,000 years: beyond this the decimals are lost."""

Values = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class AutocorrelatedLine:
    """The slope of a line whose residuals are autocorrelated.

    `slope`, `low`, `high` (float, per day): median and two-sided interval.
    `alike`: autocorrelation of the residuals of neighbouring days: the middle of what the data do not exclude.
    """

    slope: float
    low: float
    high: float
    alike: float
    days: int
    confidence: float


def autocorrelated_line(at: ArrayLike, values: ArrayLike, *, confidence: float = 0.95) -> AutocorrelatedLine:
    """Fit a line through values over days, where a day may resemble the days before.

    `at` (array_like of float, shape (n,), days): in any order; values of one day are averaged.
    `values`: array_like of float, shape (n,).

    Raises
    ------
    ParameterError
        With fewer than three different days, a day beyond 10 million, or a value that is not finite.

    Notes
    -----
    Residuals d days apart correlate by ``φ^d``. For a known φ, the slope by generalised least squares follows Student's
    t with n − 2. φ is not known, so its restricted likelihood on 0 … 0.98, with equal prior weights, weighs the
    distributions; low and high are quantiles of the mixture. So an interval is wide if there are few days and an
    apparent trend may be a slow random movement.

    Simulated coverage at nominal 95 % is at least 94 % up to φ = 0.6 with 5 or more days. At φ = 0.8 it falls to 90 %
    with 10 or fewer days (``benchmarks/coverages/cleaning.py``).

    References
    ----------
    Box, Jenkins and Reinsel, Time Series Analysis, 3rd ed. (1994), chapter 7; Harville, Bayesian inference for variance
    components using only error contrasts, Biometrika 61 (1974) 383–385 (restricted likelihood; from memory).

    Examples
    --------
    >>> line = autocorrelated_line([0, 1, 2, 3, 4, 5], [10, 9.1, 7.9, 7, 6.1, 5])
    >>> round(line.slope, 2), line.high < 0
    (-1.0, True)
    """
    check_share("confidence", confidence)
    t, y = np.asarray(at, np.float64), np.asarray(values, np.float64)
    if not (np.isfinite(t).all() and np.isfinite(y).all()):
        raise ParameterError("days and values of a line must be finite numbers.")
    if t.size and np.abs(t).max() > FARTHEST:
        raise ParameterError(f"days of a line must lie within {FARTHEST:,.0f} of day 0, got {np.abs(t).max():.3g}.")
    days, place = np.unique(np.round(t, APART), return_inverse=True)
    if days.size < LEAST_DAYS:
        raise ParameterError(f"a line over days needs at least {LEAST_DAYS} different days, got {days.size}.")
    y = np.bincount(place, y) / np.bincount(place)
    scale = float(np.ptp(y)) or 1.0
    alike = np.linspace(0.0, HIGHEST, GRID)
    slope, error, weight = _given_alike(days - days.mean(), (y - y.mean()) / scale, alike)
    tail = (1 - confidence) / 2
    low, middle, high = (_quantile(slope, error, weight, days.size - 2, share) for share in (tail, 0.5, 1 - tail))
    return AutocorrelatedLine(
        slope=scale * middle,
        low=scale * low,
        high=scale * high,
        alike=float(alike[np.searchsorted(np.cumsum(weight), 0.5)]),
        days=int(days.size),
        confidence=confidence,
    )


def _given_alike(t: Values, y: Values, alike: Values) -> tuple[Values, Values, Values]:
    """Return slope, standard error and weight at every autocorrelation."""
    columns = np.stack((np.ones_like(t), t, y))
    # The part of every value that does not follow from the one before: independent, with variance 1 − φ^2d.
    follows = alike[:, None] ** np.diff(t)
    spread = np.sqrt(1 - follows**2)
    new = (columns[:, None, 1:] - follows * columns[:, None, :-1]) / spread
    first = np.broadcast_to(columns[:, None, :1], (3, alike.size, 1))
    a, b, c = np.concatenate((first, new), axis=2)
    aa, ab, bb = ((u * v).sum(axis=1) for u, v in ((a, a), (a, b), (b, b)))
    ac, bc = (a * c).sum(axis=1), (b * c).sum(axis=1)
    determinant = aa * bb - ab**2
    slope = (aa * bc - ab * ac) / determinant
    height = (bb * ac - ab * bc) / determinant
    rest = ((c - height[:, None] * a - slope[:, None] * b) ** 2).sum(axis=1)
    # Values that lie on a line to the last digit leave no residual: then every autocorrelation is equally likely.
    rest = np.maximum(rest, 1e-24)
    freedom = t.size - 2
    log_weight = -np.log(spread).sum(axis=1) - 0.5 * np.log(determinant) - 0.5 * freedom * np.log(rest)
    weight = np.exp(log_weight - log_weight.max())
    return slope, np.sqrt(rest / freedom * aa / determinant), weight / weight.sum()


def _quantile(slope: Values, error: Values, weight: Values, freedom: int, share: float) -> float:
    """Return a quantile of the mixture of t distributions."""
    from scipy.optimize import brentq
    from scipy.special import stdtr, stdtrit

    ends = slope + error * stdtrit(freedom, share)
    low, high = float(ends.min()), float(ends.max())
    if not low < high:
        return low
    # Beyond the ends, where the sum differs from the share by more than its rounding error.
    low, high = low - float(error.max()), high + float(error.max())
    return float(brentq(lambda x: float(weight @ stdtr(freedom, (x - slope) / error)) - share, low, high, xtol=1e-14))
