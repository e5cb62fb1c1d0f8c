"""A stretch of ranks, divided into pieces, as turning points, closed cycles and ladders.

A *piece* is a span, or the part of a span that lies in a block. The functions here treat one piece at a time and start
it in the dark; `fold` books what the state at its start changes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Flags, Where
from teachlab.questions.surface.all_pairs.tallies import KINDS, PairTally
from teachlab.questions.surface.values.kinds import Kinds

if TYPE_CHECKING:
    from teachlab.questions.surface.values.ranks import Ranks

# Closed cycles, as they are taken off. Light 0 5 2 4 1 6 0 has the peaks 5 4 6 and the valleys 2 1 between them:
#
#       6 |             *       4 is the lowest peak: it dies at the higher of its valleys, 2: cycle (4, 2).
#       5 |   *        / \      Then 5 and 6 are neighbours at the valley 1: 5 dies there: cycle (5, 1).
#       4 |  / \  *   /   \     6 is left and closes with the dark: cycle (6, 0).
#       2 | /   \/ \ /     \
#       1 |/        *       \   A comparator has an onset for each cycle with peak > i and valley <= j:
#       0 +------------------   for i = 3, j = 1 those of 5 and 6, two onsets; for j = 2 also that of 4.
ROUNDS_BELOW = 0.04
"""When a round removes less than this share of the peaks, the stack takes over."""
FEW = 96
"""Up to this number of peaks, the stack is faster than whole-array rounds."""


@dataclass(frozen=True, slots=True, eq=False)
class Turning:
    """Turning points of pieces that each hold at least one rank.

    `peaks` (shape (n,)): peaks of all pieces in time order, seen from the dark before and after each piece.
    `valleys` (shape (n,)): the valley after each peak; 0, the dark, after the last one of a piece.
    `first`, `last` (shape (pieces,)): first and last peak of every piece.
    `lead`, `trail` (shape (pieces,)): first and last rank of every piece.
    """

    peaks: Ranks
    valleys: Ranks
    first: Where
    last: Where
    lead: Ranks
    trail: Ranks

    @classmethod
    def of(cls, rank: Ranks, begins: Where) -> Turning:
        """Find the turning points; `begins` are the first elements of the pieces, ascending, from 0 on."""
        # Light usually repeats its rank: repeated ranks are dropped first, and everything after works on the rest.
        keep = np.empty(rank.size, bool)
        np.not_equal(rank[1:], rank[:-1], out=keep[1:])
        keep[begins] = True
        at = np.flatnonzero(keep)
        rank, begins = rank[at], np.searchsorted(at, begins)
        up = rank[1:] > rank[:-1]
        # A piece begins with a rise from the dark and ends with a fall into it.
        rises_into, falls_after = np.empty(rank.size, bool), np.empty(rank.size, bool)
        rises_into[1:], falls_after[-1] = up, True
        np.logical_not(up, out=falls_after[:-1])
        rises_into[begins] = True
        falls_after[begins[1:] - 1] = True
        peak_at = np.flatnonzero(rises_into & falls_after)
        first = np.searchsorted(peak_at, begins)
        last = np.append(first[1:], peak_at.size) - 1
        inner = np.ones(peak_at.size, bool)
        inner[last] = False
        valleys = np.zeros(peak_at.size, np.int16)
        valleys[inner] = rank[~(rises_into | falls_after)]
        ends = np.append(begins[1:], rank.size) - 1
        return cls(rank[peak_at], valleys, first, last, rank[begins], rank[ends])


def closed_cycles(turning: Turning, kind: Kinds, tally: PairTally) -> None:
    """Book every onset of every piece, started in the dark, as a pair of a peak and the valley before it.

    A comparator with on-index i and off-index j has one onset per pair with ``peak > i`` and
    ``valley <= j``: the pairs are the bars of superlevel persistence, which are the cycles of rainflow
    counting.

    `kind`: shape (pieces,).

    Notes
    -----
    If the valley beside a peak has on its other side a peak at least as high, the peak closes a cycle with that valley
    (the higher of its two), and both are removed. All such peaks are removed at once: of two neighbours at most one may
    claim the valley between them, and what a chain of them leaves (a lower valley, a higher peak) supports the rest of
    the chain as well. The dark between pieces is lower than all valleys, so no cycle crosses it; the last peak of a
    piece closes with the dark.

    References
    ----------
    ASTM E1049-85 (rainflow, four-point form); Edelsbrunner & Harer, Computational Topology, 2010
    (persistence).
    """
    counts = turning.last - turning.first + 1
    # The lowest bits hold the kind: it never changes the order of two different peaks.
    peak = turning.peaks * np.int16(KINDS) + np.repeat(kind, counts).astype(np.int16)
    valley = turning.valleys
    # Whole-array rounds: each removes every peak that can be removed now, which in noise is a good part. What is left
    # in the end is a long zigzag that gives one or two per round; it goes over the stack.
    while peak.size > FEW:
        # Ties go to the right (<= here, its opposite below): two equal peaks must not both claim the valley between
        # them.
        right = np.empty(peak.size, bool)  # closes with the valley on its right
        np.less_equal(peak[:-1], peak[1:], out=right[:-1])
        right[-1] = False
        left = np.empty(peak.size, bool)
        np.logical_not(right[:-1], out=left[1:])
        left[0] = False
        rising = np.empty(peak.size, bool)
        np.less_equal(valley[:-1], valley[1:], out=rising[1:])
        rising[0] = True
        right &= rising
        falling = np.empty(peak.size, bool)
        np.less_equal(valley[1:], valley[:-1], out=falling[1:])
        falling[0] = False
        left &= falling & ~right
        by_left = np.flatnonzero(left)
        gone = right | left
        removed = np.flatnonzero(gone)
        if removed.size < ROUNDS_BELOW * peak.size:
            break
        drop = right.copy()
        drop[by_left - 1] = True  # the valley before that peak
        with_right = np.flatnonzero(right)
        tally.cycles(peak[with_right], valley[with_right])
        tally.cycles(peak[by_left], valley[by_left - 1])
        peak, valley = peak[~gone], valley[~drop]
    _stack(peak.tolist(), valley.tolist(), tally)


def _stack(peaks: list[int], valleys: list[int], tally: PairTally) -> None:
    """Close the cycles that the rounds left, peak by peak, with a stack."""
    gone: list[int] = []
    bases: list[int] = []
    high: list[int] = []
    low: list[int] = []  # low[k]: the valley before high[k]
    before = 0
    for peak, after in zip(peaks, valleys, strict=True):
        while high and high[-1] <= peak:
            # The lower of two peaks ends at the valley between them.
            gone.append(high.pop())
            bases.append(before)
            before = low.pop()
        high.append(peak)
        low.append(before)
        # A valley ends all peaks whose own valley is not lower, except the highest of them.
        while len(high) > 1 and low[-1] >= after:
            gone.append(high.pop())
            bases.append(low.pop())
        before = after
    # Peaks that never met a higher one are left, ascending from the right: each closes with the valley before it.
    gone += high
    bases += low
    if gone:
        tally.cycles(np.array(gone, np.int16), np.array(bases, np.int16))


@dataclass(frozen=True, slots=True, eq=False)
class Ladders:
    """What the state at the start of a piece can still change, and what the piece leaves behind.

    `top`, `bottom`, `lead` (shape (pieces,)): highest, lowest and first rank.
    `first_piece`, `first_peak`, `first_low` (shape (m,)): peaks higher than all before them in the piece, and the
    lowest rank before each.
    `last_piece`, `last_peak`, `last_low`, `last_after` (shape (n,)): peaks higher than all after them in the piece, and
    the lowest rank before and after each.
    """

    top: Ranks
    bottom: Ranks
    lead: Ranks
    first_piece: Where
    first_peak: Ranks
    first_low: Ranks
    last_piece: Where
    last_peak: Ranks
    last_low: Ranks
    last_after: Ranks

    @classmethod
    def of(cls, turning: Turning, levels: int) -> Ladders:
        """Read the ladders from the turning points by running extremes that restart in every piece."""
        pieces = turning.first.size
        counts = turning.last - turning.first + 1
        piece = np.repeat(np.arange(pieces), counts)
        # Each piece gets its own offset, so that one running extreme serves all pieces.
        storey: NDArray[Any] = (piece * (levels + 2)).astype(np.int64 if pieces * (levels + 2) > 2**30 else np.int32)
        before = np.empty(turning.peaks.size, storey.dtype)
        before[1:] = turning.valleys[:-1]
        before[turning.first] = turning.lead
        # Offsets descend for minima and ascend for maxima: a running extreme cannot carry over into the next piece.
        low = np.minimum.accumulate(before - storey) + storey
        after = turning.valleys.astype(storey.dtype)
        after[turning.last] = turning.trail
        later = np.minimum.accumulate((after + storey)[::-1])[::-1] - storey
        first = _records(turning.peaks + storey)
        last = _records((turning.peaks - storey)[::-1])[::-1]
        last = turning.peaks.size - 1 - last
        narrow: Any = np.int16
        return cls(
            top=np.maximum.reduceat(turning.peaks, turning.first),
            bottom=np.minimum(low[turning.last], turning.trail).astype(narrow),
            lead=turning.lead,
            first_piece=piece[first],
            first_peak=turning.peaks[first],
            first_low=low[first].astype(narrow),
            last_piece=piece[last],
            last_peak=turning.peaks[last],
            last_low=low[last].astype(narrow),
            last_after=later[last].astype(narrow),
        )

    def select(self, kept: Flags) -> Ladders:
        """Return the ladders of some pieces, numbered anew."""
        number = np.cumsum(kept) - 1
        first, last = kept[self.first_piece], kept[self.last_piece]
        return Ladders(
            self.top[kept], self.bottom[kept], self.lead[kept],
            number[self.first_piece[first]], self.first_peak[first], self.first_low[first],
            number[self.last_piece[last]], self.last_peak[last], self.last_low[last], self.last_after[last],
        )  # fmt: skip


def _records(values: NDArray[Any]) -> Where:
    """Return the places of values above all values before them."""
    highest = np.maximum.accumulate(values)
    new = np.empty(values.size, bool)
    new[0] = True
    np.greater(highest[1:], highest[:-1], out=new[1:])
    return np.flatnonzero(new)
