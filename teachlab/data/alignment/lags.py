"""Lag, drift and jitter of borders against the crossings of the light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from teachlab.data.alignment.crossings import Crossings, Reaches
from teachlab.data.alignment.shift import ClockShift
from teachlab.light.noise import SIGMA, deviation, median
from teachlab.model.arrays import Floats
from teachlab.statistics.median_slope import median_slope

ROUNDS = 4
FEWEST_PASSES = 3
FEWEST_FOR_DRIFT = 8
"""With fewer passes no drift is calculated."""
MEDIAN_ERROR = 1.2533
"""Standard error of a median of normal values divided by that of their mean, √(π/2)."""
TWO_SIDED = 0.975
"""Quantile at the upper end of an interval that holds 95 %."""
WITHIN = 1.5
"""A border is matched within so many jitters, at least within half a sample."""
FAR_LARGER = 2.0
"""Borders of one side are told by themselves if their jitter is so many times that of all."""


@dataclass(frozen=True, slots=True, eq=False)
class Lags:
    """How far the crossings of the light lie after the borders of the truth.

    `shift`: the shift that moves the truth to the light: the mean of both lags in the middle of the recording, and the
    difference of rate if it is significant.
    `rate`: the difference of rate as measured.
    `begin`, `end` (samples): median lag of starts and of ends, in the middle of the recording; NaN without any.
    `low`, `high` (samples): 95 % interval of the shift, by passes, widened by the uncertainty of the rate from the
    passes to the middle.
    `rate_low`, `rate_high`: 95 % interval of `rate`; infinite if there are too few passes.
    `jitter` (samples): standard deviation of the borders about shift and drift, from median deviations.
    `begins`, `ends` (shape (passes,), samples): remaining deviation of every border; NaN if it has no crossing within
    reach.
    """

    shift: ClockShift
    rate: float
    begin: float
    end: float
    low: float
    high: float
    rate_low: float
    rate_high: float
    jitter: float
    begins: Floats
    ends: Floats

    @property
    def borders(self) -> int:
        """How many borders have a crossing."""
        return int(np.count_nonzero(~np.isnan(self.begins)) + np.count_nonzero(~np.isnan(self.ends)))

    @property
    def width_error(self) -> float:
        """Standard error of the difference of both lags, samples."""
        sides = (side[~np.isnan(side)] for side in (self.begins, self.ends))
        return float(MEDIAN_ERROR * np.sqrt(sum(_spread(side) ** 2 / max(side.size, 1) for side in sides)))

    @property
    def within(self) -> float:
        """How near to its border an edge lies that matches it, samples."""
        return max(WITHIN * self.jitter, 0.5)

    @property
    def scatter(self) -> tuple[float, str]:
        """The jitter, or that of the starts or ends alone where it is far larger, samples; and which of them.

        Exact borders on one side hide how far those on the other vary.
        """
        sides = [
            (_spread(side[~np.isnan(side)]), name) for side, name in ((self.begins, "starts"), (self.ends, "ends"))
        ]
        worst = max(sides)
        return worst if worst[0] > FAR_LARGER * self.jitter else (self.jitter, "borders")


def nearest(crossings: Floats, places: Floats, back: Floats, forth: Floats) -> Floats:
    """Return how far after every place its nearest crossing lies; NaN if it is out of reach.

    Examples
    --------
    >>> nearest(np.array([3.0, 9.0]), np.array([4.0, 20.0]), np.array([2.0, 5.0]), np.array([2.0, 5.0])).tolist()
    [-1.0, nan]
    """
    if crossings.size == 0:
        return np.full(places.size, np.nan)
    right = np.searchsorted(crossings, places).clip(0, crossings.size - 1)
    left = (right - 1).clip(0)
    after, before = crossings[right] - places, crossings[left] - places
    found = np.where(np.abs(before) <= np.abs(after), before, after)
    out: Floats = np.where((found >= -back) & (found <= forth), found, np.nan)
    return out


def fit_lags(
    start: Floats, end: Floats, crossings: Crossings, reach: Reaches, guess: ClockShift, *, step: float = 0.0
) -> Lags | None:  # fmt: skip
    """Return lags, drift and jitter; None if fewer than three starts or ends have a crossing.

    `start`, `end` (shape (passes,), samples): passes of the truth, on its own clock.
    `reach`: of the same passes.
    `guess`: start value.
    `step` (samples): of which all times are multiples, if they are.

    Notes
    -----
    In each of four rounds every border takes its nearest crossing within reach. The slope of the deviations over time
    is the median of the slopes of all pairs of passes; then starts and ends get their medians. If the interval of the
    slope contains zero, everything is repeated without a slope: a slope that is only noise would move the shift away
    from the passes. So it is if the slope moves nothing by more than a step of the times: against a regular line these
    run ahead, a little more with every pass, and fall back by a step.

    References
    ----------
    Median of pairwise slopes and its interval: Theil (1950) and Sen (1968).
    """
    found = _rounds(start, end, crossings, reach, guess, drift=True)
    if found is None:
        return None
    begin, end_, rate, low, high = found
    told = (low > 0 or high < 0) and abs(rate) * float(np.ptp(start)) > step
    if not told:
        # Without a slope the shift must be measured where the passes are, not extrapolated to the middle.
        there = (begin + end_) / 2 + rate * (float(np.median(start)) - guess.samples / 2)
        found = _rounds(start, end, crossings, reach, ClockShift(guess.samples, there), drift=False)
        if found is None:
            return None
        begin, end_ = found[:2]
    samples, middle, used = guess.samples, guess.samples / 2, rate if told else 0.0
    moved = start + begin + used * (start - middle), end + end_ + used * (end - middle)
    left = (
        nearest(crossings.begins, moved[0], reach.before, reach.inside),
        nearest(crossings.ends, moved[1], reach.inside, reach.after),
    )
    rest = np.concatenate(left)
    rest = rest[~np.isnan(rest)]
    some = ~np.isnan(left[0]) | ~np.isnan(left[1])
    if rest.size == 0:
        return None
    jitter = _spread(rest)
    # The jitter is measured on these passes: Student's quantile; of four passes the normal one holds 90 %, not 95 %.
    passes = int(np.count_nonzero(some))
    # Exact borders on one side do not make those on the other exact.
    sides = [_spread(side[~np.isnan(side)]) for side in left]
    spread = max(jitter, sum(sides) / 2)
    half = float(stdtrit(max(passes - 1, 1), TWO_SIDED)) * MEDIAN_ERROR * spread / np.sqrt(passes)
    if told:
        half = np.hypot(half, (high - low) / 2 * (float(np.mean(start[some])) - middle))
    shift = ClockShift(samples, (begin + end_) / 2, used)
    interval = float(shift.shift - half), float(shift.shift + half)
    return Lags(shift, rate, begin, end_, *interval, low, high, jitter, *left)


def _rounds(
    start: Floats, end: Floats, crossings: Crossings, reach: Reaches, guess: ClockShift, *, drift: bool
) -> tuple[float, float, float, float, float] | None:
    """Return both lags, the difference of rate and its interval after four rounds."""
    middle = guess.samples / 2
    begin = end_ = guess.shift
    rate, low, high = guess.rate, -np.inf, np.inf
    for _ in range(ROUNDS):
        shift = ClockShift(guess.samples, (begin + end_) / 2, rate)
        from_begin = nearest(crossings.begins, shift.of(start), reach.before, reach.inside)
        from_end = nearest(crossings.ends, shift.of(end), reach.inside, reach.after)
        if min(np.count_nonzero(~np.isnan(side)) for side in (from_begin, from_end)) < FEWEST_PASSES:
            return None
        slope = 0.0
        if drift:
            both = from_begin - _median(from_begin), from_end - _median(from_end)
            alone = np.where(np.isnan(both[0]), both[1], both[0])
            of_pass = np.where(np.isnan(both[0] + both[1]), alone, (both[0] + both[1]) / 2)
            slope, low, high = _slope((start + end) / 2 - middle, of_pass)
        begin = shift.shift + _median(from_begin - slope * (start - middle))
        end_ = shift.shift + _median(from_end - slope * (end - middle))
        low, high, rate = rate + low, rate + high, rate + slope
    return begin, end_, rate, low, high


def _spread(values: Floats) -> float:
    return SIGMA * deviation(values) if values.size else 0.0


def _median(values: Floats) -> float:
    return median(values[~np.isnan(values)])


def _slope(times: Floats, values: Floats) -> tuple[float, float, float]:
    """Return the slope and its interval; 0 and an infinite interval if there are too few passes."""
    known = ~np.isnan(values)
    if np.count_nonzero(known) < FEWEST_FOR_DRIFT:
        return 0.0, -np.inf, np.inf
    return median_slope(values[known], times[known])
