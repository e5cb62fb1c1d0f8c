"""Cells counted on lanes: light that switches at every other evaluation takes no longer than light that stands still.

A cell is asked for by its filter, its on-delay and its off-delay. Filter and on-delay act on the lanes of a comparator.
An off-delay of e swallows what comes no more than e after the run before: the lanes are held for e, and only onsets
that stand are left. Each of them has its distance from the run before, which says up to which longer off-delay it
stands. So a cell is counted together with those of longer off-delays, and shorter ones are not.
"""

from __future__ import annotations

from functools import cache
from types import ModuleType

import numpy as np

from teachlab.sensor.edges import Edges
from teachlab.sensor.lane_delays import filtered, held, lasting
from teachlab.sensor.latch import Lanes, compared, later, packed, places_of, states_of
from teachlab.teaching.cells.delay_counts import DETECT, EXCLUDED, KINDS, NEVER_SWALLOWED, DelayCounter
from teachlab.teaching.cells.ranked_light import RankedLight

FAST_FROM = 1 << 21
"""Evaluations from which on cells are counted the compiled way of the extra ``fast``, if it is installed."""
COMPARED = 1 << 17
"""Evaluations compared at a time."""
HELD_ONSETS, KEPT = 1 << 21, 1 << 24
"""Onsets counted at a time, and bytes of lanes that are kept for the next rows of the same comparators."""
LANE = 64
"""Longest filter that is compiled: it asks for no more evaluations than a number holds."""

Row = tuple[int, int, int]
"""Evaluations in a row, on-delay, and number of the shortest off-delay."""


class LaneCounter:
    """Counts cells of many comparators over one stretch of light.

    `ranked`: its ranks among all levels that comparators may have; not empty.
    `light_on`: whether the output is active when light.
    `fast`: whether to count the compiled way, where the extra ``fast`` is installed.
    """

    def __init__(self, ranked: RankedLight, *, light_on: bool, counter: DelayCounter, fast: bool) -> None:
        self._size, self._light_on, self._counter, self._light = ranked.ranks.size, light_on, counter, ranked.ranks
        self._valid = None if ranked.invalid is None else packed(~ranked.invalid)
        self._scratch = np.empty(COMPARED, bool)
        self._compiled = _compiled() if fast else None
        self._kept: dict[tuple[int, int, int], tuple[Lanes, bool]] = {}

    def errors(self, comparators: list[tuple[int, int]], rows: list[list[Row]], off_delays: Edges) -> list[list[Edges]]:
        """Return the errors of some rows of cells of each comparator, from the shortest off-delay of a row on.

        `comparators` (list of (int, int)): marks of the on- and the off-level of each.
        `rows`: of each comparator.
        `off_delays`: evaluations, ascending.
        """
        out: list[list[Edges]] = [[np.empty(0, np.int64)] * len(of) for of in rows]
        onsets: dict[Row, list[tuple[int, int, Edges, Edges]]] = {}
        held_onsets = 0
        for p, (pair, of) in enumerate(zip(comparators, rows, strict=True)):
            for r, row in enumerate(of):
                consecutive, delay, shortest = row
                lanes, before = self._output(*pair, consecutive)
                if self._compiled is not None:
                    *spans, trials = self._counter.spans_under(consecutive - 1 + delay)
                    counted = self._compiled.counted_onsets(
                        lanes, before, self._size, delay, shortest, off_delays, *spans, KINDS, DETECT
                    )
                    stand = counted[:, ::-1].cumsum(axis=1)[:, ::-1][:, 1 + shortest :]
                    out[p][r] = trials - 2 * stand[KINDS] + stand[:EXCLUDED].sum(axis=0)
                    continue
                bridge = int(off_delays[shortest])
                at = self._edges(held(lasting(lanes, delay, before), bridge, before), before)
                onsets.setdefault(row, []).append((p, r, *_of_edges(at, before, bridge)))
                held_onsets += at.size
            if held_onsets > HELD_ONSETS:
                self._finish(onsets, off_delays, out)
                held_onsets = 0
        self._finish(onsets, off_delays, out)
        return out

    def _finish(
        self, onsets: dict[Row, list[tuple[int, int, Edges, Edges]]], off_delays: Edges, out: list[list[Edges]]
    ) -> None:
        """Count the onsets of comparators that ask for the same filter and delays together, and forget them."""
        for (consecutive, delay, shortest), parts in onsets.items():
            found = self._counter.errors_of_onsets(
                [at for _, _, at, _ in parts], [distance for *_, distance in parts],
                lag=consecutive - 1 + delay, waits=off_delays[shortest:],
            )  # fmt: skip
            for (p, r, *_), errors in zip(parts, found, strict=True):
                out[p][r] = errors
        onsets.clear()

    def _output(self, on: int, off: int, consecutive: int) -> tuple[Lanes, bool]:
        """Return the output without delays, and what it is before the first evaluation."""
        key = on, off, consecutive
        if key not in self._kept:
            if self._kept and 8 * (1 + len(self._kept)) * (self._size // 64) > KEPT:
                del self._kept[next(iter(self._kept))]
            if consecutive == 1:
                self._kept[key] = self._undelayed(on, off)
            else:
                lanes, before = self._output(on, off, 1)
                self._kept[key] = self._filtered(lanes, consecutive, before), before
        return self._kept[key]

    def _undelayed(self, on: int, off: int) -> tuple[Lanes, bool]:
        light, dark = compared(self._light, on, off, self._scratch)
        first = bool(self._light[0] >= on)
        lanes = (states_of if self._compiled is None else self._compiled.states_of)(light, dark, first)
        return (lanes, first) if self._light_on else (np.invert(lanes, out=lanes), not first)

    def _filtered(self, lanes: Lanes, consecutive: int, before: bool) -> Lanes:
        if self._valid is None:
            way = filtered if self._compiled is None or consecutive > LANE else self._compiled.filtered
            return way(lanes, consecutive, before)
        # Invalid evaluations neither count nor begin the count anew: each asks for the valid ones before it.
        asked = every = some = lanes
        for _ in range(consecutive - 1):
            one_before = later(asked, 1, before)
            asked = states_of(one_before & self._valid, ~one_before & self._valid, before)
            every, some = every & asked, some | asked
        return states_of(every, ~some, before)

    def _edges(self, lanes: Lanes, before: bool) -> Edges:
        at = places_of(lanes ^ later(lanes, 1, before))
        return at[: int(np.searchsorted(at, self._size))]


def _of_edges(at: Edges, before: bool, bridge: int) -> tuple[Edges, Edges]:
    """Return onsets and their distances, of an output that is held by `bridge` evaluations."""
    onsets, ends = at[int(before) :: 2], at[1 - int(before) :: 2] - bridge
    distance = np.full(onsets.size, NEVER_SWALLOWED)
    if before:
        distance[:] = onsets - ends[: onsets.size]
    else:
        distance[1:] = onsets[1:] - ends[: max(0, onsets.size - 1)]
    return onsets, distance


@cache
def _compiled() -> ModuleType | None:
    """Return the compiled way, or None where the extra ``fast`` is not installed."""
    try:
        from teachlab.teaching.cells import compiled_lanes
    except ImportError:
        return None
    return compiled_lanes
