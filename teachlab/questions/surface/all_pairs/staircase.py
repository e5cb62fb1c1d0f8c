"""The state of all comparators at once, carried from piece to piece, and its effect on the counts.

For on-index i the comparators that are light are those with off-index below ``state(i)``: a later fall to a level
switches off the ones above it. This staircase is the memory of the Preisach model of hysteresis. It is kept as steps:
ends (exclusive on-indices, ascending, the last one is the number of levels) and values.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Flags, Integers, Where
from teachlab.questions.surface.all_pairs.tallies import KINDS, PairTally
from teachlab.questions.surface.values.kinds import OWN, Kinds

if TYPE_CHECKING:
    from teachlab.questions.surface.all_pairs.turning import Ladders
    from teachlab.questions.surface.values.ranks import Ranks

# The staircase, for n = 6 levels. On-index i runs along, off-index j upwards; a comparator that is light is #:
#
#     j
#     5 |           .        light rose to rank 4: all with i < 4 became light;
#     4 |         . .        then it fell to rank 2: those with j >= 2 went dark again.
#     3 |       . . .        Those with i >= 4 are as they were before: here dark.
#     2 |     . . . .
#     1 |   # # # . .        state(i) = 2 for i < 4, and 0 for i >= 4:
#     0 | # # # # . .        ends [4, 6], values [2, 0]
#       +-------------
#         0 1 2 3 4 5  i
#
# Every new peak wipes out the steps to its left, every new valley lowers those above it: only the peaks and valleys
# that nothing later exceeded are remembered. That is why a few steps stand for all n (n + 1) / 2 comparators.
NEVER = np.int16(np.iinfo(np.int16).max)


@dataclass(frozen=True, slots=True, eq=False)
class _Steps:
    """A staircase for each piece: at on-index i, the value of the first step that ends above i.

    `key` (shape (m,)): ``piece · (levels + 1) + end``, ascending.
    `value`: shape (m,).
    """

    key: Integers
    value: Ranks

    def at(self, key: Integers) -> Ranks:
        """Return the values just before given ends."""
        return self.value[np.searchsorted(self.key, key)]


class Staircase:
    """Carries the state of all comparators over pieces in time order.

    `state` (shape (n,)): before the record: off-indices below it are active.
    """

    def __init__(self, state: Ranks, tally: PairTally) -> None:
        self._levels = int(state.size)
        change = np.flatnonzero(np.diff(state)) + 1
        self._ends: list[int] = [*change.tolist(), self._levels]
        # Negative, so that they ascend with i.
        self._negated: list[int] = (-state[np.append(0, change)]).tolist()
        self._tally = tally
        # For the span in progress: the state at its start, and the off-index from which it had an onset.
        self._entry = np.zeros(state.size, np.int16)
        self._had = np.full(state.size, NEVER, np.int16)

    def push(self, ladders: Ladders, kind: Kinds, opens: Flags, closes: Flags) -> None:
        """Take the next pieces, some of which begin or end a span."""
        # A hidden first evaluation holds the output: its lead is not dark.
        dark = (ladders.top == 0) & (ladders.lead == 0) & opens & closes
        if dark.any():
            self._book_dark(kind[dark] & OWN)
        kept = ~dark
        if kept.any():
            after_dark = np.diff(np.cumsum(dark)[kept], prepend=0) > 0
            self._push(ladders.select(kept), kind[kept], opens[kept], closes[kept], after_dark)
        if dark.size and dark[-1]:
            self._ends, self._negated = [self._levels], [0]

    def _book_dark(self, kind: Kinds) -> None:
        """Book whole spans below all levels, which only switch off every comparator."""
        zero = np.zeros(kind.size, np.int64)
        self._tally.quiet(kind, zero, zero + self._levels, zero + self._levels + 1)

    def _push(self, ladders: Ladders, kind: Kinds, opens: Flags, closes: Flags, after_dark: Flags) -> None:
        n = self._levels
        # Three staircases over the on-indices decide what a piece does to a comparator; each is constant between its
        # ends. `entry` says which comparators were light before it, `first` how low the light was before the first peak
        # above i, and `last` how low it was before the last one. Divided at all ends together there are few stretches,
        # and all are booked at once.
        first = _steps(ladders.first_piece, ladders.first_peak, ladders.first_low, ladders.top, n, 0)
        turn = _turned(ladders.last_piece)
        last = _steps(ladders.last_piece, ladders.last_peak[turn], ladders.last_low[turn], ladders.top, n, int(NEVER))
        entry = self._states(ladders, ladders.last_peak[turn], ladders.last_after[turn], after_dark)
        # One sort instead of a three-way merge for each piece: the piece comes first in the key, so pieces stay
        # separate.
        key = np.concatenate((entry.key, first.key, last.key))
        key.sort()
        key = key[np.append(True, key[1:] != key[:-1])]
        piece, end = np.divmod(key, n + 1)
        begin = np.zeros(key.size, np.int64)
        begin[1:] = np.where(piece[1:] == piece[:-1], end[:-1], 0)
        before, low = entry.at(key), last.at(key)
        # Comparators that were light from the start book no onset at the first peak.
        own = kind & OWN
        self._tally.no_onset(*_runs(own[piece], begin, end, np.minimum(before, first.at(key))))
        self._tally.pieces += np.bincount(own, minlength=KINDS)
        # Above the highest peak (NEVER) no onset is possible: no off-index is small enough for it.
        had = np.where(low == NEVER, np.int16(n + 1), np.minimum(before, low))
        # A comparator that is still active at the first evaluation of a span is held in it.
        at_begin = np.minimum(before, ladders.lead[piece])
        whole = (opens & closes)[piece]
        if whole.any():
            self._book(kind[piece[whole]], begin[whole], end[whole], at_begin[whole], had[whole])
        # A span that continues over the border of a block waits in full width; there is at most one at either end of a
        # block.
        for k in np.flatnonzero(~(opens & closes)).tolist():
            a, b = np.searchsorted(piece, (k, k + 1))
            lengths = end[a:b] - begin[a:b]
            self._part(kind[k], np.repeat(at_begin[a:b], lengths), np.repeat(had[a:b], lengths), opens[k], closes[k])

    def _states(self, ladders: Ladders, peak: Ranks, after: Ranks, after_dark: Flags) -> _Steps:
        """Go through the pieces, and return the state at the start of each."""
        n = self._levels
        ends, negated = self._ends, self._negated
        all_ends: list[int] = []
        all_negated: list[int] = []
        sizes: list[int] = []
        peaks, afters = peak.tolist(), (-after).tolist()
        to = np.searchsorted(ladders.last_piece, np.arange(ladders.top.size), side="right").tolist()
        start = 0
        turns = zip(ladders.top.tolist(), (-ladders.bottom).tolist(), to, after_dark.tolist(), strict=True)
        for top, cap, stop, dark in turns:
            if dark:
                ends, negated = [n], [0]
            all_ends += ends
            all_negated += negated
            sizes.append(len(ends))
            # Below the highest peak the piece leaves its own staircase; above it, its lowest light limits the old one.
            new_ends, new_negated = (peaks[start:stop], afters[start:stop]) if top else ([], [])
            start = stop
            if top < n:
                # Lists and bisection: a staircase has few steps, and an array would take longer to set up than to use.
                here = bisect_right(ends, top)
                low = bisect_right(negated, cap, here)
                if low > here:  # all that is capped becomes one step
                    new_ends.append(ends[low - 1])
                    new_negated.append(cap)
                new_ends += ends[low:]
                new_negated += negated[low:]
            ends, negated = new_ends, new_negated
        self._ends, self._negated = ends, negated
        piece = np.repeat(np.arange(len(sizes)), sizes)
        return _Steps(piece * (n + 1) + np.array(all_ends, np.int64), -np.array(all_negated, np.int16))

    def _book(self, kind: Kinds, begin: Integers, end: Integers, entry: Ranks, had: Ranks) -> None:
        self._tally.quiet(*_runs(kind & OWN, begin, end, had))
        self._tally.held(*_runs(kind, begin, end, np.minimum(entry, had)))

    def _part(self, kind: np.int8, entry: Ranks, had: Ranks, opens: np.bool_, closes: np.bool_) -> None:
        """Combine a span that comes in several pieces; entry and had are spread over all on-indices."""
        if opens:
            self._entry, self._had = entry, had
        else:
            self._had = np.minimum(self._had, had)
        if closes:
            change = (np.diff(self._entry) != 0) | (np.diff(self._had) != 0)
            begin = np.concatenate(([0], np.flatnonzero(change) + 1))
            end = np.append(begin[1:], self._levels)
            self._book(np.full(begin.size, kind), begin, end, self._entry[begin], self._had[begin])


def _runs(kind: Kinds, begin: Integers, end: Integers, border: Ranks) -> tuple[Kinds, Integers, Integers, Ranks]:
    """Join neighbouring stretches of one border; a piece begins at 0."""
    new = np.append(True, (border[1:] != border[:-1]) | (begin[1:] == 0))
    first = np.flatnonzero(new)
    return kind[first], begin[first], end[np.append(first[1:], new.size) - 1], border[first]


def _turned(piece: Where) -> Where:
    """Return places that reverse the order within every piece."""
    first, last = np.searchsorted(piece, piece, side="left"), np.searchsorted(piece, piece, side="right")
    out: Where = first + last - 1 - np.arange(piece.size)
    return out


def _steps(piece: Where, peak: Ranks, value: Ranks, top: Ranks, levels: int, beyond: int) -> _Steps:
    """Return staircases that end at peaks, ascending in a piece, and have the value `beyond` above the highest."""
    width = levels + 1
    rest = np.flatnonzero(top < levels)
    some = peak > 0
    key = np.concatenate((piece[some] * width + peak[some], rest * width + levels))
    values: NDArray[Any] = np.concatenate((value[some], np.full(rest.size, beyond, np.int16)))
    order = np.argsort(key, kind="stable")
    return _Steps(key[order], values[order])
