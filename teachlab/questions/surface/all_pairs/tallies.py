"""Where closed cycles and staircases are booked: for all pairs of levels at once, or for given settings."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Integers
from teachlab.questions.surface.values.kinds import OWN, TOUCHING, Kind, Kinds

if TYPE_CHECKING:
    from teachlab.questions.surface.values.ranks import Ranks

KINDS = 4


class PairTally(Protocol):
    """Counts for comparators with on-index i and off-index j.

    `pieces` (shape (4,)): by kind: to be subtracted from the onsets of every comparator.
    """

    pieces: Integers

    def cycles(self, peak: NDArray[Any], valley: NDArray[Any]) -> None:
        """Book onsets for ``i < peak`` and ``j >= valley``; the lowest two bits of the peak hold the kind."""

    def no_onset(self, kind: Kinds, begin: Integers, end: Integers, border: Ranks) -> None:
        """Add the onset back that `pieces` subtracts, for ``begin <= i < end`` and ``j >= border``."""

    def quiet(self, kind: Kinds, begin: Integers, end: Integers, border: NDArray[Any]) -> None:
        """Book a span without onset for ``begin <= i < end`` and ``j < border``."""

    def held(self, kind: Kinds, begin: Integers, end: Integers, border: NDArray[Any]) -> None:
        """Book a span without onset in which the output is active; only detect passes are examined.

        The kind contains the mark of passes that touch the one before.
        """


class Tallies:
    """Histograms from which the counts of all pairs follow by running sums.

    `levels`: n.
    `onsets` (shape (4 · (n + 1), n + 1)): at ``[4 · a + kind, b]``: onsets of every comparator with ``i < a`` and ``j
    >= b``.
    `pieces`: shape (4,).
    `without` (shape (3, n + 1, n + 2)): differences along i of a histogram over b: spans of a kind without onset for
    every comparator with ``j < b``.
    `active` (shape (2, n + 1, n + 2)): the same for detect passes without onset in which the output is active: first
    those that stand apart, then those that touch the pass before.
    """

    def __init__(self, levels: int, evaluations: int) -> None:
        self.levels = levels
        # No cell holds more than the number of evaluations.
        counts: Any = np.int32 if evaluations < 2**31 else np.int64
        # Kinds alternate in the rows of one table, so that booking a cycle needs one index and no branch for its kind.
        self.onsets: NDArray[Any] = np.zeros((KINDS * (levels + 1), levels + 1), counts)
        self.pieces = np.zeros(KINDS, np.int64)
        self.without = np.zeros((3, levels + 1, levels + 2), np.int32)
        self.active = np.zeros((2, levels + 1, levels + 2), np.int32)

    def cycles(self, peak: NDArray[Any], valley: NDArray[Any]) -> None:
        """Book closed cycles."""
        np.add.at(self.onsets.reshape(-1), peak.astype(np.intp) * (self.levels + 1) + valley, 1)

    def no_onset(self, kind: Kinds, begin: Integers, end: Integers, border: Ranks) -> None:
        """Give back onsets."""
        flat, width = self.onsets.reshape(-1), self.levels + 1
        # A range of on-indices is booked by its two ends: + at the end, − at the start; the running sum fills the
        # range.
        np.add.at(flat, (end * KINDS + kind) * width + border, 1)
        np.subtract.at(flat, (begin * KINDS + kind) * width + border, 1)

    def quiet(self, kind: Kinds, begin: Integers, end: Integers, border: NDArray[Any]) -> None:
        """Book spans without onset."""
        some = kind != Kind.UNCOUNTED
        base = kind[some].astype(np.intp) * (self.levels + 1)
        self._add(self.without, base + begin[some], base + end[some], border[some])

    def held(self, kind: Kinds, begin: Integers, end: Integers, border: NDArray[Any]) -> None:
        """Book passes without onset that are active."""
        some = kind & OWN == Kind.DETECT
        base = (kind[some] // TOUCHING).astype(np.intp) * (self.levels + 1)
        self._add(self.active, base + begin[some], base + end[some], border[some])

    def _add(self, into: NDArray[np.int32], begin: Integers, end: Integers, border: NDArray[Any]) -> None:
        flat, width = into.reshape(-1), into.shape[-1]
        np.add.at(flat, begin * width + border, 1)
        np.subtract.at(flat, end * width + border, 1)
