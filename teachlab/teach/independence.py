"""How much events tell that came one after the other."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Heights = NDArray[np.float64]

FEWEST = 8
"""With fewer events nothing can be said about their order."""


def independent(values: Heights) -> float:
    """Return how many independent events tell as much as these do, in the order in which they came.

    Notes
    -----
    ``n / (1 + 2·Σ ρ_i)`` with the correlation ρ_i of the ranks of events i apart, summed up to the first
    that is below 2/√n, which independent events seldom exceed; at least 1.

    References
    ----------
    Variance of the mean of a stationary series, and of its correlations: Bartlett 1946, J. R. Stat. Soc.
    Suppl. 8, 27-41.

    Examples
    --------
    >>> independent(np.array([3.0, 1, 2, 5, 4, 0, 7, 6]))
    8.0
    >>> round(independent(np.repeat([1.0, 5.0, 3.0, 8.0], 50)), 1)
    5.5
    """
    n = values.size
    if n < FEWEST:
        return float(n)
    rank = np.unique(values, return_inverse=True)[1]
    count = np.cumsum(np.bincount(rank))
    centred = (count - np.diff(count, prepend=0) / 2)[rank] - n / 2  # ties share the middle of their ranks
    power = float(centred @ centred)
    if not power > 0:
        return float(n)
    total, bound = 0.0, 2 / math.sqrt(n)
    for lag in range(1, n):
        correlation = float(centred[lag:] @ centred[:-lag]) / power
        if correlation < bound:
            break
        total += correlation
    return max(n / (1 + 2 * total), 1.0)
