"""Alarms that come before the first lost pass: a sequential test on the level, and an alarm on the margin."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from teachlab.errors import ParameterError, check_least
from teachlab.model.json_values import Document
from teachlab.statistics.tolerance import nodes_between

# The sum of shortfalls beyond half the shift that matters, never below 0, alarms above a threshold h:
#
#     values  * * *  * *  * *  *                            mean ± noise, then one deviation lower
#                               *  * *  * *
#     sum                            /|  <- alarm: the sum has climbed over h
#             _/\__/\_________/\___/                         small rises fall back to 0 by themselves
#
# Its mean time to a false alarm (run length) solves an integral equation; the threshold follows from it.
SHIFT_SD = 1.0
THRESHOLD = 5.0
FALSE_ALARM = 0.05
"""Probability of an alarm over a whole recording in which nothing changes."""
BASELINE_SHARE = 0.2
LEAST_BASELINE = 20
LONGEST_SOLVED, LARGEST_SOLVED = 1e8, 16.0
"""Up to this run length and threshold the equation is solved; beyond, the system is nearly singular or too large."""
FACTOR = 1.5
HORIZON = 100
"""A warning is a false alarm if none of the next so many passes is lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequential(Document):
    """A one-sided cumulative sum on the level of the passes.

    `alarm`: pass at which it first exceeds the threshold, None if it never does.
    `since`: pass from which on it rose to the alarm without falling back to 0: about there the change began.
    `largest`: largest sum, in standard deviations.
    `run_length`: average number of passes to a false alarm if nothing changes and what `source` names is independent,
    even if the mean of the baseline is too high by two of its standard errors.
    `threshold`: largest sum that does not raise an alarm, in standard deviations.
    `baseline`: number of values from which mean and standard deviation come; none of them can raise the alarm.
    `source`: what is assumed to be independent: ``"passes"``, ``"lots"`` or ``"blocks"`` (stretches of passes).
    Standard deviations are those of their means.
    `lots`: number of lots or stretches in the baseline.
    `side`: side of the margin that it watches; None: the smallest of all sides.
    """

    alarm: int | None
    largest: float
    run_length: float
    threshold: float
    baseline: int
    source: str = "passes"
    lots: int | None = None
    side: str | None = None
    since: int | None = None

    def at_rows(self, rows: NDArray[np.int64]) -> Sequential:
        """Return the same, with its passes as two of these rows, one for each value."""
        alarm, since = (None if k is None else int(rows[k]) for k in (self.alarm, self.since))
        return replace(self, alarm=alarm, since=since)


@dataclass(frozen=True, slots=True, kw_only=True)
class MarginAlarm(Document):
    """What a warning "the light is within this factor of the level" would have done.

    `warned`: passes that were detected with an excess gain below the factor.
    `first_warned`, `first_lost`: which pass.
    `lead`: passes from the first warning to the first lost pass; negative if the loss came first.
    `warnings`: groups of warned passes. A group continues as long as fewer passes than the horizon lie between them.
    `for_nothing`: groups after which no pass was lost within the horizon.
    """

    factor: float
    warned: int
    first_warned: int | None
    first_lost: int | None
    lead: int | None
    warnings: int
    for_nothing: int

    def at_rows(self, rows: NDArray[np.int64]) -> MarginAlarm:
        """Return the same, with both passes as two of these rows, one for each pass."""
        first, lost = (None if k is None else int(rows[k]) for k in (self.first_warned, self.first_lost))
        return replace(self, first_warned=first, first_lost=lost)


@cache
def run_length(shift_sd: float = SHIFT_SD, threshold: float = THRESHOLD, *, drift_sd: float = 0.0) -> float:
    """Return the average number of values until a one-sided cumulative sum raises an alarm.

    `shift_sd`: shift to be found, in standard deviations; half of it is the allowance k.
    `threshold`: h, in standard deviations.
    `drift_sd`: true shift; 0 gives the run length to a false alarm.

    Notes
    -----
    From a sum at z, ``L(z) = 1 + L(0) Φ(−z − Δ) + ∫₀ʰ L(x) φ(x − z − Δ) dx`` with ``Δ = drift − k``; it is solved for
    L(0) on the nodes of a Gauss–Legendre rule. If it exceeds a hundred million values, or h exceeds 16, it continues
    with Siegmund's ``(exp(−2 Δ b) + 2 Δ b − 1) / (2 Δ²)``, ``b = h + 1.166``, and b² for Δ = 0, whose growth is exact.

    References
    ----------
    Page, Continuous inspection schemes, Biometrika 41 (1954) 100–115 (the equation); Siegmund, Sequential Analysis
    (1985).

    Examples
    --------
    >>> round(run_length(1.0, 5.0)), round(run_length(1.0, 5.0, drift_sd=1.0), 1)
    (931, 10.4)
    """
    if not (shift_sd > 0 and threshold > 0):
        raise ParameterError(f"shift and threshold must be above 0, got {shift_sd:g} and {threshold:g}.")
    delta = drift_sd - shift_sd / 2
    near = min(threshold, LARGEST_SOLVED)
    while _siegmund(delta, near) > LONGEST_SOLVED and near > 0.5:
        near -= 0.5
    solved = _solved(delta, near)
    if near == threshold:
        return solved
    if delta > 0:
        return solved + _siegmund(delta, threshold) - _siegmund(delta, near)
    return solved * _siegmund(delta, threshold) / _siegmund(delta, near)


def _siegmund(delta: float, threshold: float) -> float:
    b = threshold + 1.166
    if abs(delta * b) < 1e-4:
        return b * b
    # Beyond this, exp overflows: an alarm so rare counts as none.
    if -2 * delta * b > 700:
        return math.inf
    return (math.exp(-2 * delta * b) + 2 * delta * b - 1) / (2 * delta * delta)


def _solved(delta: float, threshold: float) -> float:
    """Return L(0) of Page's equation."""
    from scipy.special import ndtr

    x, weight = nodes_between(0.0, threshold, 32 * math.ceil(max(1.0, threshold / 8)))
    begin = np.concatenate(([0.0], x))
    # Page's equation at Gauss-Legendre nodes: L(z) = 1 + L(0) · P(back to 0 from z) + ∫ L(x) · φ(x − z − δ) dx.
    system = np.eye(begin.size)
    system[:, 0] -= ndtr(-begin - delta)
    step = x[None, :] - begin[:, None] - delta
    system[:, 1:] -= weight * np.exp(-(step**2) / 2) / math.sqrt(2 * math.pi)
    return float(np.linalg.solve(system, np.ones(begin.size))[0])


@cache
def threshold_for(watched: int, baseline: int, *, chance: float = FALSE_ALARM) -> float:
    """Return the threshold at which so many values raise a false alarm with about this probability.

    Not below `THRESHOLD`. A fixed threshold would alarm on every steady line with a thousand or more values.

    `watched`, `baseline`: how many values are watched, and how many form the baseline.

    Notes
    -----
    The waiting time to a false alarm is nearly exponential, so ``run_length(h) = watched / chance``. The mean of the
    baseline is assumed to be too high by two of its standard errors.

    Examples
    --------
    >>> round(threshold_for(40, 10_000), 2), round(threshold_for(10_000, 10_000), 2)
    (5.02, 10.75)
    """
    from scipy.optimize import brentq

    needed, delta = watched / chance, _doubt(baseline) - SHIFT_SD / 2
    if run_length(SHIFT_SD, THRESHOLD, drift_sd=_doubt(baseline)) >= needed:
        return THRESHOLD
    # The run length is Siegmund's times a factor that hardly depends on the threshold: a few rounds are enough.
    threshold, factor = THRESHOLD, 1.0
    for _ in range(4):
        most = 2.0 * THRESHOLD
        while _siegmund(delta, most) * factor < needed:
            most *= 2
        threshold = float(brentq(lambda h, f=factor: _siegmund(delta, h) * f - needed, 0.1, most))
        factor = run_length(SHIFT_SD, threshold, drift_sd=_doubt(baseline)) / _siegmund(delta, threshold)
    return max(THRESHOLD, threshold)


def _doubt(baseline: int) -> float:
    """Return two standard errors of the mean of a baseline, in standard deviations of its values."""
    return 2 / math.sqrt(baseline)


def sums_of(steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the running sums of steps; a sum that falls below 0 is set to 0."""
    # This is the distance of the plain sum from its lowest value so far.
    plain = np.concatenate(([0.0], np.cumsum(steps)))
    return (plain - np.minimum.accumulate(plain))[1:]


def margin_alarm(gain: ArrayLike, lost: ArrayLike, *, horizon: int = HORIZON) -> MarginAlarm:
    """Say when a warning on low excess gain would come, and how often it would be a false alarm.

    `gain` (shape (n,)): excess gain of every pass in time order: received light divided by the light that is needed.
    `lost`: shape (n,).

    Examples
    --------
    >>> found = margin_alarm([2, 1.4, 2, 1.3, 0.9, 2], [0, 0, 0, 0, 1, 0], horizon=2)
    >>> found.lead, found.warnings, found.for_nothing
    (3, 2, 1)
    """
    ratio, gone = np.asarray(gain, np.float64), np.asarray(lost, bool)
    check_least("horizon", horizon, 1)
    warned = np.flatnonzero((ratio < FACTOR) & ~gone)
    missed = np.flatnonzero(gone)
    first_warned, first_lost = (int(v[0]) if v.size else None for v in (warned, missed))
    new = np.diff(warned, prepend=-horizon - 1) >= horizon
    ends = warned[np.append(np.flatnonzero(new)[1:] - 1, warned.size - 1)] if warned.size else warned
    return MarginAlarm(
        factor=FACTOR,
        warned=int(warned.size),
        first_warned=first_warned,
        first_lost=first_lost,
        lead=None if first_warned is None or first_lost is None else first_lost - first_warned,
        warnings=int(np.count_nonzero(new)),
        for_nothing=_for_nothing(warned[new], ends, missed, horizon),
    )


def _for_nothing(begins: NDArray[np.int64], ends: NDArray[np.int64], missed: NDArray[np.int64], horizon: int) -> int:
    """Return how many groups have no lost pass from their start to the horizon after their end."""
    within = np.searchsorted(missed, ends + horizon) - np.searchsorted(missed, begins)
    return int(np.count_nonzero(within == 0))
