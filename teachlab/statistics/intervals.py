"""Exact intervals: Clopper–Pearson for proportions, Garwood for counts."""

from __future__ import annotations

import math

from scipy.special import betainccinv, betaincinv, gammainccinv, gammaincinv

from teachlab.errors import ParameterError, check_share
from teachlab.model.score import CountRate, Rate


def proportion(events: int, trials: int, confidence: float = 0.95) -> Rate:
    """Return a proportion with its Clopper–Pearson interval and one-sided upper bound.

    Parameters
    ----------
    events, trials : int
        ``0 <= events <= trials``. Without trials there is no estimate and the interval is [0, 1].
    confidence : float
        Strictly between 0 and 1.

    Notes
    -----
    The limits are quantiles of beta distributions: ``B(α/2; k, n − k + 1)`` and ``B(1 − α/2; k + 1, n − k)``;
    the one-sided upper bound is ``B(1 − α; k + 1, n − k)``.

    References
    ----------
    Clopper and Pearson, The use of confidence or fiducial limits illustrated in the case of the binomial,
    Biometrika 26 (1934) 404–413.

    Examples
    --------
    >>> rate = proportion(0, 299)
    >>> round(rate.upper, 6), round(rate.high, 6)
    (0.009969, 0.012262)
    """
    check_share("confidence", confidence)
    if not 0 <= events <= trials:
        raise ParameterError(f"events must lie between 0 and trials ({trials}), got {events}.")
    low, high, upper = proportion_limits(events, trials, confidence)
    return Rate(events, trials, events / trials if trials else None, low, high, upper, confidence)


def proportion_limits(events: float, trials: float, confidence: float) -> tuple[float, float, float]:
    """Return Clopper–Pearson's interval and one-sided upper bound, as `proportion`, for counts that need not be whole.

    Effective numbers of events and trials are not whole numbers where passes of a lot resemble each other.
    """
    alpha = 1 - confidence

    def above(tail: float) -> float:
        return 1.0 if events >= trials else float(betainccinv(events + 1, trials - events, tail))

    low = float(betaincinv(events, trials - events + 1, alpha / 2)) if events > 0 else 0.0
    return low, above(alpha / 2), above(alpha)


def count(events: int, exposure: float, confidence: float = 0.95, *, per: str = "hour") -> CountRate:
    """Return a count per unit of exposure with its Garwood interval and one-sided upper bound.

    Parameters
    ----------
    events : int
        At least 0.
    exposure : float
        Hours, passes and so on; without exposure there is no estimate and the interval is [0, ∞).
    confidence : float
        Strictly between 0 and 1.
    per : str
        Unit of the exposure.

    Notes
    -----
    The limits are quantiles of gamma distributions divided by the exposure: ``Γ(α/2; k)`` and
    ``Γ(1 − α/2; k + 1)``, equal to half the χ² quantiles with 2k and 2k + 2 degrees of freedom.

    References
    ----------
    Garwood, Fiducial limits for the Poisson distribution, Biometrika 28 (1936) 437–442.

    Examples
    --------
    >>> round(count(0, 8.0).upper, 3), round(count(2, 8.0).high, 3)
    (0.374, 0.903)
    """
    check_share("confidence", confidence)
    if events < 0 or not 0 <= exposure < math.inf:
        raise ParameterError(f"events and exposure must be finite and at least 0, got {events} in {exposure} {per}.")
    if exposure == 0:
        return CountRate(events, 0.0, per, None, 0.0, math.inf, math.inf, confidence)
    low, high, upper = count_limits(events, exposure, confidence)
    return CountRate(events, exposure, per, events / exposure, low, high, upper, confidence)


def count_limits(events: float, exposure: float, confidence: float) -> tuple[float, float, float]:
    """Return Garwood's interval and one-sided upper bound for counts that need not be whole numbers."""
    alpha = 1 - confidence
    low = float(gammaincinv(events, alpha / 2)) / exposure if events > 0 else 0.0
    high, upper = (float(gammainccinv(events + 1, tail)) / exposure for tail in (alpha / 2, alpha))
    return low, high, upper
