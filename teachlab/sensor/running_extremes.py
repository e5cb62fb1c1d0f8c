"""Extremes over neighbouring values, for any number of neighbours."""

from __future__ import annotations

from typing import Any

import numpy as np

from teachlab.model.recording import Light


def running_min(light: Light, span: int) -> Light:
    """Return the minimum over every `span` neighbouring values.

    `light` (shape (n,)): in any type, without NaN; the type is kept.
    `span`: at least 1.
    Returned (shape (max(0, n − span + 1),)): element i is the minimum of ``light[i : i + span]``.

    Notes
    -----
    Minima over 1, 2, 4 … neighbours follow from each other by one comparison each; two overlapping ones cover any span.
    That takes log2(span) comparisons per value.

    Examples
    --------
    >>> running_min(np.array([4, 7, 6, 9, 8, 8]), 3).tolist()
    [4, 6, 6, 8]
    """
    return running(np.minimum, light, span)


def running_max(light: Light, span: int) -> Light:
    """Return the maximum over every `span` neighbouring values, as `running_min`.

    Examples
    --------
    >>> running_max(np.array([4, 7, 6, 9, 8, 8]), 3).tolist()
    [7, 9, 9, 9]
    """
    return running(np.maximum, light, span)


def running(pick: Any, light: Light, span: int) -> Light:
    """Return the extreme that the ufunc `pick` keeps over every `span` neighbouring values."""
    size = light.size - span + 1
    if size <= 0:
        return light[:0]
    reach = 1
    while 2 * reach <= span:
        light = pick(light[:-reach], light[reach:])
        reach *= 2
    rest = span - reach
    out: Light = pick(light[:size], light[rest : rest + size]) if rest else light[:size]
    return out
