"""Comparators for many pairs of levels over the same light: each block is ranked once, and they run on the ranks.

Every comparison of every pair depends only on where a sample lies among all levels. So each block is reduced to the
evaluations at which this rank changes (a few for each edge of an object), and the comparators run on those.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Block, Light
from teachlab.sensor.comparator import Comparator, compares_exactly, level_in
from teachlab.sensor.edges import Edges, TwoState, joined
from teachlab.sensor.validity import Validity

_RANK = np.dtype(np.int32)


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
        self._reducer = _Reducer(np.unique(np.array(pairs)))
        self._members = [_Member.of(pair, self._reducer.levels) for pair in pairs]

    def push(self, block: Block) -> None:
        """Take the next block of evaluations."""
        at, rank = self._reducer.reduce(block)
        for member in self._members:
            member.push(at, rank)

    @property
    def held(self) -> int:
        """Number of edges held for all pairs together."""
        return sum(member.held for member in self._members)

    @property
    def first(self) -> bool | None:
        """State of the first valid evaluation under the first pair; None before it."""
        return self._members[0].comparator.first

    def light_states(self) -> Iterator[TwoState]:
        """Return the state of every comparator so far: true is light."""
        return (member.state() for member in self._members)

    def validity(self) -> TwoState:
        """Return which evaluations were invalid so far: true is invalid."""
        return self._reducer.validity.state()


class _Reducer:
    """Keeps the evaluations at which the rank of the light among the levels changes."""

    def __init__(self, levels: NDArray[np.float64]) -> None:
        self.levels = levels
        self.validity = Validity()
        self._last = -1

    def reduce(self, block: Block) -> tuple[Edges, NDArray[np.int32]]:
        """Return evaluations and ranks (number of levels at or below the light) where the rank changes."""
        light = block.light if compares_exactly(block.light.dtype) else block.light.astype(np.float64)
        invalid = block.invalid_mask()
        self.validity.push(invalid, light.size)
        if light.size == 0:
            return np.empty(0, np.int64), np.empty(0, _RANK)
        keep = self._may_change(light)
        if invalid is not None:
            keep &= ~invalid
            # After an invalid sample, the next valid one must be examined.
            keep[1:] |= invalid[:-1] & ~invalid[1:]
            keep[0] |= not invalid[0]
        at = np.flatnonzero(keep)
        rank = np.searchsorted(self.levels, light[at].astype(np.float64), side="right").astype(_RANK)
        new = np.empty(rank.size, bool)
        if rank.size:
            new[0] = rank[0] != self._last
            np.not_equal(rank[1:], rank[:-1], out=new[1:])
            self._last = int(rank[-1])
        return at[new] + block.start, rank[new]

    def _may_change(self, light: Light) -> NDArray[np.bool_]:
        """Return the samples between the outermost levels, and those at which the light changes sides."""
        # Most light is far below or above all levels, where only a change of side matters: two comparisons drop it
        # without finding its place among the levels.
        below = light < level_in(light.dtype, self.levels[0])
        above = light >= level_in(light.dtype, self.levels[-1])
        keep: NDArray[np.bool_] = ~(below | above)
        keep[1:] |= below[1:] != below[:-1]
        keep[1:] |= above[1:] != above[:-1]
        # The light before the block is not seen here: `reduce` compares the first rank with the last one before it.
        keep[0] = True
        return keep


@dataclass(slots=True)
class _Member:
    comparator: Comparator
    edges: list[Edges]
    taken: int = 0
    held: int = 0

    @classmethod
    def of(cls, pair: tuple[float, float], levels: NDArray[np.float64]) -> _Member:
        """Build the comparator of a pair on ranks: ``x >= levels[i]`` is ``rank >= i + 1``."""
        # Comparing ranks is the same as comparing light: a rank counts the levels at or below it.
        on, off = (int(np.searchsorted(levels, level)) + 1 for level in pair)
        return cls(Comparator(on, off, _RANK), [])

    def push(self, at: Edges, rank: NDArray[np.int32]) -> None:
        """Take the next ranks and note the evaluations of new edges."""
        self.comparator.push(rank)
        edges = self.comparator.take_edges()
        if edges.size:
            self.edges.append(at[edges - self.taken])
            self.held += edges.size
        self.taken += rank.size

    def state(self) -> TwoState:
        """Return the comparator's state over evaluations."""
        return TwoState(bool(self.comparator.first), joined(self.edges))
