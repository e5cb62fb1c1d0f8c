"""Filter and delays on lanes, flags of 64 evaluations in a number: the same as on runs, however often a state changes.

A delay of d asks for the state of d + 1 evaluations in a row. Each step doubles how many are asked:

    state                0 1 1 1 1 0 1 0
    and the one before   0 0 1 1 1 0 0 0     2 in a row
    and 2 before         0 0 0 0 1 0 0 0     4 in a row
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from teachlab.sensor.latch import Lanes, later, states_of


def steps_of(delay: int) -> Iterator[int]:
    """Return by how many evaluations flags are moved, step by step, until `delay` before each are asked."""
    asked = 0
    while asked < delay:
        step = min(asked + 1, delay - asked)
        yield step
        asked += step


def lasting(lanes: Lanes, delay: int, before: bool) -> Lanes:
    """Return where a state holds and has held for `delay` evaluations before; `before` is from before the first."""
    for step in steps_of(delay):
        lanes = lanes & later(lanes, step, before)
    return lanes


def held(lanes: Lanes, delay: int, before: bool) -> Lanes:
    """Return where a state holds or has held in one of the `delay` evaluations before."""
    for step in steps_of(delay):
        lanes = lanes | later(lanes, step, before)
    return lanes


def filtered(lanes: Lanes, consecutive: int, before: bool) -> Lanes:
    """Change the state only after `consecutive` evaluations in a row disagree with it: all of them are valid."""
    if consecutive == 1:
        return lanes
    dark = np.invert(held(lanes, consecutive - 1, before))
    return states_of(lasting(lanes, consecutive - 1, before), dark, before)
