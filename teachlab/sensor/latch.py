"""A state that is set, reset or held at every evaluation, worked out for 64 evaluations at a time.

Flags are bits of whole numbers, the first evaluation lowest. Where nothing decides, the state runs on from the last
decision; adding 1 below a run of held bits carries through all of it at once:

    held           0 1 1 1 0        bits upwards from the left
    + set before   0 1 0 0 0
    = sum          0 0 0 0 1        what was held and now is 0 has the state of the decision before
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Flags, Where
from teachlab.sensor.edges import merged

Lanes = NDArray[np.uint64]
"""Flags of 64 evaluations each; those behind the last evaluation are 0."""

ALL = np.uint64(2**64 - 1)
FEW = 8
"""Numbers are looked at one by one up to a share of 1 in so many."""
_NONE, _ONE, _TOP = np.uint64(0), np.uint64(1), np.uint64(63)


def compared(values: NDArray[Any], on: Any, off: Any, scratch: Flags) -> tuple[Lanes, Lanes]:
    """Return where values are at or above one level, and where below another.

    `values`: shape (n,).
    `on`, `off`: levels, in the type of the values.
    `scratch` (shape (k,)): overwritten: so many are compared at a time, a multiple of 64 if not all are.
    """
    out = np.zeros((2, -(-values.size // 64) * 8), np.uint8)
    for a in range(0, values.size, scratch.size):
        part = values[a : a + scratch.size]
        flags = scratch[: part.size]
        for lanes, compare, level in ((out[0], np.greater_equal, on), (out[1], np.less, off)):
            compare(part, level, out=flags)
            bits = np.packbits(flags, bitorder="little")
            lanes[a // 8 : a // 8 + bits.size] = bits
    # Little-endian on every machine: the first evaluation is the lowest bit of the first byte, so of the number too.
    return out[0].view("<u8"), out[1].view("<u8")


def packed(flags: Flags) -> Lanes:
    """Return flags as lanes."""
    out = np.zeros(-(-flags.size // 64) * 8, np.uint8)
    bits = np.packbits(flags, bitorder="little")
    out[: bits.size] = bits
    return out.view("<u8")


def places_of(lanes: Lanes) -> Where:
    """Return the places of all flags that are set, ascending.

    Examples
    --------
    >>> places_of(packed(np.array([False, True, True]))).tolist()
    [1, 2]
    """
    some = np.flatnonzero(lanes != 0)
    if 2 * some.size > lanes.size:
        return np.flatnonzero(np.unpackbits(lanes.view(np.uint8), bitorder="little").view(np.bool_))
    # Where flags are few, the lowest one of every number is taken, then the next, until none is left.
    words, begin, found = lanes[some], 64 * some, []
    while words.size:
        below = words - _ONE
        found.append(begin + np.bitwise_count(below & ~words))
        words &= below
        more = np.flatnonzero(words != 0)
        words, begin = words[more], begin[more]
    out = np.concatenate(found) if found else some
    out.sort()
    return out


def undecided(set_: Lanes, reset: Lanes) -> Where:
    """Return which numbers hold an evaluation at which nothing decides; the last one, where it is not full."""
    return np.flatnonzero((set_ | reset) != ALL)


def edges_of(set_: Lanes, reset: Lanes, state: bool, some: Where | None = None) -> tuple[Where, bool]:
    """Return where the state changes, and the state at the end.

    `set_`, `reset` (shape (n,)): never both at one evaluation.
    `state`: before the first evaluation.
    `some`: what `undecided` says of them, where it is known.

    Examples
    --------
    >>> flags = [packed(np.array(on, bool)) for on in ([0, 1, 0, 1, 0, 0], [1, 0, 0, 0, 0, 1])]
    >>> at, state = edges_of(*flags, False)
    >>> at.tolist(), state
    ([1, 5], False)
    """
    if some is None:
        some = undecided(set_, reset)
    if FEW * some.size > set_.size:
        states = states_of(set_, reset, state)
    else:
        # With the number before it, which may be decided throughout, each one finds the state that it holds.
        states, around = set_.copy(), merged(some, some[some > 0] - 1)
        states[around] = states_of(set_[around], reset[around], state)
    return places_of(states ^ later(states, 1, state)), bool(states[-1] >> _TOP)


def later(lanes: Lanes, by: int, before: bool) -> Lanes:
    """Return flags so many evaluations later; what comes in has the state from before the first evaluation.

    Examples
    --------
    >>> places_of(later(packed(np.array([True, False, False, False])), 2, False)).tolist()
    [2]
    """
    numbers, bits = divmod(by, 64)
    fill, numbers = ALL if before else _NONE, min(numbers, lanes.size)
    out, rest = np.empty_like(lanes), lanes[: lanes.size - numbers]
    out[:numbers] = fill
    np.left_shift(rest, np.uint64(bits), out=out[numbers:])
    if bits and rest.size:
        carried = np.uint64(64 - bits)
        out[numbers] |= fill >> carried
        out[numbers + 1 :] |= rest[:-1] >> carried
    return out


def states_of(set_: Lanes, reset: Lanes, state: bool) -> Lanes:
    """Return the state at every evaluation; behind the last one it goes on."""
    if set_.size == 0:
        return set_
    held = set_ | reset
    decided = held != 0
    np.invert(held, out=held)
    # Of two numbers without a common bit that one is larger which has the highest bit: the last decision.
    last = set_ > reset
    if not decided.all():
        at = np.maximum.accumulate(np.where(decided, np.arange(last.size), -1))
        last = np.where(at < 0, state, last[at])
    # A set bit, or the end of the number before (`last`), enters the run of held bits behind it at its lowest place;
    # the sum carries it out at the other end. What the sum loses above bit 63 is in `last`, which starts the next
    # number.
    work = set_ << _ONE
    work[0] |= np.uint64(state)
    work[1:] |= last[:-1]
    work &= held
    work += held
    np.invert(work, out=work)
    work &= held
    work |= set_
    return work
