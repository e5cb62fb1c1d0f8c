"""Extremes that last: the best minimum, and the lowest maximum, over a number of evaluations."""

from __future__ import annotations

from typing import Any

import numpy as np

from teachlab.light.extremes import Cells, Extremes
from teachlab.model.arrays import Flags, Floats, Integers
from teachlab.model.recording import Light
from teachlab.sensor.running_extremes import running_max, running_min


class Hold:
    """Fills invalid evaluations with the last valid one before them, where the comparator holds its state.

    Evaluations before the first valid one take its value, as they take its state. They are kept back until it comes. So
    what `push` returns ends where the block ends, but may begin earlier, or be empty.

    Examples
    --------
    >>> hold = Hold()
    >>> hold.push(np.array([9]), np.array([True])).tolist()
    []
    >>> hold.push(np.array([9, 5, 0]), np.array([True, False, True])).tolist()
    [5, 5, 5, 5]
    """

    def __init__(self) -> None:
        self._last: Any = None
        self._ahead = 0

    @property
    def waits(self) -> bool:
        """Whether evaluations are kept back until a valid one comes."""
        return self._last is None and self._ahead > 0

    def push(self, light: Light, invalid: Flags | None) -> Light:
        """Return the evaluations up to the end of this block, without holes, in the same type."""
        if light.size == 0:
            return light
        if self._last is None:
            if invalid is not None and invalid.all():
                self._ahead += light.size
                return light[:0]
            begin = 0 if invalid is None else int(np.argmin(invalid))
            self._last = light[begin]
            if self._ahead:
                light = np.concatenate((np.full(self._ahead, self._last, light.dtype), light))
                invalid = None if invalid is None else np.concatenate((np.zeros(self._ahead, bool), invalid))
        holes = np.empty(0, np.intp) if invalid is None else np.flatnonzero(invalid)
        if holes.size:
            light = light.copy()
            begins = np.flatnonzero(np.append(True, holes[1:] > holes[:-1] + 1))
            before = holes[begins] - 1
            known = np.where(before < 0, self._last, light[before])
            light[holes] = np.repeat(known, np.diff(np.append(begins, holes.size)))
        self._last = light[-1]
        return light


class SustainedExtremes:
    """Reads light block by block and keeps, for disjoint stretches, the extremes that last for `span` evaluations.

    `start`, `stop` (shape (n,), evaluations): stretches ``[start, stop)``, ascending and disjoint; they may touch, and
    may be empty.
    `span` (evaluations): how long an extreme must last. A stretch that is shorter is taken as a whole.
    `high` (shape (n,), recording units): sustained peak: the highest minimum over `span` neighbours inside the stretch;
    NaN if it is empty.
    `low` (shape (n,), recording units): sustained valley: the lowest maximum over `span` neighbours inside the stretch.

    Notes
    -----
    Suppose an output needs its condition for `span` evaluations. For a level without hysteresis, it becomes active
    within a stretch if and only if the sustained peak reaches the level.

    Examples
    --------
    A spike of one sample does not last for two samples:

    >>> found = SustainedExtremes(np.array([0]), np.array([6]), 2)
    >>> found.push(0, np.array([3, 9, 4, 5, 6, 2]))
    >>> found.high.tolist(), found.low.tolist()
    ([5.0], [5.0])
    """

    def __init__(self, start: Integers, stop: Integers, span: int) -> None:
        self._span = span
        short = stop - start < span
        # Element i of a running extreme ends at i: it lies inside the stretch from start + span − 1 on.
        first = np.where(short, stop, start + span - 1)
        self._mins = Extremes(first, stop)
        self._maxes = self._mins if span == 1 else Extremes(first, stop)
        # A stretch shorter than the span holds no window. The output sees its condition no longer than the stretch
        # lasts, so its lowest light is its peak, and its highest light its valley.
        self._short = short
        self._whole = Extremes(start, np.where(short, stop, start)) if span > 1 and short.any() else None
        self._tail: Light | None = None

    def push(self, first: int, light: Light) -> None:
        """Take consecutive evaluations without holes; `first` is the index of the first one."""
        if self._span == 1:
            self._mins.push(first, light)
            return
        if self._whole is not None:
            self._whole.push(first, light)
        # The last span − 1 evaluations wait: windows that begin in them end in the next block.
        joined = light if self._tail is None else np.concatenate((self._tail, light))
        base = first + light.size - joined.size
        self._mins.push(base + self._span - 1, running_min(joined, self._span))
        self._maxes.push(base + self._span - 1, running_max(joined, self._span))
        self._tail = joined[max(0, joined.size - self._span + 1) :]

    def push_cells(self, cells: Cells) -> None:
        """Take consecutive evaluations without holes, cut at all borders of these stretches."""
        if self._span == 1:
            self._mins.push_cells(cells)
        else:
            self.push(cells.start, cells.light)

    @property
    def high(self) -> Floats:
        """Sustained peaks so far."""
        return self._mins.high if self._whole is None else np.where(self._short, self._whole.low, self._mins.high)

    @property
    def low(self) -> Floats:
        """Sustained valleys so far."""
        return self._maxes.low if self._whole is None else np.where(self._short, self._whole.high, self._maxes.low)


def highs(height: Floats, start: Integers, stop: Integers, span: int) -> Floats:
    """Return the sustained peaks of stretches of one piece of light; parameters as of `SustainedExtremes`."""
    found = SustainedExtremes(start, stop, span)
    found.push(0, height)
    return found.high
