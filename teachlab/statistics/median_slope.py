"""The median of the slopes between all pairs of points, with its interval."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import ndtri

from teachlab.model.arrays import Floats


class MedianSlope(NamedTuple):
    """Slope of values over places, and its interval; NaN without two different places.

    `slope`, `low`, `high`: value per place.
    """

    slope: float
    low: float
    high: float


def median_slope(values: Floats, at: Floats, confidence: float = 0.95) -> MedianSlope:
    """Return the median of the slopes of all pairs of points.

    `values`, `at` (shape (n,)): finite. Time and memory grow with the square of n.
    `confidence` (in (0, 1)): of the interval.

    Notes
    -----
    The same as `scipy.stats.theilslopes`, whose package takes as long to load as many a command takes to run. If most
    values are equal, there is no variance to calculate an interval from: its ends are NaN.

    References
    ----------
    Theil (1950); Sen (1968), equation 2.6 for the interval with ties.

    Examples
    --------
    >>> median_slope(np.array([0.0, 1, 2, 3, 90]), np.arange(5.0)).slope
    1.0
    """
    n = at.size
    slopes, apart = np.empty((2, n * (n - 1) // 2))
    stop = 0
    for k in range(n - 1):
        first, stop = stop, stop + n - 1 - k
        np.subtract(at[k + 1 :], at[k], out=apart[first:stop])
        np.subtract(values[k + 1 :], values[k], out=slopes[first:stop])
    same = apart == 0
    with np.errstate(divide="ignore", invalid="ignore"):
        slopes /= apart
    # A slope of −0 sorts among those of 0 in any order, and is printed.
    slopes = slopes[~same] + 0.0
    if slopes.size == 0:
        return MedianSlope(*3 * (float("nan"),))
    # Of n values, and less for every group of equal ones.
    groups = [np.array([n]), *(-np.unique(side, return_counts=True)[1] for side in (at, values))]
    ties = np.concatenate(groups)
    k = np.abs(ties).astype(np.float64)
    variance = float((np.sign(ties) * k * (k - 1) * (2 * k + 5)).sum()) / 18
    if not variance >= 0:
        return MedianSlope(float(np.median(slopes)), float("nan"), float("nan"))
    half = -float(ndtri((1 - confidence) / 2)) * np.sqrt(variance)
    low = max(int(np.round((slopes.size - half) / 2)) - 1, 0)
    high = min(int(np.round((slopes.size + half) / 2)), slopes.size - 1)
    middle = (slopes.size - 1) // 2, slopes.size // 2
    slopes.sort()
    return MedianSlope(float(slopes[[*middle]].mean()), float(slopes[low]), float(slopes[high]))
