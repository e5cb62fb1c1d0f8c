"""Counts for given pairs of levels only: events are kept as weighted corners, and summed for each pair."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Integers, Where
from teachlab.questions.surface.all_pairs.tallies import KINDS
from teachlab.questions.surface.values.kinds import OWN, TOUCHING, Kind, Kinds

if TYPE_CHECKING:
    from teachlab.questions.surface.values.ranks import Ranks
    from teachlab.questions.surface.values.spans import Spans

STRIP = 64
"""On-indices that are summed together."""
HELD_BACK = 1 << 19
"""Corners kept before they are summed: memory does not grow with the recording."""
ONSETS, QUIET, HELD = 0, 3, 6
"""Channels: onsets and spans without an onset, of three kinds each, and active passes without an onset, of two: those
that stand apart, and those that touch the pass before."""
CHANNELS = 8

# An event concerns all comparators with i < a and j >= b. It is kept as its corner (a, b), and every comparator counts
# the corners to its right that are not above it. Here q counts two of three corners +:
#
#     j |     +                  A table of all i and j would grow with the square of the levels, and comparing every
#       |   q     +              corner with every comparator with their product. So the on-indices are cut into
#       |       +                strips: whole strips to the right of q are one sum in a small table; only the strip
#       +-----|-----|--- i       in which q itself lies is worked out index by index.


class TallyOfGivenPairs:
    """Counts of given comparators, as `teachlab.questions.surface.all_pairs.tallies.Tallies`, without a table of all.

    `on`, `off` (shape (q,)): on-index and off-index of each.
    """

    def __init__(self, on: NDArray[Any], off: NDArray[Any], levels: int) -> None:
        self.pieces = np.zeros(KINDS, np.int64)
        some_on, self._row = np.unique(on, return_inverse=True)
        some_off, self._column = np.unique(off, return_inverse=True)
        self._rows, self._columns = some_on.size, some_off.size
        # ``a > i`` is ``rows_below[a] > row`` and ``b <= j`` is ``columns_below[b] <= column``.
        every = np.arange(levels + 2)
        self._rows_below = np.searchsorted(some_on, every)
        self._columns_below = np.searchsorted(some_off, every)
        # The highest column that is asked for left of each row: most corners lie above it, and no one counts them.
        reach = np.full(self._rows + 1, -1, np.int64)
        np.maximum.at(reach, self._row + 1, self._column)
        self._reach = np.maximum.accumulate(reach)
        self._sums = np.zeros((CHANNELS, on.size), np.int64)
        self._kept: list[list[NDArray[Any]]] = []
        self._size = 0

    def cycles(self, peak: NDArray[Any], valley: NDArray[Any]) -> None:
        """Book onsets for ``i < peak`` and ``j >= valley``; the lowest two bits of the peak hold the kind."""
        kind, row = peak & 3, self._rows_below[peak >> 2]
        column = self._columns_below[valley]
        some = np.flatnonzero((column <= self._reach[row]) & (kind != Kind.UNCOUNTED))
        self._keep(kind[some] + ONSETS, row[some], column[some], np.ones(some.size, np.int8))

    def no_onset(self, kind: Kinds, begin: Integers, end: Integers, border: Ranks) -> None:
        """Add the onset back that `pieces` subtracts, for ``begin <= i < end`` and ``j >= border``."""
        self._stretches(ONSETS, kind, begin, end, border)

    def quiet(self, kind: Kinds, begin: Integers, end: Integers, border: NDArray[Any]) -> None:
        """Book a span without onset for ``begin <= i < end`` and ``j < border``."""
        self._stretches(QUIET, kind, begin, end, border)

    def held(self, kind: Kinds, begin: Integers, end: Integers, border: NDArray[Any]) -> None:
        """Book a span without onset in which the output is active; only detect passes are asked for."""
        some = kind & OWN == Kind.DETECT
        self._stretches(HELD, kind[some] // np.int8(TOUCHING), begin[some], end[some], border[some])

    def _stretches(self, channel: int, kind: Kinds, begin: Integers, end: Integers, border: NDArray[Any]) -> None:
        low, high = self._rows_below[begin], self._rows_below[end]
        # From begin to end: what lies left of the end, minus what lies left of the begin, if anything does.
        some = np.flatnonzero((low != high) & (kind != Kind.UNCOUNTED))
        column = self._columns_below[border[some]]
        which = kind[some] + np.int8(channel)
        one = np.ones(some.size, np.int8)
        self._keep(which, high[some], column, one)
        inner = low[some] > 0
        self._keep(which[inner], low[some][inner], column[inner], -one[inner])

    def _keep(self, channel: NDArray[Any], row: NDArray[Any], column: NDArray[Any], weight: NDArray[np.int8]) -> None:
        if row.size == 0:
            return
        self._kept.append([channel.astype(np.int8), row.astype(np.int16), column.astype(np.int16), weight])
        self._size += row.size
        if self._size > HELD_BACK:
            self._sum_up()

    def _sum_up(self) -> None:
        """Add all corners to the sums and forget them."""
        if not self._kept:
            return
        channel, row, column, weight = (np.concatenate(parts) for parts in zip(*self._kept, strict=True))
        self._kept, self._size = [], 0
        order = np.argsort(channel, kind="stable")
        borders = np.searchsorted(channel[order], np.arange(CHANNELS + 1))
        for c in range(CHANNELS):
            some = order[borders[c] : borders[c + 1]]
            if some.size:
                above = self._dominated(row[some], column[some], weight[some], below=c < QUIET)
                self._sums[c] += above

    def _dominated(self, row: Ranks, column: Ranks, weight: NDArray[np.int8], *, below: bool) -> Integers:
        """Return, for every comparator, the weight of corners with ``row > i`` and ``column <= j``, or ``> j``."""
        strips = self._rows // STRIP + 1
        width = self._columns + 1
        strip = row // STRIP
        # Corners of higher strips count in every row.
        table = _histogram(strip.astype(np.int64) * width + column, weight, strips * width).reshape(strips, width)
        table = np.cumsum(table, axis=1)
        higher = np.zeros((strips + 1, width), np.int64)
        higher[:-1] = np.cumsum(table[::-1], axis=0)[::-1]
        own = self._row // STRIP
        out = higher[own + 1, self._column]
        # Beyond the column is everything of the row that is not up to it: the same corners serve both questions.
        if not below:
            out = higher[own + 1, -1] - out
        by_corner, by_asked = np.argsort(strip, kind="stable"), np.argsort(own, kind="stable")
        corners = np.searchsorted(strip[by_corner], np.arange(strips + 1))
        asked = np.searchsorted(own[by_asked], np.arange(strips + 1))
        for s in range(strips):
            a, q = by_corner[corners[s] : corners[s + 1]], by_asked[asked[s] : asked[s + 1]]
            if a.size and q.size:
                out[q] += self._within(row[a] % STRIP, column[a], weight[a], q, below=below)
        return out

    def _within(self, row: Ranks, column: Ranks, weight: NDArray[np.int8], asked: Where, *, below: bool) -> Integers:
        """Do the same within one strip, for the columns that it needs."""
        columns, place = np.unique(self._column[asked], return_inverse=True)
        height, width = STRIP + 1, columns.size + 1
        at = row.astype(np.int64) * width + np.searchsorted(columns, column)
        table = _histogram(at, weight, height * width).reshape(height, width)
        table = np.cumsum(np.cumsum(table[::-1], axis=0)[::-1], axis=1)
        above = self._row[asked] % STRIP + 1
        found: Integers = table[above, place]
        return found if below else table[above, -1] - found

    def counts(self, spans: Spans) -> dict[str, Integers]:
        """Return the counts of every comparator by the names of the tables of a surface, shape (q,)."""
        self._sum_up()
        onsets = self._sums[ONSETS:QUIET] - self.pieces[:3, None]
        quiet = self._sums[QUIET:HELD]
        lost = quiet[Kind.DETECT] + spans.blind
        seen = int(np.count_nonzero(spans.kind == Kind.IGNORE))
        return {
            "lost": lost,
            "merged": self._sums[HELD] + self._sums[HELD + 1],
            "touching": self._sums[HELD + 1],
            "extra": onsets[Kind.DETECT] + lost - spans.detect,
            "false_trips": onsets[Kind.GAP],
            "gaps_tripped": spans.gaps - quiet[Kind.GAP],
            "ignore_trips": onsets[Kind.IGNORE],
            "ignore_tripped": seen - quiet[Kind.IGNORE],
        }


def _histogram(at: Integers, weight: NDArray[np.int8], size: int) -> Integers:
    # Counted twice instead of once with weights: bincount adds weights as floats, at eight times the memory.
    out: Integers = np.bincount(at[weight > 0], minlength=size)
    return out - np.bincount(at[weight < 0], minlength=size)
