"""A state that is set, reset or held at every evaluation, worked out for 64 evaluations at a time.

Flags are bits of whole numbers, the first evaluation lowest. Where nothing decides, the state runs on from the last
decision; adding 1 below a run of held bits carries through all of it at once:

    held           0 1 1 1 0        bits upwards from the left
    + set before   0 1 0 0 0
    = sum          0 0 0 0 1        what was held and now is 0 has the state of the decision before
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Lanes = NDArray[np.uint64]
"""Flags of 64 evaluations each; those behind the last evaluation are 0."""

ALL = np.uint64(2**64 - 1)
_ONE = np.uint64(1)


def lanes_of(values: NDArray[Any], compare: Callable[..., Any], level: Any, scratch: NDArray[np.bool_]) -> Lanes:
    """Return where a comparison of values with a level holds.

    Parameters
    ----------
    values : ndarray, shape (n,)
    compare : ufunc
    level : scalar
    scratch : ndarray of bool, shape (k,)
        Overwritten: so many are compared at a time, a multiple of 64 if not all are.
    """
    out = np.zeros(-(-values.size // 64) * 8, np.uint8)
    for a in range(0, values.size, scratch.size):
        part = values[a : a + scratch.size]
        flags = scratch[: part.size]
        compare(part, level, out=flags)
        bits = np.packbits(flags, bitorder="little")
        out[a // 8 : a // 8 + bits.size] = bits
    return out.view("<u8")


def packed(flags: NDArray[np.bool_]) -> Lanes:
    """Return flags as lanes."""
    out = np.zeros(-(-flags.size // 64) * 8, np.uint8)
    bits = np.packbits(flags, bitorder="little")
    out[: bits.size] = bits
    return out.view("<u8")


def places_of(lanes: Lanes) -> NDArray[np.intp]:
    """Return the places of all flags that are set, ascending.

    Examples
    --------
    >>> places_of(packed(np.array([False, True, True]))).tolist()
    [1, 2]
    """
    some = np.flatnonzero(lanes)
    if 2 * some.size > lanes.size:
        return np.flatnonzero(np.unpackbits(lanes.view(np.uint8), bitorder="little").view(np.bool_))
    found = np.flatnonzero(np.unpackbits(lanes[some].view(np.uint8), bitorder="little").view(np.bool_))
    out: NDArray[np.intp] = 64 * some[found >> 6] + (found & 63)
    return out


def edges_of(set_: Lanes, reset: Lanes, state: bool) -> tuple[NDArray[np.intp], bool]:
    """Return where the state changes, and the state at the end.

    Parameters
    ----------
    set_, reset : ndarray of uint64, shape (n,)
        Never both at one evaluation.
    state : bool
        Before the first evaluation.

    Examples
    --------
    >>> flags = [packed(np.array(on, bool)) for on in ([0, 1, 0, 1, 0, 0], [1, 0, 0, 0, 0, 1])]
    >>> at, state = edges_of(*flags, False)
    >>> at.tolist(), state
    ([1, 5], False)
    """
    held = set_ | reset
    decided = held != 0
    np.invert(held, out=held)
    # Of two numbers without a common bit that one is larger which has the highest bit: the last decision.
    last = set_ > reset
    if not decided.all():
        at = np.maximum.accumulate(np.where(decided, np.arange(last.size), -1))
        last = np.where(at < 0, state, last[at])
    before = np.empty(last.size, np.uint64)
    before[0], before[1:] = state, last[:-1]
    work = set_ << _ONE
    work |= before
    work &= held
    work += held
    np.invert(work, out=work)
    work &= held
    work |= set_
    # `work` is the state at every evaluation: it changes where it differs from itself one evaluation before.
    np.left_shift(work, _ONE, out=held)
    held |= before
    held ^= work
    return places_of(held), bool(last[-1])
