"""Light of one stretch of labelled events, and its statistics."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from teachlab.light.edge_time import edge_evaluations, edge_range
from teachlab.light.inner_valleys import InnerValleys
from teachlab.light.lasting_extremes import Hold, highs
from teachlab.light.noise import SmallestStep, local_noise, median
from teachlab.light.shown.smallest_steps import STEP_LEVELS
from teachlab.model.teaching import Events
from teachlab.sensor.edges import pieces
from teachlab.sensor.output import VOID_FROM
from teachlab.sensor.running_extremes import running_max

Heights = NDArray[np.float64]
"""Levels as float64, recording units, turned so that objects are upwards."""
Places = NDArray[np.int64]


class StretchLight:
    """Light of labelled events, held and turned so that objects are upwards; places are evaluations of the stretch.

    `sign`: +1 where objects raise the light, −1 where they lower it.
    """

    def __init__(self, events: Events, sign: int) -> None:
        self._light = events.light
        self._invalid = np.isnan(self._light)
        height = Hold().push(sign * self._light, self._invalid if self._invalid.any() else None)
        self.dark = bool(height.size < self._light.size)
        """Whether there is no valid evaluation at all."""
        self._height = np.zeros(self._light.size) if self.dark else height
        self._void = _void_before(self._invalid)

    def clean(self, start: Places, stop: Places) -> NDArray[np.bool_]:
        """Return which stretches hold an evaluation and no void one."""
        out: NDArray[np.bool_] = (stop > start) & (self._void[stop] == self._void[start])
        return out

    def highs(self, start: Places, stop: Places, hold: int) -> Heights:
        """Return the highest light of stretches that lasts a given time."""
        return highs(self._height, start, stop, hold)

    def lows(self, start: Places, stop: Places, hold: int) -> Heights:
        """Return the lowest light of stretches that lasts a given time."""
        out: Heights = -highs(-self._height, start, stop, hold)
        return out

    def background(self, start: Places, stop: Places) -> float:
        """Return the median of all light of stretches; NaN if there is none."""
        light = pieces(self._height, start, stop)
        return median(light) if light.size else float("nan")

    def edge(self, start: Places, end: Places, background: float) -> float:
        """Return the median 10–90 % time of the edges of passes, evaluations."""
        return edge_evaluations(self._height, start, end, background)

    def step(self) -> float | None:
        """Return the smallest step between the levels that occur."""
        found = SmallestStep()
        found.push(self._light[~self._invalid][:: max(1, self._light.size // STEP_LEVELS)])
        return found.step()

    def noise(self, start: Places, stop: Places, step: float | None) -> float | None:
        """Return the local noise inside stretches; None without two neighbouring valid evaluations."""
        pairs = stop - start > 1
        if not pairs.any():
            return None
        # Pairs of neighbours inside the stretches, which are disjoint and at least two apart from pair to pair.
        begins = np.zeros(self._height.size, np.int8)
        begins[start[pairs]] += 1
        begins[stop[pairs] - 1] -= 1
        inside = np.cumsum(begins, dtype=np.int8)[:-1].astype(bool)
        if self._invalid.any():
            inside &= ~(self._invalid[1:] | self._invalid[:-1])
        return local_noise(np.diff(self._height)[inside], step)

    def edge_range(self, start: Places, stop: Places, edge: float) -> float:
        """Return the 99 % quantile of the range of light within one edge time; NaN if stretches are too short."""
        found = edge_range(self._height, start, stop, edge)
        return float("nan") if found is None else found

    def valleys(self, start: Places, stop: Places, level: float, hold: int) -> Heights:
        """Return the light that is reached for a given time between the first and last crossing of a level."""
        found = InnerValleys(start, stop, level, True)
        # Continued with its last value, so that every evaluation has a running maximum.
        found.push(0, running_max(np.append(self._height, np.full(hold - 1, self._height[-1])), hold))
        return found.valley


def _void_before(invalid: NDArray[np.bool_]) -> Places:
    """Return how many void evaluations come before every place, shape (n + 1,)."""
    if not invalid.any():
        return np.zeros(invalid.size + 1, np.int64)
    at = np.arange(invalid.size)
    last = np.maximum.accumulate(np.where(invalid, -1, at)) if invalid.size else at
    # A running count: two look-ups show whether any stretch holds void time.
    return np.concatenate(([0], np.cumsum(at - last > VOID_FROM)))
