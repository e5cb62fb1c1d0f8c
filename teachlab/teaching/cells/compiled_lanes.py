"""`teachlab.teaching.cells.lane_counts` compiled: the extra ``fast``. The lanes are read once for each row of cells."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.sensor.compiled_edges import latched, lowest_bit
from teachlab.sensor.compiling import compiled, inlined
from teachlab.sensor.edges import Edges
from teachlab.sensor.lane_delays import steps_of
from teachlab.sensor.latch import Lanes

_ONE, _TOP = np.uint64(1), np.uint64(63)
_NONE, _ALL, _WHOLE = np.uint64(0), np.uint64(2**64 - 1), np.uint64(64)
IN_LANES = 63
"""Longest delay that is worked out in two numbers; of longer ones the rest is measured on the runs that are left."""


def states_of(light: Lanes, dark: Lanes, state: bool) -> Lanes:
    """Return what `teachlab.sensor.latch.states_of` does."""
    out = np.empty_like(light)
    _latch(light, dark, state, out)
    return out


def filtered(lanes: Lanes, consecutive: int, before: bool) -> Lanes:
    """Return what `teachlab.sensor.lane_delays.filtered` does, of at most 64 evaluations in a row."""
    out = np.empty_like(lanes)
    _filter(lanes, _steps(consecutive - 1), before, out)
    return out


def counted_onsets(
    lanes: Lanes, before: bool, size: int, delay: int, shortest: int, off_delays: Edges, start: Edges,
    kind: NDArray[np.int8], kinds: int, detect: int,
) -> NDArray[np.int64]:  # fmt: skip
    """Return how many onsets of a row of cells stand under how many of the first off-delays.

    `lanes`: the output without delays.
    `before`: what it is before the first evaluation.
    `size`, `delay` (evaluations): length of the light, and the on-delay.
    `shortest`: number of the shortest off-delay; of shorter ones nothing is counted.
    `off_delays`: evaluations, ascending.
    `start`, `kind`: where windows and gaps begin, evaluations, and the kind of each.
    `kinds`, `detect`: how many there are, and which one has at most one right onset.

    Returned, shape (kinds + 1, off-delays + 1): onsets by kind; last, windows of the kind `detect` by the onset of
    theirs that stands under most.
    """
    # How many off-delays are shorter than a distance; all that are longer than the longest are alike.
    standing = np.searchsorted(off_delays, np.arange(int(off_delays[-1]) + 2), side="left")
    # A run that an off-delay joins to the one before must have outlasted the on-delay alone.
    bridge = min(int(off_delays[shortest]), IN_LANES) if delay <= IN_LANES else 0
    counted = np.zeros((kinds + 1, off_delays.size + 1), np.int64)
    _count(
        lanes, before, size, _steps(min(delay, IN_LANES)), _steps(bridge), delay, bridge, start, kind, standing,
        detect, counted,
    )  # fmt: skip
    return counted


@cache
def _steps(delay: int) -> Any:
    return np.fromiter(steps_of(delay), np.uint64)


@compiled
def _latch(light: Any, dark: Any, first: bool, out: Any) -> None:
    now = np.uint64(first)
    for k in range(light.size):
        out[k] = latched(light[k], dark[k], now)
        now = out[k] >> _TOP


@inlined
def _lasting(lane: Any, steps: Any, before: Any) -> Any:
    """Return which of 64 evaluations have lasted; `before` holds the lane before of every step, and is written."""
    for j in range(steps.size):
        later = (lane << steps[j]) | (before[j] >> (_WHOLE - steps[j]))
        before[j] = lane
        lane &= later
    return lane


@inlined
def _held(lane: Any, steps: Any, before: Any) -> Any:
    """Return which of 64 evaluations are held; as `_lasting`."""
    for j in range(steps.size):
        later = (lane << steps[j]) | (before[j] >> (_WHOLE - steps[j]))
        before[j] = lane
        lane |= later
    return lane


@compiled
def _filter(lanes: Any, steps: Any, before: bool, out: Any) -> None:
    """Write lanes whose state changes once all evaluations that the steps ask for disagree with it."""
    fill = _ALL if before else _NONE
    ons, offs = np.full(steps.size, fill), np.full(steps.size, fill)
    now = np.uint64(before)
    for k in range(lanes.size):
        out[k] = latched(_lasting(lanes[k], steps, ons), ~_held(lanes[k], steps, offs), now)
        now = out[k] >> _TOP


@compiled
def _count(
    lanes: Any, before: bool, size: int, erode: Any, hold: Any, delay: int, bridge: int, start: Any, kind: Any,
    standing: Any, detect: int, counted: Any,
) -> None:  # fmt: skip
    """Count the onsets of every kind by how many off-delays they stand under; last, passes by the most of theirs."""
    fill = _ALL if before else _NONE
    eroded, joined = np.full(erode.size, fill), np.full(hold.size, fill)
    moved_by = min(delay, IN_LANES)
    last, up = fill >> _TOP, before
    begin: Any = -1
    ended: Any = 0
    any_ended = False
    span, seen, best = 0, -1, 0
    for k in range(lanes.size + 1):
        if k < lanes.size:
            word = _held(_lasting(lanes[k], erode, eroded), hold, joined)
            changes = word ^ ((word << _ONE) | last)
            last = word >> _TOP
        else:
            # A run that is not over ends with the light.
            changes = _ONE if up else _NONE
        while changes != _NONE:
            at: Any = 64 * k + lowest_bit(changes)
            changes &= changes - _ONE
            up = not up
            if up:
                begin = at - moved_by
                continue
            end = at - bridge if at - bridge < size else size
            if begin < 0:
                # From before the record began: no onset, but one that others follow.
                ended, any_ended = end, True
                continue
            onset = begin + delay
            # Behind the light a run begins or is held on: no onset, and no end is known.
            if onset >= size or (delay > IN_LANES and end <= onset):
                continue
            far = onset - ended if any_ended else standing.size
            ended, any_ended = end, True
            stands = standing[min(far, standing.size - 1)]
            while span + 1 < start.size and start[span + 1] <= onset:
                span += 1
            counted[kind[span], stands] += 1
            if kind[span] == detect:
                if span != seen:
                    if seen >= 0:
                        counted[-1, best] += 1
                    seen, best = span, stands
                elif stands > best:
                    best = stands
    if seen >= 0:
        counted[-1, best] += 1
