"""Settings divided into chains: along each chain, no level falls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.following_and_window import WindowSetting

if TYPE_CHECKING:
    from teachlab.model.setting import Setting
    from teachlab.questions.surface.values.levels import Levels

LONGEST = 32_000
"""Largest number of settings in a chain: the number that are light is kept as int16."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelPlaces:
    """Levels that are separated only where some rank separates them.

    Parameters
    ----------
    levels : ndarray of float64, shape (n,), ascending, recording units
    occurring : ndarray of bool, shape (n + 1,)
        Which ranks among the levels occur.
    """

    levels: Levels
    occurring: NDArray[np.bool_]

    @property
    def count(self) -> int:
        """How many ranks occur."""
        return int(np.count_nonzero(self.occurring))

    def narrowed(self) -> NDArray[np.int16]:
        """Return the number of every rank among those that occur, shape (n + 1,)."""
        out: NDArray[np.int16] = (np.cumsum(self.occurring) - self.occurring).astype(np.int16)
        return out

    def of(self, settings: Sequence[Setting]) -> NDArray[np.int64]:
        """Return what must not fall along a chain, shape (settings, 2 or 4); settings are of one kind.

        A level has place p if the light reaches it exactly from the p-th occurring rank on. Levels that no rank
        separates have one place: settings that differ only in them stay in one chain. Columns: both levels; for a
        window on-level, release and, with a minus, off-level and its release.
        """
        upper = [(s.on_level, s.high_release if isinstance(s, WindowSetting) else s.off_level) for s in settings]
        lower = [(s.off_level, s.low_release) for s in settings if isinstance(s, WindowSetting)]
        places = np.cumsum(self.occurring, dtype=np.int64)
        columns: NDArray[np.int64] = places[np.searchsorted(self.levels, upper)]
        if lower:
            columns = np.concatenate((columns, -places[np.searchsorted(self.levels, lower)]), axis=1)
        return columns


def divide(rows: NDArray[Any]) -> list[NDArray[np.intp]]:
    """Divide settings into few chains, along each of which no column falls.

    Parameters
    ----------
    rows : ndarray, shape (settings, columns)

    Returns
    -------
    list of ndarray of intp
        Rows of every chain, in its order.

    Notes
    -----
    In order of the first column, each setting is added to the chain with the highest end in the second column among
    those it may follow. With two columns this gives the smallest number of chains (Dilworth 1950; the rule of patience
    sorting: Fredman, "On computing the length of longest increasing subsequences", Discrete Math. 11, 1975); with more
    columns it may not.

    Examples
    --------
    >>> [c.tolist() for c in divide(np.array([[1, 1], [2, 3], [2, 2], [4, 3]]))]
    [[0, 2, 1, 3]]
    """
    # Equal rows are one member: 200 draws that taught ten settings make chains of ten.
    kinds, kind = np.unique(rows, axis=0, return_inverse=True)  # in order of the first column
    members: list[list[int]] = []
    ends = np.empty(kinds.shape)
    for k, row in enumerate(kinds):
        behind = np.flatnonzero((ends[: len(members)] <= row).all(axis=1))
        if behind.size:
            # Best fit, as in patience sorting: the highest end that is still below leaves the lower ends for settings
            # that need them.
            chain = int(behind[np.argmax(ends[behind, 1])])
        else:
            chain = len(members)
            members.append([])
        members[chain].append(k)
        ends[chain] = row
    chain_of, place = np.empty((2, kinds.shape[0]), np.intp)
    for chain, own in enumerate(members):
        chain_of[own], place[own] = chain, np.arange(len(own))
    kind = kind.reshape(-1)
    order = np.lexsort((place[kind], chain_of[kind]))
    borders = np.flatnonzero(np.diff(chain_of[kind[order]])) + 1
    return [part[a : a + LONGEST] for part in np.split(order, borders) for a in range(0, part.size, LONGEST)]
