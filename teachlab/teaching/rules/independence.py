"""Effective number of independent events in a time series."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Heights = NDArray[np.float64]

FEWEST = 8
"""With fewer events, nothing can be said about their order."""


def independent(values: Heights) -> float:
    """Return the number of independent events that would be as informative as these, given in time order.

    Notes
    -----
    ``n / (1 + 2·Σ ρ_i)``, where ρ_i is the correlation of the ranks of events i apart, summed up to the first below
    2/√n, which independent events seldom exceed; at least 1.

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


def lots(kinds: NDArray[np.object_]) -> float:
    """Return the number of lots, each of one kind, in which the kinds came.

    Notes
    -----
    If the kinds of m lots are drawn independently with shares p, the kind changes ``(m − 1)·(1 − Σp²)`` times on
    average, because some neighbours are of the same kind by chance. So c changes indicate ``1 + c/(1 − Σp²)`` lots, at
    most n. One kind alone gives no information about lots: n.

    References
    ----------
    Number of runs of two kinds: Wald & Wolfowitz 1940, Ann. Math. Stat. 11, 147-162.

    Examples
    --------
    >>> lots(np.array(["white"] * 12 + ["brown"] * 12 + ["white"] * 12 + ["brown"] * 12, object))
    7.0
    """
    n = kinds.size
    share = np.unique(kinds.astype(str), return_counts=True)[1] / max(n, 1)
    if share.size < 2:
        return float(n)
    changes = int(np.count_nonzero(kinds[1:] != kinds[:-1]))
    return min(float(n), 1 + changes / (1 - float(share @ share)))
