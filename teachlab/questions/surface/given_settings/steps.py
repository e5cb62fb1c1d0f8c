"""Signals that stand still most of the time, as the evaluations at which they step: filter and delays on them.

What `chain` does value by value is done step by step here: long quiet stretches cost nothing, and neither
does a long delay.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.questions.surface.given_settings.chain import clamped
from teachlab.questions.surface.values.ranks import Ranks

At = NDArray[np.int64]
LONG_BEFORE = -(2**62)


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """A signal over one block of evaluations.

    Parameters
    ----------
    at : ndarray of int64, shape (n,)
        Where the values begin to hold, ascending; the first is the begin of the block.
    value : ndarray of int16, shape (n,)
    """

    at: At
    value: Ranks

    def compressed(self) -> Steps:
        """Return the same signal without steps that change nothing."""
        keep = np.empty(self.at.size, bool)
        keep[0] = True
        np.not_equal(self.value[1:], self.value[:-1], out=keep[1:])
        return self if keep.all() else Steps(self.at[keep], self.value[keep])

    def values_at(self, at: At) -> Ranks:
        """Return the values at evaluations of the block, ascending, every own one and the begin among them."""
        places = np.searchsorted(at, self.at)
        return np.repeat(self.value, np.diff(np.append(places, at.size)))


class Past:
    """The steps of a signal that the last `span` evaluations can still see, block after block.

    Parameters
    ----------
    span : int, evaluations
    first : int
        What the signal was for ever before the record.
    """

    def __init__(self, span: int, first: int) -> None:
        self.span = span
        self._tail = Steps(np.array([LONG_BEFORE]), np.array([first], np.int16))

    def joined(self, steps: Steps, stop: int) -> Steps:
        """Return what was kept followed by a block that ends at `stop`; keep what the next one will ask for."""
        tail = self._tail
        both = Steps(np.concatenate((tail.at, steps.at)), np.concatenate((tail.value, steps.value)))
        kept = int(np.searchsorted(both.at, stop - self.span, side="right")) - 1
        self._tail = Steps(both.at[kept:], both.value[kept:])
        return both


class Running:
    """A running extreme over the last ``delay + 1`` evaluations, begun long settled at one value.

    Parameters
    ----------
    pick : ufunc
        ``np.minimum`` or ``np.maximum``.
    delay : int, evaluations
    first : int
    """

    def __init__(self, pick: np.ufunc, delay: int, first: int) -> None:
        self._pick, self._delay = pick, delay
        self._past = Past(delay, first)

    def push(self, steps: Steps, stop: int) -> Steps:
        """Return the running extreme over a block that ends at `stop`."""
        if self._delay == 0:
            return steps
        start = steps.at[0]
        seen = self._past.joined(steps, stop)
        # A minimum follows a fall at once, and a rise when the lower value before it is out of sight.
        outward = seen.value[1:] < seen.value[:-1] if self._pick is np.minimum else seen.value[1:] > seen.value[:-1]
        later = np.where(outward, seen.at[1:], seen.at[1:] + self._delay)
        later.sort()
        at = np.append(start, later[np.searchsorted(later, start, side="right") : np.searchsorted(later, stop)])
        return Steps(at, extremes(self._pick, seen, at, self._delay)).compressed()


class Filter:
    """The consecutive filter: the last value, clamped between two running extremes; counts valid evaluations."""

    def __init__(self, consecutive: int, first: int) -> None:
        self._delay = consecutive - 1
        self._past = Past(self._delay, first)
        self._last = first

    def push(self, steps: Steps, stop: int) -> Steps:
        """Return the filtered signal over a block that ends at `stop`."""
        if self._delay == 0:
            return steps
        start = steps.at[0]
        seen = self._past.joined(steps, stop)
        at = merged(seen.at[1:], seen.at[1:] + self._delay, np.array([start]))
        at = at[np.searchsorted(at, start) : np.searchsorted(at, stop)]
        low, high = (extremes(pick, seen, at, self._delay) for pick in (np.minimum, np.maximum))
        value = clamped(low, high, self._last)
        self._last = int(value[-1])
        return Steps(at, value).compressed()


def merged(*parts: At) -> At:
    """Return the distinct values of ascending arrays, ascending; one at least must not be empty."""
    out = np.concatenate(parts)
    out.sort()
    new = np.empty(out.size, bool)
    new[0] = True
    np.not_equal(out[1:], out[:-1], out=new[1:])
    return out[new]


def extremes(pick: np.ufunc, seen: Steps, at: At, delay: int) -> Ranks:
    """Return the extreme of a signal over ``[t − delay, t]`` for every t of `at`.

    Extremes over 1, 2, 4 … neighbouring steps follow from one another; two overlapping ones cover any stretch.
    """
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
