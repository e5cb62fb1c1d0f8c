"""A cumulative sum on passes that come in lots: a lot with low light is not yet a fall of the level."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, stdtrit

from teachlab.errors import ParameterError
from teachlab.statistics.lots import Source
from teachlab.statistics.over_time.autocorrelation import integrated_autocorrelation
from teachlab.statistics.over_time.cumulative_sums import (
    BASELINE_SHARE,
    FALSE_ALARM,
    SHIFT_SD,
    Sequential,
    run_length,
    sums_of,
    threshold_for,
)

LEAST_LOTS = 4
"""With fewer lots, the spread between them is unknown."""
SPREAD_ASSURANCE, MEAN_ASSURANCE = 0.8, 0.9
"""Probability that the standard deviation used is not below the true one, and that the mean used is not above it."""
BETWEEN_PASSES = 1.166
"""How much further a sum reaches if it is read after every pass instead of after every lot, in standard deviations."""
FIRST_LOTS = 3
"""Smallest number of lots whose mean serves as the level if there is no earlier recording."""
KNOWN = 10**9


@dataclass(frozen=True, slots=True, kw_only=True)
class LotLevel:
    """Level and spread of lots, for judging later passes.

    `lowest`: lower confidence limit of the mean.
    `spread`: upper confidence limit of the standard deviation of the mean of a lot.
    `size`: passes per lot.
    `lots`, `passes`: number of lots and passes that gave the mean.
    """

    mean: float
    lowest: float
    spread: float
    size: float
    lots: int
    passes: int
    source: Source


def level_of_lots(
    values: ArrayLike, lots: ArrayLike, *, source: Source = Source.LOTS, least: float = 0.0
) -> LotLevel | None:
    """Calculate level and spread from an earlier recording; None with fewer than four lots, or without any spread.

    `values` (shape (n,)): of every pass, without NaN.
    `lots` (shape (n,)): number of its lot.
    `source`: what the lots are. Stretches of passes may resemble their neighbours; labelled lots do not.
    `least`: standard deviation of a single value that is assumed at least: values that are equal by chance show none.

    Notes
    -----
    T_j is the sum of the m_j values of lot j of L lots, N = Σ m_j, and M the mean of all values. The standard deviation
    of the mean of a lot of m = N / L passes is ``s = sqrt(L / (L − 1) Σ (T_j − m_j M)² / (N m))``; for lots of equal
    size this is the standard deviation of their means. For stretches it is multiplied by the root of the integrated
    autocorrelation of their means, if that is above 1. Its upper limit at 80 % is ``s sqrt(ν / χ²_{0.2; ν})``, the
    lower limit of the mean at 90 % is ``M − t_{0.9; ν} s / sqrt(L)``, both with ν = L − 1.

    References
    ----------
    Siegmund, Sequential Analysis (1985), and Page (`statistics/over_time/cumulative_sums.py`), for the sum; limits of
    mean and standard deviation as in NIST/SEMATECH e-Handbook 7.2.2.1 and 7.2.3.1 (from memory). Their combination is
    this project's own.

    Examples
    --------
    >>> level = level_of_lots([3, 5, 6, 8, 4, 4, 7, 7], [0, 0, 1, 1, 2, 2, 3, 3])
    >>> level.mean, level.lots, level.size
    (5.5, 4, 2.0)
    """
    x, code = _checked(values, lots)
    of = np.bincount(code).astype(np.float64)
    count = of.size
    if count < LEAST_LOTS:
        return None
    mean, size = float(x.mean()), float(of.mean())
    off = np.bincount(code, x - mean)
    variance = float(off @ off) * count / (count - 1) / (x.size * size)
    if source is not Source.LOTS:
        variance *= max(1.0, integrated_autocorrelation(off / of) or 1.0)
    variance = max(variance, least * least / size)
    if not variance > 0:
        return None
    return _level(mean, math.sqrt(variance), count - 1.0, size, count, x.size, source)


def _level(mean: float, sd: float, freedom: float, size: float, lots: int, passes: int, source: Source) -> LotLevel:
    return LotLevel(
        mean=mean,
        lowest=mean - float(stdtrit(freedom, MEAN_ASSURANCE)) * sd / math.sqrt(lots),
        spread=sd * math.sqrt(freedom / float(chdtri(freedom, SPREAD_ASSURANCE))),
        size=size,
        lots=lots,
        passes=passes,
        source=source,
    )


def falling_below(
    values: ArrayLike, level: LotLevel, *, before: ArrayLike | None = None, chance: float = FALSE_ALARM
) -> Sequential | None:
    """Watch for a fall below the level of lots.

    `values` (shape (n,)): values that must not fall, pass by pass in time order, without NaN.
    `before` (shape (m,)): the passes that gave this level: what they themselves reach against it raises no alarm.
    `chance`: probability of an alarm if nothing changes.

    Notes
    -----
    ``S = max(0, S + ((lowest − x) / spread − k) / size)`` with k = 0.5: after a lot of m passes with mean y it has
    moved by about ``(lowest − y) / spread − k``. The threshold is that of `threshold_for` for as many lots as there are
    passes, plus 1.166, because the sum is also read within lots: a sum of normal values that is read only at intervals
    stays behind by this amount (Siegmund 1985). It is at least the largest sum of `before`, so that a recording never
    alarms against itself.

    Simulated with lots of 20, normal, of two kinds, or unequal, with an intra-lot correlation of 0 to 0.6, with 5 to 50
    baseline lots and 8 to 60 watched lots. If nothing changes, an alarm comes in at most 4 % of the recordings, with
    stretches instead of lots in at most 9 %; more often where one lot in ten is bad or lots have a long tail. A sum
    over passes that assumes independence alarms in up to 99.8 % (``benchmarks/coverages/alarms.py``).
    """
    x = np.asarray(values, np.float64).reshape(-1)
    if x.size == 0:
        return None
    threshold = threshold_for(math.ceil(x.size / level.size), KNOWN, chance=chance) + BETWEEN_PASSES
    if before is not None:
        threshold = max(threshold, float(_sums(np.asarray(before, np.float64).reshape(-1), level).max(initial=0.0)))
    sums = _sums(x, level)
    over = sums > threshold
    alarm = int(np.argmax(over)) if over.any() else None
    return Sequential(
        alarm=alarm,
        since=None if alarm is None else int(np.flatnonzero(sums[:alarm] == 0).max(initial=-1)) + 1,
        largest=float(sums.max()),
        run_length=run_length(SHIFT_SD, threshold - BETWEEN_PASSES) * level.size,
        threshold=threshold,
        baseline=level.passes,
        source=str(level.source),
        lots=level.lots,
    )


def falling_within(
    values: ArrayLike,
    lots: ArrayLike,
    *,
    source: Source = Source.LOTS,
    least: float = 0.0,
    chance: float = FALSE_ALARM,
) -> Sequential | None:
    """Watch for a fall below the level of the first lots of the same recording.

    `values` (shape (n,)): pass by pass in time order, without NaN.
    `lots` (shape (n,)): number of its lot, or of its stretch of passes, in time order.
    `source`, `least`, `chance`: as of `level_of_lots` and `falling_below`.

    The result is None with fewer than six lots, or without any spread.

    Notes
    -----
    The level is that of the first fifth of the lots, at least three. So few do not show the spread. The spread is that
    of all lots by their mean moving range, ``MR / 1.128``, on which a fall that happens once has little influence; ν =
    0.605 (L − 1), from the variance of the mean moving range of normal values. The sum is that of `falling_below`.

    References
    ----------
    Moving range: NIST/SEMATECH e-Handbook 6.3.2.2 (from memory). ν by this project's own calculation.
    """
    x, code = _checked(values, lots)
    of = np.bincount(code).astype(np.float64)
    first = max(FIRST_LOTS, math.ceil(BASELINE_SHARE * of.size))
    if of.size < 2 * FIRST_LOTS:
        return None
    means = np.bincount(code, x) / of
    size = float(of.mean())
    sd = max(float(np.abs(np.diff(means)).mean()) * math.sqrt(math.pi) / 2, least / math.sqrt(size))
    if not sd > 0:
        return None
    learnt = int(of[:first].sum())
    level = _level(float(x[:learnt].mean()), sd, 0.605 * (of.size - 1), size, first, learnt, source)
    found = falling_below(x[learnt:], level, chance=chance)
    return None if found is None else found.at_rows(np.arange(learnt, x.size))


def _sums(x: NDArray[np.float64], level: LotLevel) -> NDArray[np.float64]:
    return sums_of(((level.lowest - x) / level.spread - SHIFT_SD / 2) / level.size)


def _checked(values: ArrayLike, lots: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    x, given = np.asarray(values, np.float64).reshape(-1), np.asarray(lots).reshape(-1)
    if x.shape != given.shape or not np.isfinite(x).all():
        raise ParameterError("every pass needs a finite value and the number of its lot.")
    # In the order in which they came.
    _, begin, code = np.unique(given, return_index=True, return_inverse=True)
    return x, np.argsort(np.argsort(begin))[code]
