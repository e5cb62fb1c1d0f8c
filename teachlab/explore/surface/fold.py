"""The state of all comparators at once, carried from piece to piece, and what it does to the counts.

For on-index i the comparators that are light are those with off-index below ``state[i]``: a later fall
to a level puts out the ones above it. That staircase is the memory of the Preisach model of hysteresis.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from teachlab.explore.surface.ranks import Ranks
from teachlab.explore.surface.spans import Kind
from teachlab.explore.surface.turning import KINDS, Ladders, Where

NEVER = np.int16(np.iinfo(np.int16).max)
CELLS = 1 << 20
"""Pieces are taken together as long as their staircases have at most this many steps."""


class Tallies:
    """Histograms from which all counts follow by running sums.

    Parameters
    ----------
    levels : int
        n.

    Attributes
    ----------
    onsets : ndarray of int64, shape (4 · (n + 1), n + 1)
        At ``[4 · a + kind, b]``: onsets of every comparator with ``i < a`` and ``j >= b``.
    pieces : ndarray of int64, shape (4,)
        To be taken off the onsets of every comparator.
    quiet, held : ndarray of int32, shape (3, n + 1, n + 2)
        Differences along i of a histogram over b: spans of a kind without onset (and, for `held`,
        with the output active) for every comparator with ``j < b``.
    """

    def __init__(self, levels: int) -> None:
        self.levels = levels
        self.onsets = np.zeros((KINDS * (levels + 1), levels + 1), np.int64)
        self.pieces = np.zeros(KINDS, np.int64)
        self.quiet = np.zeros((3, levels + 1, levels + 2), np.int32)
        self.held = np.zeros((3, levels + 1, levels + 2), np.int32)


class Fold:
    """Carries the state of all comparators over pieces in time order.

    Parameters
    ----------
    state : ndarray of int16, shape (n,)
        Before the record: off-indices below it are active.
    tallies : Tallies
    """

    def __init__(self, state: Ranks, tallies: Tallies) -> None:
        self.state = state
        self.tallies = tallies
        # Of the span under way: state at its begin, and from which off-index on it had an onset.
        self._entry: Ranks | None = None
        self._had = np.full(state.size, NEVER, np.int16)

    def push(
        self, ladders: Ladders, kind: NDArray[np.int8], opens: NDArray[np.bool_], closes: NDArray[np.bool_]
    ) -> None:
        """Take the next pieces, some of which begin or end a span."""
        # A hidden first evaluation holds the output: its lead is not the dark.
        dark = (ladders.top == 0) & (ladders.lead == 0) & opens & closes
        if dark.any():
            ladders, kept, after_dark, ends_dark = self._without(ladders, dark, kind)
            kind, opens, closes = kind[kept], opens[kept], closes[kept]
        else:
            after_dark, ends_dark = dark, False
        self._push_all(ladders, kind, opens, closes, after_dark)
        if ends_dark:
            self.state[:] = 0

    def _without(
        self, ladders: Ladders, dark: NDArray[np.bool_], kind: NDArray[np.int8]
    ) -> tuple[Ladders, NDArray[np.bool_], NDArray[np.bool_], bool]:
        """Book whole spans below all levels, which put out every comparator and do nothing else."""
        counted = np.bincount(kind[dark], minlength=KINDS)
        self.tallies.quiet[:, 0, self.state.size + 1] += counted[:3].astype(np.int32)
        kept = ~dark
        passed = np.cumsum(dark)[kept]
        after_dark = np.diff(passed, prepend=0) > 0
        return ladders.select(kept), kept, after_dark, bool(dark[-1])

    def _push_all(
        self,
        ladders: Ladders,
        kind: NDArray[np.int8],
        opens: NDArray[np.bool_],
        closes: NDArray[np.bool_],
        after_dark: NDArray[np.bool_],
    ) -> None:
        together = max(1, CELLS // max(1, self.state.size))
        for a in range(0, kind.size, together):
            part = slice(a, min(a + together, kind.size))
            rows = _rows(ladders, part, self.state.size)
            self._push(rows, ladders.lead[part], kind[part], opens[part], closes[part], after_dark[part])

    def _push(
        self,
        rows: tuple[Ranks, Ranks, Ranks, Ranks, Ranks],
        lead: Ranks,
        kind: NDArray[np.int8],
        opens: NDArray[np.bool_],
        closes: NDArray[np.bool_],
        after_dark: NDArray[np.bool_],
    ) -> None:
        top, bottom, first_low, last_low, last_after = rows
        entry = np.empty_like(last_low)
        state = self.state
        turns = zip(top.tolist(), bottom.tolist(), after_dark.tolist(), strict=True)
        for k, (peak, floor, dark) in enumerate(turns):
            if dark:
                state[:] = 0
            entry[k] = state
            if peak < state.size:
                np.minimum(state[peak:], floor, out=state[peak:])
            state[:peak] = last_after[k, :peak]
        # Comparators that were light all along book no onset at the first peak.
        _book_onsets(self.tallies, np.minimum(entry, first_low), kind)
        had = np.minimum(entry, last_low)
        had[last_low == NEVER] = NEVER
        # Held in a span is what is still active at its first evaluation.
        np.minimum(entry, lead[:, None], out=entry)
        self._close_spans(entry, had, kind, opens, closes)

    def _close_spans(
        self, entry: Ranks, had: Ranks, kind: NDArray[np.int8], opens: NDArray[np.bool_], closes: NDArray[np.bool_]
    ) -> None:
        """Book spans that are complete; spans in several pieces are put together first."""
        if not opens[0] and self._entry is not None:
            entry[0] = self._entry
            np.minimum(had[0], self._had, out=had[0])
        for k in np.flatnonzero(~opens[1:]) + 1:
            entry[k] = entry[k - 1]
            np.minimum(had[k], had[k - 1], out=had[k])
        if not closes[-1]:
            self._entry, self._had = entry[-1].copy(), had[-1].copy()
        counted = np.flatnonzero(closes & (kind != Kind.UNCOUNTED))
        if counted.size < kind.size:
            entry, had, kind = entry[counted], had[counted], kind[counted]
        last = np.int16(self.state.size + 1)
        np.minimum(had, last, out=had)
        _book(self.tallies.quiet, had, kind)
        _book(self.tallies.held, np.minimum(entry, had), kind)


def _rows(ladders: Ladders, part: slice, levels: int) -> tuple[Ranks, Ranks, Ranks, Ranks, Ranks]:
    """Spread the ladders of some pieces over all on-indices, one row per piece."""
    top, bottom = ladders.top[part], ladders.bottom[part]
    f = slice(*np.searchsorted(ladders.first_piece, (part.start, part.stop)))
    g = slice(*np.searchsorted(ladders.last_piece, (part.start, part.stop)))
    first_low = _spread_up(
        ladders.first_piece[f] - part.start, ladders.first_peak[f], ladders.first_low[f], top, levels
    )
    piece, peak = ladders.last_piece[g] - part.start, ladders.last_peak[g]
    last_low = _spread_down(piece, peak, ladders.last_low[g], top, levels)
    last_after = _spread_down(piece, peak, ladders.last_after[g], top, levels)
    return top, bottom, first_low, last_low, last_after


def _spread_up(piece: Where, peak: Ranks, value: Ranks, top: Ranks, levels: int) -> Ranks:
    """Row p holds, at every i, the value of the first peak above i; 0 where there is none."""
    place = np.arange(piece.size) + piece
    size = piece.size + top.size
    runs, values = np.zeros(size, np.intp), np.zeros(size, np.int16)
    below = np.zeros(piece.size, np.intp)
    below[1:] = np.where(piece[1:] == piece[:-1], peak[:-1], 0)
    runs[place], values[place] = peak - below, value
    end = np.ones(size, bool)
    end[place] = False
    runs[end] = levels - top.astype(np.intp)
    return np.repeat(values, runs).reshape(top.size, levels)


def _spread_down(piece: Where, peak: Ranks, value: Ranks, top: Ranks, levels: int) -> Ranks:
    """Row p holds, at every i, the value of the last peak above i; `NEVER` where there is none."""
    place = np.arange(piece.size) + piece + 1
    size = piece.size + top.size
    runs, values = np.zeros(size, np.intp), np.full(size, NEVER, np.int16)
    below = np.zeros(piece.size, np.intp)
    below[:-1] = np.where(piece[1:] == piece[:-1], peak[1:], 0)
    runs[place], values[place] = peak - below, value
    begin = np.ones(size, bool)
    begin[place] = False
    runs[begin] = levels - top.astype(np.intp)
    return np.repeat(values, runs).reshape(top.size, levels)[:, ::-1]


def _steps(border: Ranks) -> tuple[Where, Where]:
    """Return row and column of every step along the rows, columns from 1 on."""
    if border.shape[1] < 2:
        return np.empty(0, np.intp), np.empty(0, np.intp)
    found = np.flatnonzero(border[:, 1:] != border[:, :-1])
    row, column = np.divmod(found, border.shape[1] - 1)
    return row, column + 1


def _book(into: NDArray[np.int32], border: Ranks, kind: NDArray[np.int8]) -> None:
    """Add, for every row, a span to all comparators with ``j < border[row, i]``."""
    border = np.ascontiguousarray(border)
    if kind.size == 0:
        return
    row, column = _steps(border)
    height, width = into.shape[1:]
    flat = into.reshape(-1)
    base = kind.astype(np.intp) * height
    np.add.at(flat, base * width + border[:, 0], 1)
    at = (base[row] + column) * width
    np.add.at(flat, at + border[row, column], 1)
    np.subtract.at(flat, at + border[row, column - 1], 1)


def _book_onsets(tallies: Tallies, border: Ranks, kind: NDArray[np.int8]) -> None:
    """Take one onset off every comparator with ``j < border[row, i]``.

    One off for all, and one back for ``j >= border``: the second has the form of a closed cycle.
    """
    border = np.ascontiguousarray(border)
    row, column = _steps(border)
    width = tallies.levels + 1
    flat = tallies.onsets.reshape(-1)
    tallies.pieces += np.bincount(kind, minlength=KINDS)
    wide = kind.astype(np.intp)
    at = (column * KINDS + wide[row]) * width
    np.add.at(flat, at + border[row, column - 1], 1)
    np.subtract.at(flat, at + border[row, column], 1)
    np.add.at(flat, (tallies.levels * KINDS + wide) * width + border[:, -1], 1)
