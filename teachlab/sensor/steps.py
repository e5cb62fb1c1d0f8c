"""Filter and delays for many settings at once, block by block, on the evaluations at which their signal steps.

Along a chain of settings, the states of all comparators are one number: how many of them are light. Filter and delays
are increasing operations on two-valued signals, so they act on that number itself (threshold decomposition of stack
filters): an on-delay is a running minimum, an off-delay a running maximum, and ``consecutive`` a clamp. Long quiet
stretches take no work, and a long delay takes no more than a short one.

References
----------
Fitch, Coyle and Gallagher, Median filtering by threshold decomposition, IEEE Trans. ASSP 32 (1984); Wendt, Coyle and
Gallagher, Stack filters, IEEE Trans. ASSP 34 (1986).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.setting import Switching
from teachlab.sensor.clock import Clock
from teachlab.sensor.delays import delay_stages
from teachlab.sensor.edges import LONG_AGO, merged
from teachlab.sensor.running_extremes import running

At = NDArray[np.int64]
Ranks = NDArray[np.int16]
# A filter and two delays, on the number S of settings of a chain that are light, instead of on each of them:
#
#     evaluation   0 1 2 3 4 5 6 7 8 9
#     S            0 3 5 5 1 0 0 4 4 4      how many comparators are light
#     min over 3   0 0 0 3 1 0 0 0 0 4      held back by 2: setting k is active where this exceeds k
#     max over 3   0 3 5 5 5 5 1 4 4 4      held on by 2
#
# A minimum over the last d + 1 values exceeds k exactly where all of them do, which is what an on-delay of setting k
# asks: so one running extreme delays all settings at once.
STEPS_EVERY = 6
"""A signal that steps more often than once in so many evaluations is processed value by value."""


@dataclass(frozen=True, slots=True, eq=False)
class SteppedSignal:
    """A signal over one block of evaluations.

    `at` (shape (n,)): where each value begins, ascending; the first is the start of the block.
    `value`: shape (n,).
    """

    at: At
    value: Ranks

    def compressed(self) -> SteppedSignal:
        """Return the same signal without steps that change nothing."""
        keep = np.empty(self.at.size, bool)
        keep[0] = True
        np.not_equal(self.value[1:], self.value[:-1], out=keep[1:])
        return self if keep.all() else SteppedSignal(self.at[keep], self.value[keep])

    def values_at(self, at: At) -> Ranks:
        """Return the values at ascending evaluations of the block, which include every step and the start."""
        places = np.searchsorted(at, self.at)
        return np.repeat(self.value, np.diff(np.append(places, at.size)))

    def since(self, start: int, stop: int) -> Ranks:
        """Return the value at every evaluation from `start`, which the signal must cover, up to before `stop`."""
        at = self.at
        if at.size == stop - start and at[0] == start:
            return self.value
        return np.repeat(self.value, np.diff(np.append(at.clip(min=start), stop)))


@dataclass(frozen=True, slots=True, eq=False)
class EvaluatedStretch:
    """A block of evaluations, and which of them are valid.

    `start`, `stop`: evaluations ``[start, stop)`` of the record.
    `begin`, `end`: the same, counted in valid evaluations of the record.
    `valid` (shape (end - begin,)): places of the valid evaluations in the block; None if all are valid.
    """

    start: int
    stop: int
    begin: int
    end: int
    valid: NDArray[np.intp] | None

    def evaluations(self, ordinal: At) -> At:
        """Return the places of the block's valid evaluations among all."""
        if self.valid is None:
            return ordinal + (self.start - self.begin)
        return self.valid[ordinal - self.begin] + self.start

    def borders(self, ordinal: At) -> At:
        """Return the same for any numbers of valid evaluations: the start, or the stop, for those out of the block."""
        inside = ordinal.clip(self.begin, self.end)
        if self.valid is None:
            return inside + (self.start - self.begin)
        out: At = np.append(self.valid, self.stop - self.start)[inside - self.begin] + self.start
        out[inside == self.begin] = self.start
        return out


class SteppedSwitching:
    """Filter and delays of a setting, starting in the settled state of one value.

    `first`: value of the signal at all times before the record.
    """

    def __init__(self, setting: Switching, clock: Clock, first: int) -> None:
        self._filter = Filter(min(setting.consecutive, clock.count + 1), first)
        self._delays = [
            Running(np.minimum if stage.least else np.maximum, stage.evaluations, first)
            for stage in delay_stages(setting, clock)
        ]
        self._last = first

    def push(self, stretch: EvaluatedStretch, signal: SteppedSignal | None) -> tuple[SteppedSignal, SteppedSignal]:
        """Return the undelayed and the delayed signal over a block.

        `signal`: signal over its valid evaluations, by number; None without any.
        """
        undelayed = output = self._undelayed(stretch, signal)
        self._last = int(undelayed.value[-1])
        for delay in self._delays:
            output = delay.push(output, stretch.stop)
        return undelayed, output

    def _undelayed(self, stretch: EvaluatedStretch, signal: SteppedSignal | None) -> SteppedSignal:
        held = SteppedSignal(np.array([stretch.start]), np.array([self._last], np.int16))
        if signal is None:
            return held
        filtered = self._filter.push(signal, stretch.end)
        at = stretch.evaluations(filtered.at)
        if at[0] == stretch.start:
            return SteppedSignal(at, filtered.value)
        # The block begins with invalid evaluations, which hold the state.
        return SteppedSignal(np.append(held.at, at), np.append(held.value, filtered.value))


class Past:
    """The steps of a signal that still matter for the last `span` evaluations, block after block.

    `span`: evaluations.
    `first`: value of the signal at all times before the record.
    """

    def __init__(self, span: int, first: int) -> None:
        self.span = span
        self._tail = SteppedSignal(np.array([LONG_AGO]), np.array([first], np.int16))

    def joined(self, steps: SteppedSignal, stop: int) -> SteppedSignal:
        """Return what was kept, followed by a block that ends at `stop`; keep what the next one will need."""
        tail = self._tail
        both = SteppedSignal(np.concatenate((tail.at, steps.at)), np.concatenate((tail.value, steps.value)))
        # The last step at or before that evaluation is kept, however old it is: its value is the one that holds there.
        kept = int(np.searchsorted(both.at, stop - self.span, side="right")) - 1
        self._tail = SteppedSignal(both.at[kept:], both.value[kept:])
        return both


class Running:
    """A running extreme over the last ``delay + 1`` evaluations, starting in the settled state of one value.

    `pick`: ``np.minimum`` or ``np.maximum``.
    `delay`: evaluations.
    """

    def __init__(self, pick: np.ufunc, delay: int, first: int) -> None:
        self._pick, self._delay = pick, delay
        self._past = Past(delay, first)

    def push(self, steps: SteppedSignal, stop: int) -> SteppedSignal:
        """Return the running extreme over a block that ends at `stop`."""
        if self._delay == 0:
            return steps
        start = int(steps.at[0])
        seen = self._past.joined(steps, stop)
        # Noise at a level steps at every other evaluation; then plain running extremes are faster than single steps.
        if dense(seen, start, stop, self._delay):
            values = seen.since(start - self._delay, stop)
            return SteppedSignal(np.arange(start, stop), running(self._pick, values, self._delay + 1))
        # A minimum follows a fall at once, and a rise when the lower value before it leaves the window.
        outward = seen.value[1:] < seen.value[:-1] if self._pick is np.minimum else seen.value[1:] > seen.value[:-1]
        later = np.where(outward, seen.at[1:], seen.at[1:] + self._delay)
        # The extreme can change only there: where a value appears, or where the value that hid it leaves the window.
        later.sort()
        at = np.append(start, later[np.searchsorted(later, start, side="right") : np.searchsorted(later, stop)])
        return SteppedSignal(at, extremes(self._pick, seen, at, self._delay)).compressed()


class Filter:
    """The consecutive filter: the last value, clamped between two running extremes; counts valid evaluations."""

    def __init__(self, consecutive: int, first: int) -> None:
        self._delay = consecutive - 1
        self._past = Past(self._delay, first)
        self._last = first

    def push(self, steps: SteppedSignal, stop: int) -> SteppedSignal:
        """Return the filtered signal over a block that ends at `stop`."""
        if self._delay == 0:
            return steps
        start = int(steps.at[0])
        seen = self._past.joined(steps, stop)
        if dense(seen, start, stop, self._delay):
            at, values = np.arange(start, stop), seen.since(start - self._delay, stop)
            low, high = (running(pick, values, self._delay + 1) for pick in (np.minimum, np.maximum))
        else:
            at = merged(seen.at[1:], seen.at[1:] + self._delay, np.array([start]))
            at = at[np.searchsorted(at, start) : np.searchsorted(at, stop)]
            low, high = (extremes(pick, seen, at, self._delay) for pick in (np.minimum, np.maximum))
        # For setting k, all of the last `consecutive` values are light where their minimum exceeds k, and all are dark
        # where their maximum does not; otherwise the state holds. For the number of light settings, this is one clamp:
        #
        #         y before < minimum   y = minimum      more settings saw nothing but light
        #         y before > maximum   y = maximum      more settings saw nothing but dark
        value = clamped(low, high, self._last)
        self._last = int(value[-1])
        found = SteppedSignal(at, value)
        return found if at.size == stop - start else found.compressed()


def dense(seen: SteppedSignal, start: int, stop: int, delay: int) -> bool:
    """Whether a signal steps so often that processing it value by value is faster than step by step."""
    return STEPS_EVERY * seen.at.size > stop - start + delay


def clamped(low: Ranks, high: Ranks, first: int) -> Ranks:
    """Return the values that start at `first` and are clamped between `low` and `high`, one after the other.

    ``y[t] = clip(y[t − 1], low[t], high[t])``: clamps in a row are a clamp, so 2, 4, 8 … of them are joined.
    """
    step = 1
    # A clamp with equal bounds gives the same value, whatever came before it.
    while step < low.size and (low[step:] != high[step:]).any():
        floor, ceiling = low[:-step], high[:-step]
        # Doubling: after k rounds every clamp does what 2^k clamps in a row do, and log2(n) rounds do all of them.
        low, high = low.copy(), high.copy()
        low[step:], high[step:] = (
            np.minimum(np.maximum(floor, low[step:]), high[step:]),
            np.minimum(np.maximum(ceiling, low[step:]), high[step:]),
        )
        step *= 2
    out: Ranks = np.minimum(np.maximum(low, np.int16(first)), high)
    return out


def extremes(pick: np.ufunc, seen: SteppedSignal, at: At, delay: int) -> Ranks:
    """Return the extreme of a signal over ``[t − delay, t]`` for every t of `at`.

    Extremes over 1, 2, 4 … neighbouring steps follow from each other; two overlapping ones cover any stretch.
    """
    # Stretches of 2^k … 2^(k+1) steps are answered by two overlapping extremes over 2^k: a table is kept for one k at a
    # time.
    first = np.searchsorted(seen.at, at - delay, side="right") - 1
    last = np.searchsorted(seen.at, at, side="right") - 1
    length = last - first + 1
    out = np.empty(at.size, np.int16)
    reach, table = 1, seen.value
    longest = int(length.max())
    while True:
        some = np.flatnonzero((length >= reach) & (length < 2 * reach)) if longest >= 2 * reach or reach > 1 else ...
        a: Any = first[some]
        b: Any = last[some] - reach + 1
        out[some] = pick(table[a], table[b])
        if longest < 2 * reach:
            return out
        table = pick(table[:-reach], table[reach:])
        reach *= 2
