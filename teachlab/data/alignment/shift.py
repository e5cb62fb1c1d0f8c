"""Two numbers between two clocks: a shift in the middle of the recording, and a difference of rate around it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.truth import Truth, joined

Places = NDArray[np.float64]

MOST_RATE = 1e-3
"""Clocks that differ by more than 1000 ppm are broken."""


@dataclass(frozen=True, slots=True)
class ClockShift:
    """Position of a time of the truth on the clock of the light: ``p + shift + rate · (p − samples / 2)``.

    `samples`: length of the recording; its middle is where the shift holds.
    `shift` (samples): what is added in the middle of the recording.
    `rate`: difference of rate, 1e-6 is 1 ppm.
    """

    samples: int
    shift: float = 0.0
    rate: float = 0.0

    def of(self, places: NDArray[Any]) -> Places:
        """Return the positions of places of the truth on the clock of the light, samples."""
        out: Places = places + self.shift + self.rate * (places - self.samples / 2)
        return out

    @property
    def most(self) -> float:
        """The largest distance by which anything in the recording is moved, samples."""
        return abs(self.shift) + abs(self.rate) * self.samples / 2


def shifted(truth: Truth, shift: ClockShift) -> tuple[Truth, int]:
    """Move passes by a shift, and return how many left the recording.

    Borders go to the nearest sample. A pass that leaves the recording is left out, one that is cut ends with it.
    Stretches in which they say nothing are moved with them; what their clock did not see is another one.

    Examples
    --------
    >>> moved, left = shifted(Truth.from_arrays([1, 50, 90], [4, 60, 98]), ClockShift(100, 5.2))
    >>> moved.start.tolist(), moved.end.tolist(), left, moved.except_
    ([6, 55, 95], [9, 65, 100], 0, ((0, 5),))
    """
    start = np.rint(shift.of(truth.start)).astype(np.int64)
    # Rounding keeps the order of borders; only a pass of one sample could disappear.
    end = np.maximum(np.rint(shift.of(truth.end)).astype(np.int64), start + 1)
    start, end = start.clip(0, shift.samples), end.clip(0, shift.samples)
    end[:-1] = np.minimum(end[:-1], np.maximum(start[1:], start[:-1]))
    kept = end > start
    moved = truth.select(kept)
    marks = np.array([0, shift.samples, *(mark for stretch in truth.except_ for mark in stretch)])
    first, last, *left = np.rint(shift.of(marks)).astype(np.int64).clip(0, shift.samples).tolist()
    unseen = joined([(0, first), *zip(left[::2], left[1::2], strict=True), (last, shift.samples)])
    return replace(moved, start=start[kept], end=end[kept], except_=unseen), int(np.count_nonzero(~kept))
