"""Filters and delays that give the same output: what a log can separate, and what it cannot."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from teachlab.model.json_values import Document
from teachlab.sensor.delays import consecutive_filter, off_delay, on_delay
from teachlab.sensor.edges import TwoState


@dataclass(frozen=True, slots=True, kw_only=True)
class TimingClass(Document):
    """Filters and delays that no pulse of this log separates.

    Delays act on the output, in evaluations. The on-delay lies between `on_delay` and `longest_on_delay`; the off-delay
    is always longer by `delay_difference`. A longer on-delay means a shorter lag.

    `on_delay`, `longest_on_delay`: evaluations.
    `delay_difference` (evaluations): off-delay minus on-delay.
    `extends_first`: whether the off-delay acts before the on-delay: dark-on with delays on the light.
    """

    consecutive: int
    on_delay: int
    longest_on_delay: int
    delay_difference: int
    extends_first: bool = False

    @property
    def off_delay(self) -> int:
        """Off-delay that belongs to the shortest on-delay, evaluations."""
        return self.on_delay + self.delay_difference

    def pulse_survives(self) -> tuple[int, int]:
        """Return the shortest active pulse that comes through, evaluations: lowest and highest value in the class."""
        if self.extends_first:
            width = max(self.consecutive, 1 - self.delay_difference)
            return width, width
        return max(self.consecutive, self.on_delay + 1), max(self.consecutive, self.longest_on_delay + 1)

    def gap_survives(self) -> tuple[int, int]:
        """Return the shortest inactive gap that comes through, as `pulse_survives`."""
        if not self.extends_first:
            width = max(self.consecutive, self.delay_difference + 1)
            return width, width
        longest = self.longest_on_delay + self.delay_difference
        return max(self.consecutive, self.off_delay + 1), max(self.consecutive, longest + 1)

    def holds(self, consecutive: int, on: int, off: int, *, extends_first: bool = False) -> bool:
        """Whether a filter and delays belong to the class; the order of delays matters only if there are two."""
        return (
            consecutive == self.consecutive
            and self.on_delay <= on <= self.longest_on_delay
            and off - on == self.delay_difference
            and (extends_first == self.extends_first or on == 0 or off == 0)
        )


def timing_classes(
    state: TwoState, invalid: TwoState, size: int, *, light_on: bool, latency: int, difference: int, least: int,
    possible: Callable[[TwoState, int], bool] | None = None,
) -> Iterator[tuple[TimingClass, TwoState]]:  # fmt: skip
    """Yield every class that a state of the comparator separates, with its output over evaluations.

    `state`, `invalid`: comparator, and which evaluations were invalid.
    `size`: evaluations.
    `latency` (evaluations): largest sum of filter and on-delay, from the crossing to the edge.
    `difference` (evaluations): off-delay minus on-delay.
    `least`: outputs with fewer active stretches are left out, and with them all longer filters and on-delays.
    `possible`: of an output without delays, and its filter: whether any delays are worth trying. An output whose edges
    are some of those must not be possible where it is not.
    """
    for consecutive in range(1, latency + 2):
        filtered = consecutive_filter(state, invalid, consecutive, size)
        if filtered.edges.size < 2 * least - 1:
            return
        undelayed = filtered if light_on else filtered.inverted()
        if possible is not None and not possible(undelayed, consecutive):
            # Every filter leaves out edges of valid light itself, but not of what a shorter filter leaves.
            if consecutive == 1 and not invalid.first and not invalid.edges.size:
                return
            continue
        shortest, longest = max(0, -difference), latency - consecutive + 1
        if longest < shortest:
            continue
        starts, ends = undelayed.runs(size)
        pulses, gaps = np.unique(ends - starts), np.unique(starts[1:] - ends[:-1])
        for extends_first in (False, True):
            if extends_first and (light_on or longest < 1 or longest + difference < 1):
                continue
            # The output changes only where a delay reaches the length of an existing pulse or gap.
            turns = gaps - difference if extends_first else pulses
            turns = turns[(turns > shortest) & (turns <= longest)]
            bounds = [shortest, *turns.tolist(), longest + 1]
            for low, high in pairwise(bounds):
                if extends_first and (high - 1 < 1 or high - 1 + difference < 1):
                    continue
                off = low + difference
                output = _delayed(undelayed, low, off, size, extends_first=extends_first)
                if not extends_first and output.edges.size < 2 * least - 1:
                    break
                yield TimingClass(
                    consecutive=consecutive, on_delay=int(low), longest_on_delay=int(high) - 1,
                    delay_difference=difference, extends_first=extends_first,
                ), output  # fmt: skip


def output_of(one: TimingClass, state: TwoState, invalid: TwoState, size: int, *, light_on: bool) -> TwoState:
    """Return the output of a class, at its shortest on-delay, for a state of the comparator."""
    filtered = consecutive_filter(state, invalid, one.consecutive, size)
    undelayed = filtered if light_on else filtered.inverted()
    return _delayed(undelayed, one.on_delay, one.off_delay, size, extends_first=one.extends_first)


def _delayed(undelayed: TwoState, on: int, off: int, size: int, *, extends_first: bool) -> TwoState:
    if extends_first:
        return on_delay(off_delay(undelayed, off, size), on, size)
    return off_delay(on_delay(undelayed, on, size), off, size)
