"""How high each pass reaches, and what lies between passes, as shown."""

from __future__ import annotations

import numpy as np

from teachlab.model.arrays import Floats, Integers

HELD_SHARE = 0.25
"""The height of a pass is the light that it holds for this share of its length."""
LONGER, TABLE_SIZE = 1.25, 1 << 20
"""Passes up to so many times as long are sorted in one table, of about so many evaluations."""


def pass_heights(light: Floats, sign: int, start: Integers, end: Integers) -> tuple[Floats, Floats]:
    """Return the turned light that each pass holds for a quarter of its length, and its strongest; NaN without light.

    Light is turned in parts: a turned copy of all would take as much memory again.

    `light` (shape (n,), recording units): NaN where invalid.
    `sign`: 1 if objects raise the light, -1 if they lower it.
    `start`, `end` (shape (passes,), evaluations): not empty.
    """
    held, tops = np.full((2, start.size), np.nan)
    order = np.argsort(end - start, kind="stable")
    lengths = (end - start)[order]
    at = 0
    while at < order.size:
        # Passes of about the same length are sorted as rows of one table: invalid light and empty places come last.
        fit = np.searchsorted(lengths, LONGER * lengths[at], side="right")
        stop = min(int(fit), at + max(1, TABLE_SIZE // int(lengths[at])))
        rows, longest = order[at:stop], int(lengths[stop - 1])
        places = start[rows, None] + np.arange(longest)
        table = np.where(places < end[rows, None], sign * light[np.minimum(places, light.size - 1)], np.nan)
        table.sort(axis=1)
        valid = longest - np.count_nonzero(np.isnan(table), axis=1)
        rows, table, valid = rows[valid > 0], table[valid > 0], valid[valid > 0]
        row, place = np.arange(valid.size), (1 - HELD_SHARE) * (valid - 1)
        below = place.astype(np.int64)
        low, high = table[row, below], table[row, np.minimum(below + 1, valid - 1)]
        held[rows] = low + (high - low) * (place - below)
        tops[rows] = table[row, valid - 1]
        at = stop
    return held, tops


def outside_passes(start: Integers, end: Integers, size: int) -> tuple[Integers, Integers]:
    """Return where light outside stretches ``[start, end)`` begins and stops; they may overlap, and it may be empty."""
    # Widened passes may overlap: the light of a gap begins after the latest end so far.
    begins = np.append(0, np.maximum.accumulate(end)).clip(0, size)
    return begins, np.append(start, size).clip(0, size)
