"""What a few taught values show about all future ones: by their range, and by mean and spread if they are normal."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import betainc, betaincc, chdtr, chdtrc, chndtrix, ndtr, ndtri

from teachlab.errors import ParameterError, check_least, check_share
from teachlab.model.arrays import Floats
from teachlab.model.json_values import Document
from teachlab.sensor.clock import exact
from teachlab.statistics.planning import EXACT_UP_TO, NEAR

REACH = 12.0
"""Means further than this many standard errors from the true mean are left out (2e-33)."""
FARTHEST = 1e9
MOST_VALUES = 10**6
"""More values count as this many: beyond, χ² is not exact in its tails, and the claim is hardly weaker."""
NODES = 400
"""Nodes of the Gauss–Legendre rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceClaim(Document):
    """What a number of taught values shows about all future ones.

    `values`: number of taught values: readings, passes or gaps, independent of each other.
    `share`, `confidence`: the question: the share of all future values, and the confidence.
    `range_confidence`, `extreme_confidence`: confidence that the share lies within the range of the values, and on the
    inner side of their extreme.
    `values_for_range`, `values_for_extreme`: fewest values with which that has the confidence asked for.
    `factor`, `factor_both`: if values are normal: distance from the mean in standard deviations beyond which at most
    the rest lies, on one side, and on both sides together; None for a single value.
    """

    values: int
    share: float
    confidence: float
    range_confidence: float
    extreme_confidence: float
    values_for_range: int
    values_for_extreme: int
    factor: float | None
    factor_both: float | None


def tolerance_claim(values: int, share: float, confidence: float) -> ToleranceClaim:
    """Return what `values` taught values show about all future ones.

    Examples
    --------
    >>> found = tolerance_claim(25, 0.9, 0.95)
    >>> round(found.range_confidence, 3), found.values_for_range, round(found.factor, 3)
    (0.729, 46, 1.838)
    """
    return ToleranceClaim(
        values=values,
        share=share,
        confidence=confidence,
        range_confidence=coverage_confidence(values, share),
        extreme_confidence=coverage_confidence(values, share, sides=1),
        values_for_range=samples_for_coverage(share, confidence),
        values_for_extreme=samples_for_coverage(share, confidence, sides=1),
        factor=tolerance_factor(values, share, confidence) if values > 1 else None,
        factor_both=tolerance_factor(values, share, confidence, sides=2) if values > 1 else None,
    )


def coverage_confidence(samples: int, share: float, *, sides: int = 2) -> float:
    """Return the confidence that the range of `samples` values holds at least `share` of all future ones.

    `samples`: at least 1, independent.
    `share`: in (0, 1).
    `sides`: 2: between the smallest and the largest value; 1: only below the largest (or above the smallest).

    Notes
    -----
    ``1 − n p^(n−1) + (n − 1) p^n``, one-sided ``1 − p^n``, for any continuous distribution. So the next value lies
    beyond the largest of n with a probability of ``1 / (n + 1)``.

    References
    ----------
    Wilks, Annals of Mathematical Statistics 12 (1941) 91–96; NIST/SEMATECH e-Handbook 7.2.6.4.

    Examples
    --------
    >>> round(coverage_confidence(25, 0.9), 3), round(coverage_confidence(59, 0.95, sides=1), 4)
    (0.729, 0.9515)
    """
    check_share("share", share)
    check_least("samples", samples, 1)
    _sides(sides)
    # Calculated from the rest: a float share of 0.999999999 has an error of a ten-millionth of its rest.
    return float(betainc(sides, samples - sides + 1, _rest(share))) if samples >= sides else 0.0


def samples_for_coverage(share: float, confidence: float, *, sides: int = 2) -> int:
    """Return the fewest values whose range holds `share` of all future ones at this confidence.

    Examples
    --------
    >>> samples_for_coverage(0.95, 0.95), samples_for_coverage(0.95, 0.95, sides=1)
    (93, 59)
    """
    check_share("share", share)
    check_share("confidence", confidence)
    _sides(sides)
    rest, doubt = _rest(share), _rest(confidence)

    def enough(n: int) -> bool:
        chance = float(betaincc(sides, n - sides + 1, rest))
        if n > EXACT_UP_TO or abs(chance / doubt - 1) > NEAR:
            return chance <= doubt
        p = exact(share)
        return (p**n if sides == 1 else n * p ** (n - 1) - (n - 1) * p**n) <= 1 - exact(confidence)

    high = sides
    while not enough(high):
        high *= 2
    return bisect_left(range(high), True, lo=max(sides, high // 2), key=enough)


def tolerance_factor(samples: int, share: float, confidence: float, *, sides: int = 1) -> float:
    """Return how many standard deviations from the mean hold `share` of all future values, if they are normal.

    `samples`: independent values from which mean and standard deviation (divisor n − 1) come, at least 2.
    `share`, `confidence`: in (0, 1).
    `sides`: 1: for one level, on one side of the mean; 2: for a window, between mean − k·s and mean + k·s.

    Notes
    -----
    One-sided ``k = t'_{C; n−1}(z_p √n) / √n``, the quantile of a non-central t, from
    ``∫ φ(x) P(χ²_{n−1} ≥ (n − 1) (z_p − x/√n)² / k²) dx = C`` over the mean's error of x standard errors.
    Two-sided, the same with ``r²`` in place of ``(z_p − x/√n)²``: the interval of half-width r around that
    mean holds the share, so r² is the p quantile of a non-central χ² with one degree of freedom and
    non-centrality ``x²/n``. Exact, not Howe's approximation.

    The population figure of a margin is the same number: a level k standard deviations below the mean of n passes
    misses at most ``1 − p`` of them, at this confidence.

    References
    ----------
    NIST/SEMATECH e-Handbook 7.2.6.3; ISO 16269-6 (from memory); Wald and Wolfowitz, Annals of Mathematical
    Statistics 17 (1946) 208–215.

    Examples
    --------
    >>> round(tolerance_factor(43, 0.9, 0.99), 4), round(tolerance_factor(43, 0.9, 0.99, sides=2), 4)
    (1.874, 2.2228)
    """
    check_share("share", share)
    check_share("confidence", confidence)
    check_least("samples", samples, 2)
    _sides(sides)
    samples = min(samples, MOST_VALUES)
    if sides == 1:
        quantile = float(ndtri(share))
        return _rising(lambda factor: _held(factor, quantile, samples) - confidence, quantile)
    return math.exp(_rising(lambda log: _held_between(math.exp(log), share, samples) - confidence, 0.0))


def share_beyond(figure: float, samples: int, confidence: float) -> float:
    """Return the largest share of normal values beyond a level that is `figure` standard deviations from their mean.

    `figure` (standard deviations): as the population figure of a margin; negative if the level lies beyond the mean.
    `samples`: independent values from which mean and standard deviation come, at least 2.
    `confidence` (in (0, 1)): one-sided.
    It is based on a model: valid only for normal values like the observed ones. It is the inverse of
    `tolerance_factor`.

    Examples
    --------
    >>> round(share_beyond(4.2, 40, 0.95), 6)
    0.000382
    """
    check_share("confidence", confidence)
    check_least("samples", samples, 2)
    if not math.isfinite(figure):
        raise ParameterError(f"figure must be a finite number of standard deviations, got {figure:g}.")
    samples = min(samples, MOST_VALUES)
    # Beyond this, the share is too small to be given.
    figure = max(-FARTHEST, min(FARTHEST, figure))
    # If the level is fewer deviations away, the same mean and spread hold it with more confidence.
    return float(ndtr(_rising(lambda minus: _held(figure, -minus, samples) - confidence, -figure)))


def _held(factor: float, quantile: float, samples: int) -> float:
    """Return the chance that mean + factor · sd of `samples` standard normal values is at least `quantile`.

    scipy's non-central t returns NaN at some arguments (1.17: 3,000 values, 1.7 standard deviations at 95 %). Of the
    two integrals, the one whose integrand is smooth on the scale of its weight is used.
    """
    if abs(factor) < 2:
        return _over_spread(factor, quantile, samples)
    root, df = math.sqrt(samples), samples - 1
    # Where the mean alone passes the quantile, the integrand has a corner.
    corner = max(-REACH, min(REACH, quantile * root))
    total = 0.0
    for low, high in ((-REACH, corner), (corner, REACH)):
        x, weight = nodes_between(low, high)
        weight = weight * np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)
        short = quantile - x / root
        least = df * (short / factor) ** 2
        beyond = chdtrc(df, least) if factor > 0 else chdtr(df, least)
        total += float(weight @ np.where((short <= 0) == (factor > 0), 1.0 if factor > 0 else 0.0, beyond))
    return total


def _over_spread(factor: float, quantile: float, samples: int) -> float:
    """Return the same by integration over the standard deviation, 1 + u."""
    df = samples - 1
    reach = REACH / math.sqrt(2 * df)
    u, weight = nodes_between(max(-1.0, -reach), reach)
    # Density of chi / sqrt(df) without its constant, in terms of u so that it does not cancel for large df.
    log_density = df * (np.log1p(u) - u - u * u / 2) - np.log1p(u)
    weight = weight * np.exp(log_density - log_density.max())
    held = ndtr(math.sqrt(samples) * (factor * (1 + u) - quantile))
    return float(weight @ held) / float(weight.sum())


def _held_between(factor: float, share: float, samples: int) -> float:
    """Return the chance that mean ± factor · sd of `samples` standard normal values holds `share` of them."""
    x, weight = nodes_between(0.0, REACH)
    weight = weight * np.exp(-(x**2) / 2) * math.sqrt(2 / math.pi)
    squared = chndtrix(share, 1, x**2 / samples)
    return float(weight @ chdtrc(samples - 1, (samples - 1) * squared / factor**2))


_rule = cache(np.polynomial.legendre.leggauss)


def nodes_between(low: float, high: float, nodes: int = NODES) -> tuple[Floats, Floats]:
    """Return places between two limits and their weights, by the rule of Gauss and Legendre."""
    node, weight = _rule(nodes)
    return low + (high - low) * (node + 1) / 2, weight * (high - low) / 2


def _rising(surplus: Callable[[float], float], start: float) -> float:
    """Return the zero of a function that rises with its argument."""
    from scipy.optimize import brentq

    step = 1.0 + abs(start)
    low = high = start
    while surplus(low) > 0:
        low, step = low - step, 2 * step
    while surplus(high) < 0:
        high, step = high + step, 2 * step
    return float(brentq(surplus, low, high, xtol=1e-13, rtol=1e-13, maxiter=1000))


def _rest(share: float) -> float:
    """Return one minus a share as it is written: 1e-12 for 0.999999999999."""
    return float(1 - exact(share))


def _sides(sides: int) -> None:
    if sides not in (1, 2):
        raise ParameterError(f"sides must be 1 or 2, got {sides}.")
