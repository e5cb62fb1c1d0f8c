"""What all settings of a family are certain to do while the reference of each stays near its present value.

From the same starting state, a comparator with lower levels is light whenever one with higher levels is. So the states
under the lowest and under the highest possible levels enclose the state of every member, even if levels move: where
these two agree, all agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.arrays import Flags, Floats
from teachlab.sensor.edges import Edges, RunCounter, TwoState

if TYPE_CHECKING:
    from teachlab.sensor.following.members import Bounds, Members
    from teachlab.sensor.following.rows import Rows


@dataclass(frozen=True, slots=True, eq=False)
class CertainIntervals:
    """What is certain about intervals, as long as every reference stays within its bounds.

    `unsure` (shape (rows,)): whether members may differ in the interval; for such an interval the other fields mean
    nothing.
    `counted` (shape (rows,)): evaluations that count.
    `total` (shape (rows,), recording units): sum of these evaluations.
    `light`: the state; its first value is the one before the first evaluation, at which it may change.
    `objects` (evaluations): starts and ends of stretches that are taken for objects.
    """

    unsure: Flags
    counted: Edges
    total: Floats
    light: TwoState
    objects: tuple[Edges, Edges]


def agree(rows: Rows, members: Members, bounds: Bounds) -> CertainIntervals:
    """Find what is certain.

    Positions count from the first evaluation of the record.
    `members`: members, at their place before the first of these rows.
    `bounds`: bounds of their levels.
    """
    # The comparator with the highest levels is the last to become light and the first to go dark; the one with the
    # lowest levels does the opposite. All members lie between these two, however their levels move within the bounds.
    least = _state(rows, bounds.on_high, bounds.off_high, bool(members.state.all()))
    most = _state(rows, bounds.on_low, bounds.off_low, bool(members.state.any()))
    unsure = ~rows.sound
    hold = members.hold if members.freeze else 0
    broken = np.flatnonzero(unsure)
    if hold and broken.size:  # an object that ends in invalid light freezes from where it was last seen
        begin = broken * rows.every
        _mark(unsure, rows, begin, begin + rows.every + hold + 1)
    first, last = _differing(least, most).runs(rows.evaluations)
    _mark(unsure, rows, np.maximum(first, 0), last + max(hold, 1))  # where they agree again, some change
    objects = _runs(least if members.light_on else least.inverted(), rows)
    frozen = np.zeros(rows.count, np.int64)
    runs = (np.empty(0, np.int64), np.empty(0, np.int64))
    if members.freeze:
        free = np.maximum(members.free_from - rows.start, 0)
        _mark(unsure, rows, free.min(keepdims=True), free.max(keepdims=True))
        runs = _merged(
            np.concatenate([[0], objects[0]]), np.concatenate([free.min(keepdims=True), objects[1] + members.hold])
        )
        begin = np.arange(rows.count) * rows.every
        frozen = RunCounter(*runs, np.append(0, np.cumsum(runs[1] - runs[0]))).within(begin, begin + rows.every)
    # Whole intervals are decided by their extremes; only mixed ones are examined evaluation by evaluation.
    near, far = _within(rows.low, rows.high, bounds)
    whole = ~unsure & (frozen == 0) & near
    counted = np.where(whole, rows.every, 0)
    total = np.where(whole, rows.total, 0.0)
    mixed = np.flatnonzero(~unsure & (frozen < rows.every) & ~whole & ~((frozen == 0) & far))
    if mixed.size:
        light = rows.light[mixed]
        free_at = np.ones(light.shape, bool)
        if members.freeze:
            free_at = ~_inside(mixed[:, None] * rows.every + np.arange(rows.every), *runs)
        near, far = _within(light, light, bounds)
        unsure[mixed] = (~(near | far) & free_at).any(axis=1)
        counts = near & free_at
        counted[mixed] = np.count_nonzero(counts, axis=1)
        with np.errstate(over="ignore"):
            # Summed from the left, one after the other, as in the plain follower: numpy's pairwise sum differs in the
            # last bit.
            total[mixed] = 0.0 + np.add.accumulate(np.where(counts, light, 0.0), axis=1)[:, -1]
    # If a sum overflows, the interval is walked plainly, and the result follows the rules.
    unsure |= ~np.isfinite(total)
    shifted = TwoState(least.first, least.edges + rows.start)
    return CertainIntervals(unsure, counted, total, shifted, (objects[0] + rows.start, objects[1] + rows.start))


def _state(rows: Rows, on: float, off: float, before: bool) -> TwoState:
    """Return the state under fixed levels over the evaluations of the rows; it may change at the first one."""
    # Three kinds of interval: light or dark from end to end, holding from end to end, and those that must be examined.
    up, down = rows.low >= on, rows.high < off  # light, or dark, from the first evaluation to the last
    alike = up | down
    mixed = np.flatnonzero(~alike & ~((rows.low >= off) & (rows.high < on)))
    alike_at = np.flatnonzero(alike)
    at, light = alike_at * rows.every, up[alike_at]
    if mixed.size:
        some = rows.light[mixed]
        above = some >= on
        decided = np.flatnonzero(above | (some < off))
        row, column = np.divmod(decided, rows.every)
        at = np.concatenate([at, mixed[row] * rows.every + column])
        light = np.concatenate([light, above.reshape(-1)[decided]])
        order = np.argsort(at, kind="stable")
        at, light = at[order], light[order]
    changed = light != np.concatenate([[before], light[:-1]])
    return TwoState(before, at[changed])


def _differing(a: TwoState, b: TwoState) -> TwoState:
    # Where both change at once, they go on agreeing, or differing: such an edge does not belong to the difference.
    edges, times = np.unique(np.concatenate([a.edges, b.edges]), return_counts=True)
    return TwoState(a.first is not b.first, edges[times == 1])


def _runs(state: TwoState, rows: Rows) -> tuple[Edges, Edges]:
    starts, ends = state.runs(rows.evaluations)
    starts = np.maximum(starts, 0)
    real = ends > starts
    return starts[real], ends[real]


def _merged(starts: Edges, ends: Edges) -> tuple[Edges, Edges]:
    """Join runs that touch or overlap; ascending by their starts."""
    ends = np.maximum.accumulate(ends)
    apart = starts[1:] > ends[:-1]
    return starts[np.append(True, apart)], ends[np.append(apart, True)]


def _mark(unsure: Flags, rows: Rows, starts: Edges, ends: Edges) -> None:
    """Mark the rows that hold an evaluation of the runs ``[start, end)``."""
    real = ends > starts
    first, last = starts[real] // rows.every, (ends[real] - 1) // rows.every
    first, last = first[first < rows.count], last[first < rows.count].clip(max=rows.count - 1)
    # Many runs at once: +1 where one starts, −1 behind its end. The running sum is above 0 in the rows that they touch:
    #
    #     runs      |-----|     |--|
    #                  |-----|
    #     sum      0 1  2  1  0  1   0
    steps = np.bincount(first, minlength=rows.count + 1) - np.bincount(last + 1, minlength=rows.count + 1)
    unsure |= np.cumsum(steps)[:-1] > 0


def _within(low: Floats, high: Floats, bounds: Bounds) -> tuple[Flags, Flags]:
    """Return where light between two extremes is certain to be near every reference, and certain not to be."""
    with np.errstate(all="ignore"):
        near = (high - bounds.low < bounds.near_low) & (bounds.high - low < bounds.near_low)
        far = (low - bounds.high >= bounds.near_high) | (bounds.low - high >= bounds.near_high)
    return near, far


def _inside(at: Edges, starts: Edges, ends: Edges) -> Flags:
    """Return which evaluations lie in one of the runs ``[start, end)``."""
    return np.searchsorted(starts, at, side="right") > np.searchsorted(ends, at, side="right")
