"""Filter and delays: what the sensor does between its light state and its output.

These functions work on lists of edges, never on samples; `teachlab.sensor.steps` does the same for signals of many
settings, block by block.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from teachlab.model.setting import Switching
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import LONG_AGO, Edges, RunCounter, TwoState

EDGES_AT_ONCE = 1 << 18
"""Edges filtered at a time: of a level in noise there are millions, of which a filter leaves few."""


class DelayStage(NamedTuple):
    """A delay, described by its effect on a signal that is up while active: an extreme of its last values.

    `least`: if true, the smallest of them, which delays onsets; otherwise the largest, which delays releases.
    `evaluations`: how many evaluations before the present one are included.
    """

    least: bool
    evaluations: int


def delay_stages(setting: Switching, clock: Clock) -> tuple[DelayStage, ...]:
    """Return the delays of a setting in the order in which they act: the one place that defines them.

    Delays on the light state of a dark-on output act on the inverted signal.
    """
    swapped = setting.delays_swap_roles
    on, off = clock.delay(setting.on_delay_ms), clock.delay(setting.off_delay_ms)
    return DelayStage(not swapped, on), DelayStage(swapped, off)


def delayed(undelayed: TwoState, setting: Switching, clock: Clock) -> TwoState:
    """Return the output that results from the undelayed one by the delays of a setting."""
    for stage in delay_stages(setting, clock):
        undelayed = (on_delay if stage.least else off_delay)(undelayed, stage.evaluations, clock.count)
    return undelayed


def consecutive_filter(light: TwoState, invalid: TwoState, consecutive: int, size: int) -> TwoState:
    """Change the state only after `consecutive` valid evaluations in a row disagree with it.

    The state changes at the last of them. Invalid evaluations neither advance nor reset the count.

    `light`, `invalid`: the comparator's state, and which evaluations were invalid.
    `consecutive`: at least 1; 1 changes nothing.
    `size`: evaluations of the recording.
    """
    if consecutive == 1 or light.edges.size == 0:
        return light
    return TwoState(light.first, JoinedStates.of([light]).filtered(invalid, consecutive, size).edges)


@dataclass(frozen=True, slots=True, eq=False)
class JoinedStates:
    """Many two-valued signals over the same evaluations, with all edges in one list.

    `first` (shape (signals,)): value of each at evaluation 0, and at all times before it.
    `edges` (shape (k,), evaluations): where it changes, signal after signal, ascending in each.
    `owner` (shape (k,)): the signal of each edge.
    """

    first: NDArray[np.bool_]
    edges: Edges
    owner: Edges

    @classmethod
    def of(cls, states: Sequence[TwoState]) -> JoinedStates:
        """Join some signals, at least one."""
        if len(states) == 1:
            # Of a level in noise, millions: they are not copied, and zeros that are only read take no memory.
            (one,) = states
            return cls(np.array([one.first]), one.edges, np.zeros(one.edges.size, np.int64))
        owner = np.repeat(np.arange(len(states)), [one.edges.size for one in states])
        return cls(np.array([one.first for one in states]), np.concatenate([one.edges for one in states]), owner)

    def inverted(self) -> JoinedStates:
        """Return the opposite signals."""
        return JoinedStates(~self.first, self.edges, self.owner)

    @property
    def _begin(self) -> Edges:
        """Where the edges of each signal begin, shape (signals + 1,)."""
        return np.searchsorted(self.owner, np.arange(self.first.size + 1))

    def filtered(self, invalid: TwoState, consecutive: int, size: int) -> JoinedStates:
        """Do as `consecutive_filter` to every signal."""
        if consecutive == 1 or self.edges.size == 0:
            return self
        consecutive = min(consecutive, size + 1)
        skipped = RunCounter.of(invalid, size)
        begin = self._begin
        ends, valid = begin[1:][begin[1:] > begin[:-1]] - 1, size - int(skipped.total[-1])
        parts = []
        for a in range(0, self.edges.size, EDGES_AT_ONCE):
            b = min(a + EDGES_AT_ONCE, self.edges.size)
            # Count only valid evaluations: every change of the comparator happens at one of them.
            at = self.edges[a : b + 1]
            at = at - skipped.total[np.searchsorted(skipped.starts, at, side="right")]
            lengths = np.append(np.diff(at), 0)[: b - a]
            last = ends[np.searchsorted(ends, a) : np.searchsorted(ends, b)] - a
            lengths[last] = valid - at[last]
            lasting = np.flatnonzero(lengths >= consecutive)
            owner = self.owner[a:b][lasting]
            becomes = ((a + lasting - begin[owner]) % 2 == 0) ^ self.first[owner]
            parts.append((at[lasting] + (consecutive - 1), becomes, owner))
        at, becomes, owner = (np.concatenate(one) for one in zip(*parts, strict=True))
        #     comparator      dark  light  dark  light       with the short dark run dropped, light follows light:
        #     lasts           yes   yes    no    yes         the second one is no change
        before = np.append(False, becomes[:-1])
        firsts = np.flatnonzero(np.diff(owner, prepend=-1))
        before[firsts] = self.first[owner[firsts]]
        changes = becomes != before
        at, owner = at[changes], owner[changes]
        # Back to all evaluations: run j of invalid ones lies before its valid ordinal `starts − total`.
        at = at + skipped.total[np.searchsorted(skipped.starts - skipped.total[:-1], at, side="right")]
        return JoinedStates(self.first, at.astype(np.int64), owner)

    def runs(self, size: int) -> tuple[Edges, Edges, Edges]:
        """Return begins and ends of the runs in which they are true, as of `TwoState.runs`, and the signal of each."""
        begin = self._begin
        open_ = (np.diff(begin) + self.first) % 2 == 1
        #     begins true    __|      at all times before      ends true    |__    at `size`
        early, late = np.flatnonzero(self.first), np.flatnonzero(open_)
        of = np.concatenate((early, late))
        where = np.concatenate((begin[early], begin[late + 1]))
        values = np.repeat((LONG_AGO, size), (early.size, late.size))
        order = np.argsort(of, kind="stable")
        edges = np.insert(self.edges, where[order], values[order])
        owner = np.insert(self.owner, where[order], of[order])
        return edges[::2], edges[1::2], owner[::2]


def on_delay(state: TwoState, delay: int, size: int) -> TwoState:
    """Stay off until the input was on for ``i, i−1, …, i−delay`` (IEC 61131-3 TON).

    `state`: input. Its value at the first evaluation is assumed for all time before.
    `delay`, `size` (evaluations): the delay, and the length of the recording.
    """
    if delay == 0:
        return state
    starts, ends = state.runs(size)
    long = ends - starts > delay
    return TwoState.from_runs(starts[long] + delay, ends[long], size)


def off_delay(state: TwoState, delay: int, size: int) -> TwoState:
    """Stay on for `delay` evaluations after the input was last on (IEC 61131-3 TOF).

    If the input returns before that, the wait is cancelled.
    """
    # Without an edge no release is there to be held back, and without a run the lists below would be one too long.
    if delay == 0 or not state.edges.size:
        return state
    starts, ends = state.runs(size)
    # Runs that only touch after the delay are one run too: the output does not fall between them.
    apart = starts[1:] > ends[:-1] + delay
    starts = starts[np.concatenate(([True], apart))]
    ends = ends[np.concatenate((apart, [True]))] + delay
    return TwoState.from_runs(starts, ends, size)
