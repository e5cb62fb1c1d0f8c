"""Differences of two rates with intervals: paired on the same passes, unpaired, and per time."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri

from teachlab.errors import ParameterError, check_share
from teachlab.model.json_values import Document

TINY = 1e-20
"""Rates and their differences are found to this absolute accuracy, and to twelve digits."""
PERMUTATIONS = 1999
"""Random divisions of lots: at p = 0.025 the standard error of p is 0.0035, by the binomial distribution."""
MOST_AT_ONCE = 10**6
"""Lots in random divisions that are held at once: 8 MB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference(Document):
    """A difference, or ratio, of two rates with its interval.

    `estimate`: first minus second, or first divided by second; None without data.
    `low`, `high`: two-sided interval.
    """

    estimate: float | None
    low: float
    high: float
    confidence: float
    method: str


def p_mid(only_first: int, only_second: int) -> float:
    """Return the two-sided mid-p value of McNemar's test: the exact one minus the probability of the observed result.

    References
    ----------
    Fagerland, Lydersen and Laake, The McNemar test for binary matched-pairs data: mid-p and asymptotic are
    better than exact conditional, BMC Medical Research Methodology 13:91 (2013).

    Examples
    --------
    >>> p_mid(1, 7), p_mid(3, 3), p_mid(0, 0)
    (0.0390625, 1.0, 1.0)
    """
    from scipy.special import bdtr

    n, fewer = only_first + only_second, min(only_first, only_second)
    if n == 0:
        return 1.0
    below = float(bdtr(fewer - 1, n, 0.5)) if fewer else 0.0
    return min(1.0, float(bdtr(fewer, n, 0.5)) + below)


def p_more_by_lots(now: tuple[ArrayLike, ArrayLike], before: tuple[ArrayLike, ArrayLike]) -> float:
    """Return how often a random division of the lots of two periods gives at least as large a rise of the rate.

    `now`, `before` (pairs of array_like, shape (lots,)): events and trials of every lot.

    Notes
    -----
    The permutation test is exact for lots that come from one line in any order, however much the passes of a lot
    resemble each other, and however rare bad lots are. The observed division counts as one of the permutations.

    References
    ----------
    Phipson and Smyth, Permutation p-values should never be zero, Statistical Applications in Genetics and Molecular
    Biology 9 (2010) 39 (from memory).

    Examples
    --------
    >>> five = [50] * 5
    >>> p_more_by_lots(([4, 5, 4, 6, 5], five), ([0, 1, 0, 0, 1], five)) < 0.01
    True
    >>> p_more_by_lots(([25, 0, 0, 0, 0], five), ([0] * 5, five)) > 0.4
    True
    """
    events, trials = (np.concatenate([np.asarray(one[k], np.float64) for one in (now, before)]) for k in (0, 1))
    of_now, rng = np.arange(events.size) < np.asarray(now[0]).size, np.random.default_rng(0)

    def rise(divisions: NDArray[np.bool_]) -> NDArray[np.float64]:
        k, n = divisions @ events, divisions @ trials
        rates = [
            np.divide(a, b, out=np.zeros_like(a), where=b > 0)
            for a, b in ((k, n), (events.sum() - k, trials.sum() - n))
        ]
        out: NDArray[np.float64] = rates[0] - rates[1]
        return out

    # Slightly below: divisions with the same rise as the observed one count, however the sums are rounded.
    least = float(rise(of_now[None])[0]) - 1e-12
    at_once = max(1, MOST_AT_ONCE // events.size)
    as_large = 0
    for first in range(0, PERMUTATIONS, at_once):
        divisions = np.tile(of_now, (min(at_once, PERMUTATIONS - first), 1))
        as_large += int(np.count_nonzero(rise(rng.permuted(divisions, axis=1)) >= least))
    return (1 + as_large) / (1 + PERMUTATIONS)


def tango(only_first: float, only_second: float, trials: float, confidence: float = 0.95) -> Difference:
    """Return the difference of two paired rates with Tango's score interval.

    Parameters
    ----------
    only_first, only_second : float
        Discordant trials. They need not be whole numbers, for example where passes resemble each other.
    trials : float
        All trials valid under both.

    Notes
    -----
    The limits are the δ at which ``(b − c − nδ) / sqrt(n (2 q + δ (1 − δ)))`` equals ±z, with q the
    maximum-likelihood probability of the second kind of discordance for that δ.

    References
    ----------
    Tango, Equivalence test and confidence interval for the difference in proportions for the paired-sample
    design, Statistics in Medicine 17 (1998) 891–908.

    Examples
    --------
    >>> found = tango(9, 3, 32)
    >>> round(found.low, 3), round(found.high, 3)
    (-0.027, 0.39)
    """
    check_share("confidence", confidence)
    if min(only_first, only_second) < 0 or only_first + only_second > trials * (1 + 1e-12):
        raise ParameterError(
            f"discordant trials ({only_first} and {only_second}) must not be negative or exceed all trials ({trials})."
        )
    if trials == 0:
        return Difference(estimate=None, low=-1.0, high=1.0, confidence=confidence, method="Tango")
    b, c, n = only_first, only_second, trials

    def statistic(delta: float) -> float:
        half = -b - c + (2 * n - b + c) * delta
        root = math.sqrt(max(0.0, half * half + 8 * n * c * delta * (1 - delta)))
        # This form avoids the difference of two nearly equal numbers.
        q = max(0.0, 2 * c * delta * (1 - delta) / (root + half) if half > 0 else (root - half) / (4 * n))
        return _over_root(b - c - n * delta, n * (2 * q + delta * (1 - delta)))

    low, high = _limits(statistic, (b - c) / n, confidence)
    return Difference(estimate=(b - c) / n, low=low, high=high, confidence=confidence, method="Tango")


def wilson(events: float, trials: float, confidence: float = 0.95) -> tuple[float, float]:
    """Return Wilson's score limits of a proportion: a part of Newcombe's interval, not a claim by itself.

    References
    ----------
    Wilson, Probable inference, the law of succession, and statistical inference, JASA 22 (1927) 209–212.
    """
    z2 = float(ndtri((1 + confidence) / 2)) ** 2
    p = events / trials
    middle, root = p + z2 / (2 * trials), math.sqrt(z2 * (p * (1 - p) / trials + z2 / (4 * trials * trials)))
    scale = 1 + z2 / trials
    low = 0.0 if events == 0 else (middle - root) / scale
    return low, 1.0 if events == trials else (middle + root) / scale


def newcombe(first: tuple[float, float], second: tuple[float, float], confidence: float = 0.95) -> Difference:
    """Return the difference of two independent rates with Newcombe's hybrid score interval.

    Parameters
    ----------
    first, second : (events, trials)
        They need not be whole numbers, for example where passes resemble each other.

    References
    ----------
    Newcombe, Interval estimation for the difference between independent proportions, Statistics in Medicine
    17 (1998) 873–890, method 10.

    Examples
    --------
    >>> found = newcombe((56, 70), (48, 80))
    >>> round(found.low, 4), round(found.high, 4)
    (0.0524, 0.3339)
    """
    if (empty := _checked(first, second, confidence, "Newcombe")) is not None:
        return empty
    p1, p2 = first[0] / first[1], second[0] / second[1]
    (l1, u1), (l2, u2) = wilson(*first, confidence), wilson(*second, confidence)
    low, high = p1 - p2 - math.hypot(p1 - l1, u2 - p2), p1 - p2 + math.hypot(u1 - p1, p2 - l2)
    return Difference(
        estimate=p1 - p2, low=max(-1.0, low), high=min(1.0, high), confidence=confidence, method="Newcombe"
    )


def miettinen_nurminen(
    first: tuple[int, int], second: tuple[int, int], confidence: float = 0.95, *, corrected: bool = True
) -> Difference:
    """Return the difference of two independent rates with the score interval of Miettinen and Nurminen.

    Parameters
    ----------
    first, second : (events, trials)
    corrected : bool
        Whether the variance is multiplied by ``N / (N − 1)``; without it the interval is Mee's.

    Notes
    -----
    The limits are the δ at which ``(p1 − p2 − δ) / sqrt(V(δ))`` equals ±z. V is taken at the most likely rates among
    those that differ by δ.

    References
    ----------
    Miettinen and Nurminen, Comparative analysis of two rates, Statistics in Medicine 4 (1985) 213–226; Mee,
    Biometrics 40 (1984) 1175–1176.

    Examples
    --------
    >>> found = miettinen_nurminen((7, 34), (1, 34))
    >>> round(found.low, 7), round(found.high, 7)
    (0.0270416, 0.3452912)
    """
    name = "Miettinen–Nurminen" if corrected else "Mee"
    if (empty := _checked(first, second, confidence, name)) is not None:
        return empty
    (x1, n1), (x2, n2) = first, second
    estimate, factor = x1 / n1 - x2 / n2, (n1 + n2) / (n1 + n2 - 1) if corrected else 1.0

    def statistic(delta: float) -> float:
        p2 = _restricted(x1, n1, x2, n2, delta)
        p1 = min(1.0, max(0.0, p2 + delta))
        return _over_root(estimate - delta, factor * (p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2))

    low, high = _limits(statistic, estimate, confidence)
    return Difference(estimate=estimate, low=low, high=high, confidence=confidence, method=name)


def rate_ratio(
    first: tuple[int, float], second: tuple[int, float], confidence: float = 0.95
) -> tuple[Difference, float, float]:
    """Compare two counts per time by the conditional test.

    Parameters
    ----------
    first, second : (events, exposure)

    Returns
    -------
    ratio : Difference
        First rate divided by second rate; the limits follow from Clopper and Pearson's for the first count among all
        events.
    p_exact, p_mid : float
        Two-sided. `p_exact`: the probability, given all events, of every split that is at most as likely as the
        observed one. `p_mid`: the same with half the probability of the equally likely splits.

    References
    ----------
    Przyborowski and Wilenski, Homogeneity of results in testing samples from Poisson series, Biometrika 31
    (1940) 313–323.

    Examples
    --------
    >>> ratio, p_exact, _ = rate_ratio((11, 800), (21, 3011))
    >>> round(ratio.estimate, 6), round(ratio.low, 5), round(ratio.high, 5), round(p_exact, 6)
    (1.971488, 0.85843, 4.27727, 0.079669)
    """
    check_share("confidence", confidence)
    (x1, t1), (x2, t2) = first, second
    if min(x1, x2) < 0 or not (t1 > 0 and t2 > 0 and math.isfinite(t1 + t2)):
        raise ParameterError(f"events must be at least 0 and exposures above 0, got {first} and {second}.")
    n, alpha = x1 + x2, 1 - confidence
    if n == 0:
        return Difference(estimate=None, low=0.0, high=math.inf, confidence=confidence, method="conditional"), 1.0, 1.0
    low = 0.0 if x1 == 0 else float(betaincinv(x1, x2 + 1, alpha / 2))
    high = 1.0 if x2 == 0 else float(betaincinv(x1 + 1, x2, 1 - alpha / 2))

    def ratio(share: float) -> float:
        return math.inf if share == 1 else share / (1 - share) * t2 / t1

    estimate = ratio(x1 / n)
    p_exact, p_half = _split_p(x1, n, t1 / (t1 + t2))
    found = Difference(estimate=estimate, low=ratio(low), high=ratio(high), confidence=confidence, method="conditional")
    return found, p_exact, p_half


def _split_p(x: int, n: int, share: float) -> tuple[float, float]:
    """Return the probability of all splits at most as likely as the observed one, and with half of the equal ones."""
    from scipy.stats import binom

    def chance(k: int) -> float:
        return float(binom.pmf(k, n, share))

    def at_most(bound: float) -> float:
        """Return the probability of all splits with at most this probability: it rises to the mode and falls beyond."""
        mode = min(n, math.floor((n + 1) * share))
        if chance(mode) <= bound:
            return 1.0
        above = bisect_left(range(mode), True, key=lambda k: chance(k) > bound)
        beyond = bisect_left(range(n + 1), True, lo=mode + 1, key=lambda k: chance(k) <= bound)
        return float(binom.cdf(above - 1, n, share) + binom.sf(beyond - 1, n, share))

    # Equal probabilities may differ in the last digits.
    seen = chance(x)
    p_exact, p_below = at_most(seen * (1 + 1e-7)), at_most(seen * (1 - 1e-7))
    return min(1.0, p_exact), min(1.0, (p_exact + p_below) / 2)


def _checked(
    first: tuple[float, float], second: tuple[float, float], confidence: float, name: str
) -> Difference | None:
    check_share("confidence", confidence)
    for events, trials in (first, second):
        if not 0 <= events <= trials:
            raise ParameterError(f"events must lie between 0 and trials ({trials}), got {events}.")
    if first[1] and second[1]:
        return None
    return Difference(estimate=None, low=-1.0, high=1.0, confidence=confidence, method=name)


def _restricted(x1: int, n1: int, x2: int, n2: int, delta: float) -> float:
    """Return the most likely second rate among pairs of rates that differ by `delta`.

    It is the zero of the derivative of the likelihood, ``x1/p1 − (n1 − x1)/(1 − p1) + x2/p2 − (n2 − x2)/(1 − p2)``,
    which falls everywhere. The closed form of the cubic equation loses rates below 1e-8 to rounding.
    """
    from scipy.optimize import brentq

    def slope(p2: float) -> float:
        # Multiplied by the divisors of all terms present, so that it stays finite at both ends.
        p1 = p2 + delta
        terms = [(x1, p1), (x1 - n1, 1 - p1), (x2, p2), (x2 - n2, 1 - p2)]
        shares = [share for weight, share in terms if weight]
        return sum(
            weight / n2 * math.prod(shares[:k] + shares[k + 1 :])
            for k, weight in enumerate(weight for weight, _ in terms if weight)
        )

    low, high = max(0.0, -delta), min(1.0, 1.0 - delta)
    if slope(low) <= 0:
        return low
    if slope(high) >= 0:
        return high
    return float(brentq(slope, low, high, xtol=TINY, maxiter=1000))


def _over_root(distance: float, variance: float) -> float:
    """Return a distance in standard deviations; it is bounded if there is no variance."""
    if distance == 0:
        return 0.0
    far = 1e9
    if variance <= 0:
        return math.copysign(far, distance)
    return max(-far, min(far, distance / math.sqrt(variance)))


def _limits(statistic: Callable[[float], float], estimate: float, confidence: float) -> tuple[float, float]:
    """Return the values at which a statistic that falls with its argument equals +z and −z."""
    from scipy.optimize import brentq

    z = float(ndtri((1 + confidence) / 2))

    def crossing(inner: float, outer: float, target: float) -> float:
        if (statistic(outer) - target) * (statistic(inner) - target) >= 0:
            return outer
        return float(brentq(lambda delta: statistic(delta) - target, inner, outer, xtol=TINY, rtol=1e-12))

    return crossing(estimate, -1.0, z), crossing(estimate, 1.0, -z)
