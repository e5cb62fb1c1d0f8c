"""Where references go over updates that are the same for all of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from teachlab.sensor.following.rows import Values

SINGLY = 16
"""So few references are moved one by one: a vector operation takes as long as about twenty of them."""


def path_of(value: Values, means: Values, weights: Values, slew: float) -> Values:
    """Move references over updates, without limits.

    Parameters
    ----------
    value : ndarray of float64, shape (d,), recording units
        Where they begin.
    means, weights : ndarray of float64, shape (n,)
        For every update: the mean of the light that counts, and the share of the distance to it that is covered.
    slew : float, recording units
        Largest move of an update, or infinite.

    Returns
    -------
    ndarray of float64, shape (n, d), recording units
        The value of each after each update, rounded as if moved one step at a time.

    Examples
    --------
    >>> path_of(np.array([8.0]), np.array([12.0, 12.0]), np.array([0.5, 0.5]), math.inf).tolist()
    [[10.0], [11.0]]
    """
    path = np.empty((means.size, value.size))
    with np.errstate(all="ignore"):
        if value.size <= SINGLY:
            for k, b in enumerate(value.tolist()):
                path[:, k] = _singly(b, means.tolist(), weights.tolist(), slew)
            return path
        step, now = np.empty(value.size), value
        for after, mean, weight in zip(path, means, weights, strict=True):
            np.subtract(mean, now, out=step)
            np.multiply(step, weight, out=step)
            if slew < math.inf:
                np.maximum(step, -slew, out=step)
                np.minimum(step, slew, out=step)
            now = np.add(now, step, out=after)
    return path


def _singly(b: float, means: list[float], weights: list[float], slew: float) -> list[float]:
    updates = zip(means, weights, strict=True)
    if slew == math.inf:
        return [b := b + (mean - b) * weight for mean, weight in updates]
    return [b := b + min(max((mean - b) * weight, -slew), slew) for mean, weight in updates]
