"""The output of a sensor over a recording, as lists of edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Edges = NDArray[np.int64]
"""Evaluation indices at which a two-valued signal changes, ascending, int64, shape (n,)."""


@dataclass(frozen=True, slots=True, eq=False)
class TwoState:
    """A two-valued signal over evaluations ``0 … n−1``: its first value and where it changes.

    Parameters
    ----------
    first : bool
        Value at evaluation 0 and, by convention, for ever before it.
    edges : ndarray of int64, shape (k,), evaluations
        First evaluation of every new value; ascending, all in ``1 … n−1``.
    """

    first: bool
    edges: Edges

    def rises(self) -> Edges:
        """Return the evaluations at which the signal becomes true."""
        return self.edges[1 if self.first else 0 :: 2]

    def falls(self) -> Edges:
        """Return the evaluations at which the signal becomes false."""
        return self.edges[0 if self.first else 1 :: 2]

    def inverted(self) -> TwoState:
        """Return the opposite signal."""
        return TwoState(not self.first, self.edges)

    def dense(self, size: int) -> NDArray[np.bool_]:
        """Return the signal as one boolean per evaluation, shape (size,)."""
        flips = np.zeros(size, np.int8)
        flips[self.edges] = 1
        out: NDArray[np.bool_] = ((np.cumsum(flips) & 1) == 1) ^ self.first
        return out
