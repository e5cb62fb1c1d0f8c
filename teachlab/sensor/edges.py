"""Two-valued signals over evaluations, as lists of edges: comparator, output, validity."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Edges = NDArray[np.int64]
"""Evaluation indices at which a two-valued signal changes, ascending, int64, shape (n,)."""

Numbers = TypeVar("Numbers", bound=NDArray[Any])

LONG_AGO = -(2**62)
"""Start of a run that was already present when the record began."""


def joined(parts: list[Edges]) -> Edges:
    """Join lists of edges."""
    return np.concatenate(parts) if parts else np.empty(0, np.int64)


def placed(parts: list[tuple[int, NDArray[np.int32]]]) -> Edges:
    """Return lists of edges, each counted from its own start, as one.

    Where edges are many, memory that is touched for the first time takes longer than all else: while light goes by they
    are kept in half of it.
    """
    out = np.empty(sum(at.size for _, at in parts), np.int64)
    a = 0
    for begin, at in parts:
        np.add(at, begin, out=out[a : a + at.size], dtype=np.int64)
        a += at.size
    return out


def merged(*parts: Numbers) -> Numbers:
    """Return the distinct values of arrays of numbers, none of them NaN, ascending.

    They are sorted: nearly sorted values are sorted faster than `unique` of the library hashes them.
    """
    out: Any = np.concatenate(parts)
    out.sort()
    new = np.ones(out.size, bool)
    np.not_equal(out[1:], out[:-1], out=new[1:])
    found: Numbers = out[new]
    return found


@dataclass(frozen=True, slots=True, eq=False)
class TwoState:
    """A two-valued signal over evaluations ``0 … n−1``: its first value and where it changes.

    `first`: value at evaluation 0 and, by convention, at all times before it.
    `edges` (shape (k,), evaluations): first evaluation of every new value; ascending, all in ``1 … n−1``.
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

    def dense(self, size: int, start: int = 0) -> NDArray[np.bool_]:
        """Return the signal as one boolean per evaluation, from one on, shape (size,)."""
        # Edges alternate, so the parity of their running number is the state.
        before, stop = np.searchsorted(self.edges, (start, start + size))
        flips = np.zeros(size, np.int8)
        flips[self.edges[before:stop] - start] = 1
        out: NDArray[np.bool_] = ((np.cumsum(flips) + before & 1) == 1) ^ self.first
        return out

    def runs(self, size: int) -> tuple[Edges, Edges]:
        """Return the stretches in which the signal is true, as starts and ends ``[start, end)``.

        A signal that begins true is assumed to be true at all times before: its first start is `LONG_AGO`. One that
        ends true ends at `size`.
        """
        starts, ends = self.rises(), self.falls()
        if self.first:
            starts = np.concatenate(([LONG_AGO], starts))
        if ends.size < starts.size:
            ends = np.concatenate((ends, [size]))
        return starts, ends

    @classmethod
    def from_runs(cls, starts: Edges, ends: Edges, size: int) -> TwoState:
        """Build the signal that is true on ``[starts[k], ends[k])``; ascending, disjoint, not touching."""
        edges = np.empty(2 * starts.size, np.int64)
        edges[::2], edges[1::2] = starts, ends
        # What holds at evaluation 0 held at all times before: a start there is no edge, and neither is an end at
        # `size`.
        first = bool(starts.size and starts[0] <= 0 < ends[0])
        return cls(first, edges[(edges > 0) & (edges < size)])


@dataclass(frozen=True, slots=True, eq=False)
class RunCounter:
    """Number of evaluations before a position that lie inside given runs, in logarithmic time.

    `starts`, `ends` (shape (k,), evaluations): disjoint ascending runs ``[start, end)``, all at or after 0.
    """

    starts: Edges
    ends: Edges
    total: Edges

    @classmethod
    def of(cls, state: TwoState, size: int) -> RunCounter:
        """Count the evaluations at which a signal is true."""
        starts, ends = state.runs(size)
        starts = np.maximum(starts, 0)
        return cls(starts, ends, np.concatenate(([0], np.cumsum(ends - starts))))

    def before(self, position: Edges) -> Edges:
        """Return how many true evaluations lie before each position."""
        # All runs that start before the position, without what the last of them has behind it. Where k is 0, `k - 1`
        # reads the last run of all; that number is dropped.
        k = np.searchsorted(self.starts, position, side="left")
        inside = np.maximum(self.ends[k - 1] - position, 0) if self.ends.size else 0
        out: Edges = self.total[k] - np.where(k > 0, inside, 0)
        return out

    def within(self, start: Edges, stop: Edges) -> Edges:
        """Return how many true evaluations lie in each ``[start, stop)``."""
        out: Edges = self.before(stop) - self.before(start)
        return out


FEW_VALUES = 32
"""Ranges of fewer values are read faster by the number of every value than one after the other."""


def pieces(values: NDArray[Any], start: NDArray[np.int64], stop: NDArray[np.int64]) -> NDArray[Any]:
    """Return the values of ranges ``[start, stop)``, one after the other; of one range no copy is made."""
    if start.size == 1:
        return values[start[0] : stop[0]]
    if (stop - start).sum() < FEW_VALUES * start.size:
        return values[ranges_of(start, stop)]
    return np.concatenate([values[:0], *(values[a:b] for a, b in zip(start.tolist(), stop.tolist(), strict=True))])


def ranges_of(start: NDArray[np.intp], stop: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the numbers of ranges ``[start, stop)``, one after the other.

    Examples
    --------
    >>> ranges_of(np.array([3, 9]), np.array([5, 10])).tolist()
    [3, 4, 9]
    """
    #     for [3, 5) and [9, 10):   a plain count   0 1 2
    #                               + per range     3 3 7     its start, minus the count at which it begins
    #                                               3 4 9
    size = stop - start
    out: NDArray[np.intp] = np.arange(int(size.sum())) + np.repeat(start - np.cumsum(size) + size, size)
    return out
