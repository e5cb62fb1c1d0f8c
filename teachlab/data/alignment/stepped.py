"""A clock of the table that jumps: what two parallel lines through the deviations tell better than one."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from teachlab.data.alignment.lags import FEWEST_FOR_DRIFT
from teachlab.light.noise import SIGMA, median
from teachlab.model.arrays import Floats
from teachlab.statistics.median_slope import median_slope

FEWEST = 5
"""Passes on either side of a jump."""
ORDERED = 1.5
"""Deviations that are independent are as large as the differences of neighbours; where they are so many times as large,
they go in stretches."""
CLIPPED, LEAST = 5.0, 2.0
"""Times the spread, and samples: a deviation that lies farther from the median counts as this."""
MET = 0.8
"""As large a share of passes has edges on one side as on the other: what jumped out of reach meets some by chance."""
BETTER = 0.5
"""Two lines leave at most this share of what one leaves."""


class Step(NamedTuple):
    """A jump of the deviations before pass `at`, samples, with the larger scatter about both lines."""

    at: int
    size: float
    jitter: float


def step_of(begins: Floats, ends: Floats, times: Floats) -> Step | None:
    """Return the jump of the deviations of passes; None if one line tells them nearly as well as two.

    `begins`, `ends` (shape (n,), samples): remaining deviations of their borders, NaN without any.
    `times` (shape (n,), samples): where the passes are, in rising order.

    Notes
    -----
    The place is where two parallel lines leave the least squares; levels and scatter about them are medians. The slope
    is that of the longer side, since the clock runs on at its rate.

    Examples
    --------
    >>> times = np.arange(0.0, 3000, 50)
    >>> saw = np.where(times < 1500, times, times - 3000) / 100
    >>> step_of(saw, saw, times)
    Step(at=30, size=-30.0, jitter=0.0)
    >>> step_of(np.sin(times), np.cos(times), times) is None
    True
    """
    left = np.where(np.isnan(begins), ends, np.where(np.isnan(ends), begins, (begins + ends) / 2))
    known = np.flatnonzero(~np.isnan(left))
    if known.size < 2 * FEWEST:
        return None
    left, when = left[known], times[known]
    about = np.abs(left - median(left))
    if not np.mean(about) > ORDERED * np.mean(np.abs(np.diff(left))) / np.sqrt(2):
        return None
    most = max(CLIPPED * SIGMA * median(about), LEAST)
    at = _place(np.clip(left - median(left), -most, most), when)
    first = int(known[at])
    shares = at / first, (left.size - at) / (begins.size - first)
    if min(shares) < MET * max(shares):
        return None
    sides = slice(0, at), slice(at, None)
    longer = sides[2 * at < left.size]
    slope = median_slope(left[longer], when[longer]).slope if left[longer].size >= FEWEST_FOR_DRIFT else 0.0
    level = left - slope * when
    before, after = (median(level[side]) for side in sides)
    rest = np.abs(level[:at] - before), np.abs(level[at:] - after)
    if sum(map(np.sum, rest)) > BETTER * np.sum(about):
        return None
    return Step(first, after - before, SIGMA * max(map(median, rest)))


def _place(values: Floats, times: Floats) -> int:
    """Return before which value the level of a line with a step changes."""
    times = times - np.mean(times)
    n, spread = values.size, max(float(times @ times), 1e-300)
    rest = values - np.mean(values) - times * (times @ values) / spread
    # A step is 1 from place k on; what a line leaves of it has this sum of squares, and this product with the rest.
    k = np.arange(FEWEST, n - FEWEST + 1)
    own = k * (n - k) / n - np.cumsum(times)[k - 1] ** 2 / spread
    gain = np.cumsum(rest)[k - 1] ** 2 / np.maximum(own, 1e-9)
    return int(k[np.argmax(gain)])
