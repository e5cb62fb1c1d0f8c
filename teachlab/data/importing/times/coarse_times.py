"""Times of a clock whose tick is longer than the sample period, or hardly shorter: stamps repeat, or skip ticks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

TICKS_APART = 0.05
"""At least this share of the steps must be unusual; otherwise a clock's tick does not explain them."""
WANDER_TICKS = 2.0
"""A steady count varies by one tick about a straight line, and by up to two if the line is found from the stamps."""
LEAST_ROWS = 50
LEAST_TICKS = 4
"""A steady count is recognised after this number of ticks."""


def tick_of(seconds: NDArray[np.float64]) -> float | None:
    """Return the tick of a clock if repeated or skipped stamps then agree with a steady rate, otherwise None.

    Parameters
    ----------
    seconds : ndarray of float64, shape (n,), s
        The first times of a log, ascending or repeating.

    Returns
    -------
    float, s, or None
        The largest step of which all steps are multiples, if at least one step in 20 is zero, or is two ticks among
        single ones, and the stamps stay within two ticks of a straight line. A sample that was logged twice, or left
        out, moves all stamps after it, and so they do not stay there.

    Examples
    --------
    >>> tick_of(np.floor(np.arange(100) / 2) / 1000), tick_of(np.arange(100) / 1000)
    (0.001, None)
    """
    steps = np.rint(np.diff(seconds) * 1e9).astype(np.int64)
    if steps.size < LEAST_ROWS or steps.min() < 0 or np.count_nonzero(steps) < LEAST_TICKS:
        return None
    tick = int(np.gcd.reduce(steps))
    ticks = steps // tick
    none = float(np.mean(ticks == 0))
    two = float(np.mean(ticks == 2)) if set(np.unique(ticks).tolist()) <= {1, 2} else 0.0
    if tick < 100 or max(none, two) < TICKS_APART:
        return None
    # A gap is treated separately: the stamps before the first gap decide.
    far = np.flatnonzero(ticks > ticks.mean() * 4 + 3)
    before = seconds[: far[0] + 1] if far.size else seconds
    if before.size < LEAST_ROWS or wander(before) > WANDER_TICKS * tick * 1e-9:
        return None
    return tick / 1e9


def wander(seconds: NDArray[np.float64]) -> float:
    """Return how far times deviate from their straight line, from the lowest to the highest, s."""
    rows = np.arange(seconds.size) - (seconds.size - 1) / 2
    centred = seconds - seconds.mean()
    rest = centred - rows * (rows @ centred) / (rows @ rows)
    return float(rest.max() - rest.min())
