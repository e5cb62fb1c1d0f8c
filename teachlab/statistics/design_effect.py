"""How much more counts vary between lots than independent ones would: the design effect and its upper limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtr, ndtri, stdtr, stdtrit

ASSURANCE = 0.6
"""With this probability the design effect used is not below the true one, if the lots' spreads are normal."""


@dataclass(frozen=True, slots=True)
class LotSpread:
    """Spread of counts between lots: lots with events, lots that account for the spread, and the design effect."""

    hit: int
    contributing: float
    effect: float | None


def spread_of(lost: NDArray[Any], of: NDArray[Any], least: float = 1.0) -> LotSpread:
    """Return the spread of events between lots with trials; the design effect is at least `least`."""
    n, lots, hit = float(of.sum()), of.size, int(np.count_nonzero(lost))
    p = float(lost.sum()) / n
    if not 0 < p < 1:
        return LotSpread(hit, 0.0, None)
    squares = (lost - of * p) ** 2
    effect = float(squares.sum()) * lots / (lots - 1) / (n * p * (1 - p))
    return LotSpread(hit, contributing(squares, hit), max(effect, least) if least > 1 else effect)


def contributing(squares: NDArray[Any], hit: int) -> float:
    """Return how many squared deviations account for their sum, at most the number of lots with events.

    Notes
    -----
    ``(Σ s)² / Σ s²``, as in Satterthwaite's degrees of freedom (Biometrics Bulletin 2 (1946) 110–114).
    """
    total = float(squares.sum())
    return float(hit) if total == 0 else min(float(hit), total**2 / float((squares**2).sum()))


def inflated(effect: float, carried_by: float, confidence: float) -> float:
    """Return the upper limit of a variance ratio that so many lots account for, including the quantile of t.

    `effect`: the measured ratio.
    `carried_by`: at least 2.
    `confidence`: two-sided confidence of the interval in which the limit is used.
    """
    df = carried_by - 1
    confidence = max(confidence, 1e-9)  # both quantiles are 0 at 0; their ratio has a limit
    few = float(stdtrit(df, (1 + confidence) / 2) / ndtri((1 + confidence) / 2)) ** 2
    return _without_t(effect, df) * few


def _without_t(effect: float, df: float) -> float:
    return max(1.0, effect) * max(1.0, df / float(chdtri(df, ASSURANCE)))


def p_inflated(z: float, spread: LotSpread, ceiling: float) -> float:
    """Return the two-sided p-value of a normal statistic whose variance is increased by `upper_limit`.

    `z`: the statistic calculated for independent trials.

    Notes
    -----
    The limit at confidence 1 − α is ``min(c, v (t_{1−α/2} / z_{1−α/2})²)``, where c is the ceiling and v does not
    depend on α. So ``|z| / sqrt(limit) > z_{1−α/2}`` if ``|z| / sqrt(v)`` exceeds the quantile of t, or ``|z| /
    sqrt(c)`` that of the normal distribution. The p-value is the smaller of the two.
    """
    by_ceiling = 2 * float(ndtr(-abs(z) / ceiling**0.5))
    if spread.effect is None or spread.contributing < 2:
        return by_ceiling
    df = spread.contributing - 1
    return min(by_ceiling, 2 * float(stdtr(df, -abs(z) / _without_t(spread.effect, df) ** 0.5)))


def upper_limit(spread: LotSpread, confidence: float, ceiling: float) -> float:
    """Return the design effect to be used: the ceiling if fewer than two lots account for the spread."""
    if spread.effect is None or spread.contributing < 2:
        return ceiling
    return min(ceiling, inflated(spread.effect, spread.contributing, confidence))


def ceiling_of(of: NDArray[Any]) -> float:
    """Return the design effect of lots that are lost as a whole."""
    return max(1.0, float((of.astype(np.float64) ** 2).sum()) / float(of.sum()))
