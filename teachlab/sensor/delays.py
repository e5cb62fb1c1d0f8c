"""Filter and delays: what the sensor does between its light state and its output.

These functions work on lists of edges, never on samples; `teachlab.sensor.steps` does the same for signals of many
settings, block by block.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from teachlab.model.setting import Switching
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import RunCounter, TwoState


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
    consecutive = min(consecutive, size + 1)
    skipped = RunCounter.of(invalid, size)
    # Count only valid evaluations: every change of the comparator happens at one of them.
    at = light.edges - skipped.total[np.searchsorted(skipped.starts, light.edges, side="right")]
    valid = size - int(skipped.total[-1])
    lengths = np.diff(np.append(at, valid))
    becomes = (np.arange(at.size) % 2 == 0) ^ light.first
    lasting = lengths >= consecutive
    at, becomes = at[lasting] + consecutive - 1, becomes[lasting]
    #     comparator      dark  light  dark  light       with the short dark run dropped, light follows light:
    #     lasts           yes   yes    no    yes         the second one is no change
    at = at[becomes != np.concatenate(([light.first], becomes[:-1]))]
    # Back to all evaluations: run j of invalid ones lies before its valid ordinal `starts − total`.
    edges = at + skipped.total[np.searchsorted(skipped.starts - skipped.total[:-1], at, side="right")]
    return TwoState(light.first, edges.astype(np.int64))


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
