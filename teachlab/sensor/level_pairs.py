"""Comparators for many pairs of levels over the same light: each block is ranked once, and they run on the ranks.

Every comparison of every pair depends only on where a sample lies among all levels. So each block is reduced to the
evaluations at which this rank changes (a few for each edge of an object), and the comparators run on those.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Block, Light
from teachlab.sensor.comparator import COMPARED, compares_exactly, level_in
from teachlab.sensor.edges import Edges, TwoState, joined
from teachlab.sensor.latch import compared, edges_of
from teachlab.sensor.validity import Validity

FEW = 1 << 13
"""Up to so many ranks are compared with several pairs at a time, as rows of a table; more with one pair at a time."""
TABLE = 1 << 18
"""Places of such a table."""

Ranks = NDArray[Any]


class LevelPairs:
    """Reads evaluated light block by block through many pairs of levels and keeps the edges of each.

    `pairs` (recording units): on- and off-level of each comparator, ``off <= on``.

    Examples
    --------
    >>> two = LevelPairs([(5.0, 4.0), (9.0, 2.0)])
    >>> two.push(Block(0, np.array([0, 6, 3, 9, 4, 1], np.uint8), None))
    >>> [state.edges.tolist() for state in two.light_states()]
    [[1, 2, 3, 5], [3, 5]]
    """

    def __init__(self, pairs: Sequence[tuple[float, float]]) -> None:
        levels = np.unique(np.array(pairs, np.float64))
        self._reducer = _Reducer(levels)
        # A rank counts the levels at or below the light: ``x >= levels[i]`` is ``rank >= i + 1``.
        places = np.searchsorted(levels, np.array(pairs, np.float64).reshape(-1, 2)) + 1
        self._on, self._off = places.T.astype(self._reducer.dtype)
        self._first, self._state = np.zeros((2, len(pairs)), bool)
        self._begun = False
        self._edges: list[list[Edges]] = [[] for _ in pairs]
        self._scratch = np.empty(0, bool)
        self.held = 0
        """Number of edges held for all pairs together."""

    def push(self, block: Block) -> None:
        """Take the next block of evaluations."""
        at, rank = self._reducer.reduce(block)
        if rank.size == 0:
            return
        if not self._begun:
            self._begun = True
            self._first = rank[0] >= self._on
            self._state = self._first.copy()
        if rank.size > FEW:
            self._one_by_one(at, rank)
        else:
            together = TABLE // rank.size
            for a in range(0, self._state.size, together):
                self._as_table(at, rank, a, min(a + together, self._state.size))

    def _one_by_one(self, at: Edges, rank: Ranks) -> None:
        self._scratch = self._scratch if self._scratch.size else np.empty(COMPARED, bool)
        for pair, (on, off) in enumerate(zip(self._on, self._off, strict=True)):
            light, dark = compared(rank, on, off, self._scratch)
            found, self._state[pair] = edges_of(light, dark, bool(self._state[pair]))
            self._keep(pair, at[found])

    def _as_table(self, at: Edges, rank: Ranks, first: int, last: int) -> None:
        """Compare with pairs ``[first, last)``: a row each, in which every rank holds the last one that decides.

        Where a rank decides, the place is twice its number, and 1 more if it is light: the largest so far tells.
        """
        on, off, before = (one[first:last, None] for one in (self._on, self._off, self._state))
        light = rank >= on
        decides = light | (rank < off)
        decides[:, :1], light[:, :1] = True, np.where(decides[:, :1], light[:, :1], before)
        places = (2 * np.arange(rank.size, dtype=np.int16) + light) * decides
        np.maximum.accumulate(places, axis=1, out=places)
        state = (places & 1).astype(bool)
        changes = state != np.concatenate((before, state[:, :-1]), axis=1)
        row, place = np.nonzero(changes)
        edges, ends = at[place], np.searchsorted(row, np.arange(last - first + 1))
        for k in np.flatnonzero(np.diff(ends)).tolist():
            self._keep(first + k, edges[ends[k] : ends[k + 1]])
        self._state[first:last] = state[:, -1]

    def _keep(self, pair: int, edges: Edges) -> None:
        if edges.size:
            self._edges[pair].append(edges)
            self.held += edges.size

    @property
    def first(self) -> bool | None:
        """State of the first valid evaluation under the first pair; None before it."""
        return bool(self._first[0]) if self._begun else None

    def light_states(self) -> Iterator[TwoState]:
        """Return the state of every comparator so far: true is light."""
        for first, of in zip(self._first.tolist(), self._edges, strict=True):
            # The joined edges take the place of their parts, so that no edge is held twice.
            of[:] = of if len(of) == 1 else [joined(of)]
            yield TwoState(first, of[0])

    def validity(self) -> TwoState:
        """Return which evaluations were invalid so far: true is invalid."""
        return self._reducer.validity.state()


class _Reducer:
    """Keeps the evaluations at which the rank of the light among the levels changes."""

    def __init__(self, levels: NDArray[np.float64]) -> None:
        self.levels = levels
        self.validity = Validity()
        # Of marks up to one above the number of levels.
        self.dtype = np.min_scalar_type(levels.size + 1)
        self._last = -1

    def reduce(self, block: Block) -> tuple[Edges, Ranks]:
        """Return evaluations and ranks (number of levels at or below the light) where the rank changes."""
        light = block.light if compares_exactly(block.light.dtype) else block.light.astype(np.float64)
        invalid = block.invalid_mask()
        self.validity.push(invalid, light.size)
        if light.size == 0:
            return np.empty(0, np.int64), np.empty(0, self.dtype)
        keep = self._may_change(light)
        if invalid is not None:
            keep &= ~invalid
            # After an invalid sample, the next valid one must be examined.
            keep[1:] |= invalid[:-1] & ~invalid[1:]
            keep[0] |= not invalid[0]
        at = np.flatnonzero(keep)
        rank = self._ranked(light[at])
        new = np.empty(rank.size, bool)
        if rank.size:
            new[0] = rank[0] != self._last
            np.not_equal(rank[1:], rank[:-1], out=new[1:])
            self._last = int(rank[-1])
        return at[new] + block.start, rank[new]

    def _ranked(self, light: Light) -> Ranks:
        if light.dtype == np.uint8 and light.size > 256:
            every = np.arange(256, dtype=np.uint8)
            out: Ranks = self._ranked(every)[light]
            return out
        return np.searchsorted(self.levels, light.astype(np.float64), side="right").astype(self.dtype)

    def _may_change(self, light: Light) -> NDArray[np.bool_]:
        """Return the samples between the outermost levels, and those at which the light changes sides."""
        # Most light is far below or above all levels, where only a change of side matters: two comparisons drop it
        # without finding its place among the levels.
        below = light < level_in(light.dtype, self.levels[0])
        above = light >= level_in(light.dtype, self.levels[-1])
        keep: NDArray[np.bool_] = ~(below | above)
        if light.dtype.itemsize == 1:
            # Of few values, the same one often follows itself.
            keep[1:] &= light[1:] != light[:-1]
        keep[1:] |= below[1:] != below[:-1]
        keep[1:] |= above[1:] != above[:-1]
        # The light before the block is not seen here: `reduce` compares the first rank with the last one before it.
        keep[0] = True
        return keep
