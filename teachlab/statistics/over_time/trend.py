"""A straight trend, and when it reaches a level; the interval may include "never"."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from teachlab.errors import check_share
from teachlab.model.json_values import Document
from teachlab.statistics.over_time.autocorrelated_line import autocorrelated_line

LEAST_GROUPS = 4
"""Fewer groups show no trend."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLine:
    """A least-squares line.

    `slope`, `low`, `high`: slope and its two-sided interval by Student's t.
    `mean_at`, `mean`: a point on the line: the means of both coordinates.
    `variances`: variance of the height of the line at `mean_at`, covariance of height and slope, and variance of the
    slope.
    `freedom`: degrees of freedom of the variances.
    """

    slope: float
    low: float
    high: float
    mean_at: float
    mean: float
    variances: tuple[float, float, float]
    freedom: float
    confidence: float

    @property
    def established(self) -> bool:
        """Whether the interval of the slope does not contain 0."""
        return not self.low <= 0 <= self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead(Document):
    """When a falling line reaches a level, counted from now; times in the unit of the line.

    `estimate`: 0 if the line is below the level already; None if it does not fall.
    `earliest`: none if the interval holds no time ahead.
    `latest`: none if the interval has no end, or holds no time ahead.
    """

    estimate: float | None
    earliest: float | None
    latest: float | None


def fit_line(at: ArrayLike, values: ArrayLike, *, confidence: float = 0.95) -> FittedLine | None:
    """Fit a straight line by least squares.

    The result is None with fewer than 3 points, if all are at one place, or if one is not finite.

    `at`, `values`: shape (n,).
    """
    check_share("confidence", confidence)
    t, y = np.asarray(at, np.float64), np.asarray(values, np.float64)
    if t.size < 3 or not (np.isfinite(t).all() and np.isfinite(y).all()):
        return None
    centred = t - t.mean()
    spread = float(centred @ centred)
    if not spread > 0:
        return None
    slope = float(centred @ y) / spread
    rest = y - y.mean() - slope * centred
    residual = math.sqrt(float(rest @ rest) / (t.size - 2))
    variances = (residual**2 / t.size, 0.0, residual**2 / spread)
    return _line(slope, (float(t.mean()), float(y.mean())), variances, t.size - 2, confidence)


def _line(
    slope: float, mean: tuple[float, float], variances: tuple[float, float, float], freedom: float, confidence: float
) -> FittedLine:
    half = float(stdtrit(freedom, (1 + confidence) / 2)) * math.sqrt(variances[2])
    return FittedLine(
        slope=slope,
        low=slope - half,
        high=slope + half,
        mean_at=mean[0],
        mean=mean[1],
        variances=variances,
        freedom=freedom,
        confidence=confidence,
    )


def fit_lowered(
    at: ArrayLike, values: ArrayLike, groups: ArrayLike, *, share: float, confidence: float = 0.95
) -> FittedLine | None:
    """Fit the line below which a given share of the values lies, where values of one group resemble each other.

    The result is None with fewer than 4 groups, or if all are at one place.
    `at`, `values`: shape (n,).
    `groups` (shape (n,)): group number of every value, 0, 1, …; groups are independent of each other.

    Notes
    -----
    The slope is that of the least-squares line through the medians of the groups. The line is lowered by the quantile q
    of all values about it. Its variances come from leaving out one group after another (jackknife): ``(G − 1)/G Σ (θ_g
    − θ̄)(θ_g − θ̄)ᵀ``. A quantile jumps when values are left out, so its part in θ_g is the linear one, ``(share −
    F_g(q)) / f``, where F_g is the share below q of the remaining values and f the density at q, a difference quotient
    over the bandwidth of Hall and Sheather. The groups at both ends contribute most of the variance of the slope: t has
    ``(Σ c²)² / Σ c⁴`` degrees of freedom, at most G − 2, where c is the distance of a group from the middle. Groups,
    such as days, may also resemble the groups before them. So the variances are increased by the same factor by which
    the interval of the slope through the medians grows when this is taken into account
    (`teachlab.statistics.over_time.autocorrelated_line`).

    Simulated coverage of the time at nominal 95 % is at least 93 %, by lots and by stretches where no lots are named,
    with an intra-lot correlation up to 0.6, also if neighbouring lots correlate by 0.6. Without that correlation it is
    97 % or more (``benchmarks/coverages/trend.py``).

    References
    ----------
    Shao and Wu, A general theory for jackknife variance estimation, Annals of Statistics 17 (1989) 1176–1197; Hall and
    Sheather, On the distribution of a studentized quantile, Journal of the Royal Statistical Society B 50 (1988)
    381–391; Satterthwaite, Biometrics Bulletin 2 (1946) 110–114 (from memory). Their combination is this project's own.

    Examples
    --------
    >>> at = np.arange(96.0)
    >>> line = fit_lowered(at, 50 - 0.1 * at + np.tile([0, 1, 2, 3], 24), np.arange(96) // 8, share=0.25)
    >>> round(line.slope, 3), line.established
    (-0.1, True)
    """
    t, y, code = np.asarray(at, np.float64), np.asarray(values, np.float64), np.asarray(groups)
    of = np.bincount(code)
    if of.size < LEAST_GROUPS:
        return None
    order = np.split(np.argsort(code, kind="stable"), np.cumsum(of)[:-1])
    middle = np.array([np.median(y[rows]) for rows in order])
    place = np.array([t[rows].mean() for rows in order])
    line = fit_line(place, middle, confidence=confidence)
    if line is None:
        return None
    rest = y - (line.mean + line.slope * (t - line.mean_at))
    quantile, per_share = _quantile(rest, share)
    without = []
    for g, rows in enumerate(order):
        left = np.delete(place, g) - line.mean_at
        centred = left - left.mean()
        spread = float(centred @ centred)
        if not spread > 0:
            return None
        heights = np.delete(middle, g)
        slope = float(centred @ heights) / spread
        height = float(heights.mean()) - slope * float(left.mean())
        below = y < height + slope * (t - line.mean_at) + quantile
        less = (np.count_nonzero(below) - np.count_nonzero(below[rows])) / (y.size - of[g])
        without.append((height + (share - less) * per_share, slope))
    off = np.array(without) - np.mean(without, axis=0)
    covariance = (of.size - 1) / of.size * off.T @ off
    variances = (float(covariance[0, 0]), float(covariance[0, 1]), float(covariance[1, 1]))
    squares = (place - line.mean_at) ** 2
    freedom = min(of.size - 2.0, float(squares.sum()) ** 2 / float(squares @ squares))
    wider = _wider(line, place, middle, confidence)
    allowed = (variances[0] * wider, variances[1] * wider, variances[2] * wider)
    return _line(line.slope, (line.mean_at, line.mean + quantile), allowed, freedom, confidence)


def _wider(line: FittedLine, place: NDArray[np.float64], middle: NDArray[np.float64], confidence: float) -> float:
    """Return the factor by which variances grow if groups may resemble the groups before them."""
    plain = line.high - line.low
    step = float(np.median(np.diff(np.sort(place))))
    if not (plain > 0 and step > 0):
        return 1.0
    # Medians of groups hold little scatter, and the variances already include it.
    lasting = np.linspace(0.0, 0.98, 99)
    allowed = autocorrelated_line(place / step, middle, confidence=confidence, lasting=lasting, scatter=(0.0,))
    return max(1.0, (allowed.high - allowed.low) / (step * plain)) ** 2


def _quantile(rest: NDArray[np.float64], share: float) -> tuple[float, float]:
    """Return the quantile, and how much it changes per share."""
    z = float(ndtri(share))
    height = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    bandwidth = (float(ndtri(0.975)) ** 2 * 1.5 * height**2 / (2 * z * z + 1) / rest.size) ** (1 / 3)
    bandwidth = min(bandwidth, 0.999 * min(share, 1 - share))
    low, found, high = np.quantile(rest, (share - bandwidth, share, share + bandwidth))
    return float(found), float(high - low) / (2 * bandwidth)


def crossing(line: FittedLine, level: float) -> tuple[float | None, list[tuple[float, float]]]:
    """Return where a line reaches a level, and the set of places that the data do not exclude.

    `estimate`: None for a horizontal line.
    `places`: one interval if the slope is established; otherwise two half-lines, or the whole line.

    Notes
    -----
    With u = level − ȳ and d = place − t̄: all d with ``(u − b d)² ≤ t² (V_a + 2 d V_ab + d² V_b)``, which is Fieller's
    theorem for the ratio u / b. For a line by `fit_line`, ``V_a = s²/n``, ``V_ab = 0`` and ``V_b = s²/S_tt``: this is
    the profile likelihood of d for normal residuals (Student's t with n − 2).

    References
    ----------
    Fieller, Some problems in interval estimation, Journal of the Royal Statistical Society B 16 (1954) 175–185;
    Graybill and Iyer, Regression Analysis (1994), section 6.4 ("regulation").

    Examples
    --------
    >>> line = fit_line([0, 1, 2, 3, 4], [10, 9.1, 7.9, 7, 6.1])
    >>> estimate, [(low, high)] = crossing(line, 3)
    >>> round(estimate, 2), round(low, 2), round(high, 2)
    (7.07, 6.61, 7.63)
    """
    u, b = level - line.mean, line.slope
    quantile = float(stdtrit(line.freedom, (1 + line.confidence) / 2)) ** 2
    allowed, mixed, of_slope = (quantile * variance for variance in line.variances)
    estimate = None if b == 0 else line.mean_at + u / b
    a, half, c = b * b - of_slope, -u * b - mixed, u * u - allowed
    root = half * half - a * c
    if a > 0:
        reach = math.sqrt(max(0.0, root))
        # The root farther from zero is found by the sum of equal signs, the other one by their product: no digits are
        # lost.
        far = -(half + math.copysign(reach, half))
        ends = sorted((far / a, c / far if far else far / a))
        return estimate, [(line.mean_at + ends[0], line.mean_at + ends[1])]
    if a == 0 or root < 0:
        return estimate, [(-math.inf, math.inf)]
    reach = math.sqrt(root)
    ends = sorted(((-half - reach) / a, (-half + reach) / a))
    return estimate, [(-math.inf, line.mean_at + ends[0]), (line.mean_at + ends[1], math.inf)]


def fall_to(line: FittedLine, level: float, now: float) -> Ahead:
    """Return when a line falls to a level, counted from now.

    `now`: time at which the data end.
    """
    estimate, places = crossing(line, level)
    if line.low > 0:
        # The line certainly rises: what lies ahead is the place where it comes up through the level.
        return Ahead(estimate=None, earliest=None, latest=None)
    ahead = [(max(0.0, low - now), high - now) for low, high in places if high > now]
    # A line that certainly falls and has passed the level lies below it now.
    earliest, latest = (ahead[0][0], ahead[-1][1]) if ahead else (0.0, 0.0)
    until = max(0.0, estimate - now) if line.slope < 0 and estimate is not None else None
    return Ahead(estimate=until, earliest=earliest, latest=latest if math.isfinite(latest) else None)
