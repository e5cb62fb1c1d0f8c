"""Edge time, and the range of the background within one edge time."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.noise import median, quantile
from teachlab.sensor.edges import pieces
from teachlab.sensor.running_extremes import running_max, running_min

Levels = NDArray[np.float64]
Places = NDArray[np.int64]

LOW, HIGH = 0.1, 0.9
"""An edge lasts from the first to the second of these shares of the step between background and object."""
EDGE_SHARE = 0.99
"""Quantile of the background range within one edge time that the hysteresis must exceed."""
EDGES = 1000
"""The median edge time is computed from at most about this many passes, evenly chosen."""


def edge_evaluations(height: Levels, start: Places, end: Places, background: float) -> float:
    """Return the median 10–90 % time of the edges of passes, in evaluations; NaN if no pass rises above the background.

    `height` (shape (n,), recording units, objects upwards): without NaN.
    `start`, `end` (shape (passes,), evaluations): passes ``[start, end)``, ascending and disjoint.
    `background` (recording units, objects upwards): level of the empty sensor.

    Notes
    -----
    Both edges of every pass are measured, up to the middle of the neighbouring gaps. The top of an edge is the median
    of the pass if that reaches half the height of its peak, else the peak: a single glint must not lengthen the edge,
    and a clear object has light at its walls only. An edge lasts from the last evaluation at 10 % of the step to the
    first at 90 %, with straight lines between evaluations.

    References
    ----------
    Reference levels of 10 and 90 %: IEEE Std 181 (from memory). A beam with a Gaussian profile of 1/e²
    radius w gives 1.2816·w/v.

    Examples
    --------
    A ramp of ten equal steps from 0 to 10 takes 8 evaluations from 1 to 9:

    >>> ramp = np.concatenate([np.zeros(20), np.arange(11.0), np.full(20, 10.0), np.arange(10.0, -1, -1), np.zeros(20)])
    >>> edge_evaluations(ramp, np.array([25]), np.array([57]), 0.0)
    8.0
    """
    if start.size == 0:
        return float("nan")
    before = np.concatenate(([0], (end[:-1] + start[1:]) // 2))
    after = np.concatenate(((end[:-1] + start[1:]) // 2, [height.size]))
    times: list[float] = []
    for k in range(0, start.size, -(-start.size // EDGES)):
        inside = height[start[k] : end[k]]
        if inside.size:
            times += edge_times(height[before[k] : after[k]], float(inside.max()), median(inside), background)
    return float(np.median(times)) if times else float("nan")


def object_height(peak: Any, middle: Any) -> Any:
    """Return the height of objects above the background, by which their edges are measured; numbers or arrays.

    The middle of an object is its level; only if it is nearly as dark as the background (a ring), its peak is used.
    """
    return np.where(middle >= peak / 2, middle, peak)


def edge_times(around: Levels, highest: float, middle: float, background: float) -> list[float]:
    """Return the 10–90 % times of those edges of a pass that have a foot.

    `around` (recording units, objects upwards): light of the pass, up to the middle of the gap on either side.
    `highest`, `middle` (recording units): largest light and median inside the pass.
    `background`: recording units.
    """
    step = float(object_height(highest - background, middle - background))
    if not step > 0:
        return []
    around = around - background
    return [t for t in (_climb(around, step), _climb(around[::-1], step)) if t is not None]


def _climb(height: Levels, step: float) -> float | None:
    """Return the time of the first climb from 10 % to 90 % of a step; None if it has no foot."""
    top = int(np.argmax(height >= HIGH * step))
    below = np.flatnonzero(height[:top] <= LOW * step)
    if top == 0 or below.size == 0:
        return None
    # Start at the last place below 10 % before the first one above 90 %: earlier bounces belong to no edge. Straight
    # lines between samples give fractions of a sample.
    foot = int(below[-1])
    begin = foot + (LOW * step - height[foot]) / (height[foot + 1] - height[foot])
    finish = top - (height[top] - HIGH * step) / (height[top] - height[top - 1])
    return float(finish - begin)


def edge_span(edge: float) -> int:
    """Return how many evaluations an edge spans, at least 2; 2 if no edge was measured."""
    return 2 if np.isnan(edge) else max(2, int(np.ceil(edge)) + 1)


def edge_range(height: Levels, start: Places, stop: Places, edge: float) -> float | None:
    """Return the 99 % quantile of the range of the background within one edge time; None if stretches are too short.

    `height` (shape (n,), recording units): without NaN.
    `start`, `stop` (shape (gaps,), evaluations): gaps ``[start, stop)``.
    `edge` (evaluations): time of an edge; NaN if none was measured.
    """
    span = edge_span(edge)
    # Stay one edge time away from the passes where there is room: the foot of an edge is no noise.
    found = ranges(height, start + span, stop - span, span)
    found = found if found.size else ranges(height, start, stop, span)
    found = found[np.isfinite(found)]
    return quantile(found, EDGE_SHARE, in_place=True) if found.size else None


def ranges(height: Levels, start: Places, stop: Places, span: int) -> Levels:
    """Return the range (largest minus smallest level) of every window that lies inside a stretch, shape (windows,).

    `height` (shape (n,), recording units): without NaN.
    `start`, `stop` (shape (k,), evaluations): stretches ``[start, stop)``; a stretch shorter than `span` gives no
    window.
    `span` (evaluations): length of a window, at least 1.

    Examples
    --------
    >>> ranges(np.array([1.0, 4.0, 2.0, 2.0]), np.array([0]), np.array([4]), 2).tolist()
    [3.0, 2.0, 0.0]
    """
    last = stop - span + 1
    rows = last > start
    if not rows.any():
        return np.empty(0, np.float64)
    spans = running_max(height, span) - running_min(height, span)
    out: Levels = pieces(spans, start[rows], last[rows])
    return out
