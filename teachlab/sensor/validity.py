"""Which evaluations have no valid sample, kept as edges while blocks are read."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from teachlab.sensor.edges import Edges, TwoState, joined


class Validity:
    """Collects the invalid evaluations of consecutive blocks."""

    def __init__(self) -> None:
        self._count = 0
        self._first = self._now = False
        self._edges: list[Edges] = []

    def push(self, invalid: NDArray[np.bool_] | None, size: int) -> None:
        """Take the next `size` evaluations; None means that all of them are valid."""
        if size == 0:
            return
        begins = invalid is not None and bool(invalid[0])
        if self._count == 0:
            self._first = self._now = begins
        if begins != self._now:
            self._edges.append(np.array([self._count], np.int64))
        if invalid is not None:
            self._edges.append(np.flatnonzero(invalid[1:] != invalid[:-1]) + 1 + self._count)
        self._now = invalid is not None and bool(invalid[-1])
        self._count += size

    def state(self) -> TwoState:
        """Return the signal that is true where an evaluation is invalid."""
        return TwoState(self._first, joined(self._edges))
