"""Filter and delays: what the sensor does between its light state and its output.

Everything here works on lists of edges, never on samples.
"""

from __future__ import annotations

import numpy as np

from teachlab.sensor.edges import TwoState


def consecutive_filter(light: TwoState, invalid: TwoState, consecutive: int, size: int) -> TwoState:
    """Change the state only after `consecutive` valid evaluations in a row disagree with it.

    The state changes at the last of them. Invalid evaluations neither advance nor reset the count.

    Parameters
    ----------
    light, invalid : TwoState
        The comparator's state, and which evaluations were invalid.
    consecutive : int
        At least 1; 1 changes nothing.
    size : int
        Evaluations of the recording.
    """
    if consecutive == 1 or light.edges.size == 0:
        return light
    consecutive = min(consecutive, size + 1)
    starts, ends = invalid.runs(size)
    starts = np.maximum(starts, 0)
    skipped = np.concatenate(([0], np.cumsum(ends - starts)))
    # Count in valid evaluations only: every change of the comparator happens at one of them.
    at = light.edges - skipped[np.searchsorted(starts, light.edges, side="right")]
    valid = size - int(skipped[-1])
    lengths = np.diff(np.append(at, valid))
    becomes = (np.arange(at.size) % 2 == 0) ^ light.first
    lasting = lengths >= consecutive
    at, becomes = at[lasting] + consecutive - 1, becomes[lasting]
    at = at[becomes != np.concatenate(([light.first], becomes[:-1]))]
    # Back to all evaluations: run j of invalid ones lies before its valid ordinal `starts − skipped`.
    edges = at + skipped[np.searchsorted(starts - skipped[:-1], at, side="right")]
    return TwoState(light.first, edges.astype(np.int64))


def on_delay(state: TwoState, delay: int, size: int) -> TwoState:
    """Stay off until the input was on for ``i, i−1, …, i−delay`` (IEC 61131-3 TON).

    Parameters
    ----------
    state : TwoState
        Input; what it is at the first evaluation it has been for ever.
    delay, size : int, evaluations
        The delay, and the length of the recording.
    """
    if delay == 0:
        return state
    starts, ends = state.runs(size)
    long = ends - starts > delay
    return TwoState.from_runs(starts[long] + delay, ends[long], size)


def off_delay(state: TwoState, delay: int, size: int) -> TwoState:
    """Stay on for `delay` evaluations after the input was last on (IEC 61131-3 TOF).

    The input's return before that cancels the wait.
    """
    if delay == 0 or not state.edges.size:
        return state
    starts, ends = state.runs(size)
    apart = starts[1:] > ends[:-1] + delay
    starts = starts[np.concatenate(([True], apart))]
    ends = ends[np.concatenate((apart, [True]))] + delay
    return TwoState.from_runs(starts, ends, size)
