"""Many settings that follow with the same times, as arrays: their levels, and one interval walked by all of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.arrays import Flags, Floats
from teachlab.model.following_and_window import Follow, FollowingSetting

if TYPE_CHECKING:
    from teachlab.sensor.edges import Edges
    from teachlab.sensor.following.row_by_row import Follower
    from teachlab.sensor.following.rows import Rows

ULPS = 64.0
"""Rounding errors of a distance, in units of the last place of its largest number: more than can add up."""


def family_of(setting: FollowingSetting) -> tuple[object, ...]:
    """Return what settings must have in common to be followed together; all share the rate."""
    return (
        setting.polarity, setting.update_evaluations, setting.freeze, setting.freeze_hold_ms, setting.follow,
        setting.time_constant_ms, setting.slew_per_s, setting.release_after_ms, setting.guard is None,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Bounds:
    """Range of the levels of some settings while each reference stays near its present value.

    `on_low`, `on_high`, `off_low`, `off_high`: recording units.
    `near_low`, `near_high` (recording units): bounds of the distance within which light counts.
    `low`, `high` (recording units): bounds of the references.
    """

    on_low: float
    on_high: float
    off_low: float
    off_high: float
    near_low: float
    near_high: float
    low: float
    high: float

    @property
    def finite(self) -> bool:
        """Whether light can be compared with all of them; without a guard, all light counts as near."""
        levels = (self.on_low, self.on_high, self.off_low, self.off_high, self.low, self.high)
        return all(map(math.isfinite, levels)) and not math.isnan(self.near_low + self.near_high)


class Members:
    """Settings of one family, each at its place between two intervals.

    `settings`: m of them.
    `followers`: followers of these settings, all started; `store` brings them to the place of the members.
    `value`, `lowest`, `highest` (shape (m,), recording units): the references now, and the extremes of their values.
    `state`, `alarm`: shape (m,).
    `free_from`, `waited`: shape (m,), evaluations.
    """

    def __init__(self, settings: list[FollowingSetting], followers: list[Follower]) -> None:
        first, reference = settings[0], followers[0].reference
        self._settings, self._followers = settings, followers
        self.light_on, self.freeze = first.light_on, first.freeze
        self.every, self.hold = first.update_evaluations, followers[0].hold
        self.constant, self.slew, self.patience = reference.constant, reference.slew, reference.patience
        self._gain = first.follow is Follow.GAIN
        self._on, self._off, self._taught, self._dark, self.low_limit, self.high_limit = (
            np.array([getattr(s, name) for s in settings], np.float64)
            for name in ("on_level", "off_level", "reference", "dark_level", "low_limit", "high_limit")
        )
        self._guard = None if first.guard is None else np.array([s.guard for s in settings], np.float64)
        references = [f.reference for f in self._followers]
        self.value, self.lowest, self.highest = (
            np.array([getattr(r, name) for r in references], np.float64) for name in ("value", "lowest", "highest")
        )
        self.alarm = np.array([r.alarm for r in references], bool)
        self.waited = np.array([r.waited for r in references], np.int64)
        self.state = np.array([f.state for f in self._followers], bool)
        self.free_from = np.array([f.free_from for f in self._followers], np.int64)
        self._own: list[tuple[Edges, Edges]] = []

    def __getitem__(self, members: Edges) -> Members:
        """Return some of the members; these must be stored first."""
        return Members([self._settings[k] for k in members], [self._followers[k] for k in members])

    def __len__(self) -> int:
        return self.value.size

    def levels(self, value: Floats) -> tuple[Floats, Floats, Floats]:
        """Return on-levels, off-levels and the distances within which light counts, at these references."""
        with np.errstate(all="ignore"):
            if self._gain:
                # At the taught reference the levels are those taught, to the bit: a ratio of one times a level may
                # round.
                ratio = (value - self._dark) / (self._taught - self._dark)
                on, off = (self._dark + (own - self._dark) * ratio for own in (self._on, self._off))
            else:
                moved = value - self._taught
                on, off = self._on + moved, self._off + moved
            still = value == self._taught
            on, off = np.where(still, self._on, on), np.where(still, self._off, off)
            active = on if self.light_on else off
            near = np.full(value.shape, np.inf) if self._guard is None else self._guard * np.abs(active - value)
        return on, off, near

    def bounds(self, low: Floats, high: Floats) -> Bounds:
        """Return the range of all levels while every reference is within ``[low, high]``, shapes (m,).

        Every step of `levels` rounds a monotone function, so the levels lie between those at the two ends, except for
        the stored ones at the taught reference. Distances are linear in the reference except for rounding, and keep
        their sign within the limits.
        """
        ends = [self.levels(low), self.levels(high)]
        passed = np.flatnonzero((low <= self._taught) & (self._taught <= high))
        on, off = (
            np.concatenate([ends[0][k], ends[1][k], stored[passed]]) for k, stored in ((0, self._on), (1, self._off))
        )
        near = np.concatenate([ends[0][2], ends[1][2]])
        slop = 0.0
        if self._guard is not None:
            largest = max(float(np.abs(v).max()) for v in (on, off, low, high, self._dark, self._taught))
            with np.errstate(invalid="ignore"):
                slop = ULPS * float(np.spacing(largest)) * (1.0 + float(self._guard.max()))
        return Bounds(
            float(on.min()), float(on.max()), float(off.min()), float(off.max()), float(near.min()) - slop,
            float(near.max()) + slop, float(low.min()), float(high.max()),
        )  # fmt: skip

    def update(self, at: int, counted: Edges, total: Floats, present: int, present_total: float) -> None:
        """Move every reference at the end of an interval, as `Reference.update` moves one.

        `counted` and `total` have shape (m,); what is present is the same for all.
        """
        moved = counted > 0
        with np.errstate(all="ignore"):
            # Where nothing counted, this is 0 / 0; such members do not move, and the NaN is not used.
            step = (total / counted - self.value) * (counted / (counted + self.constant))
            wanted = self.value + np.minimum(np.maximum(step, -self.slew), self.slew)
        self.waited = np.where(moved, 0, self.waited + self.every)
        if present and self.patience is not None:
            anew = ~moved & (self.waited >= self.patience)
            self.waited[anew] = 0
            for k in np.flatnonzero(anew).tolist():
                self._followers[k].reference.releases.append(at)
            wanted[anew] = present_total / present
            moved |= anew
        moved &= np.isfinite(wanted)
        held = np.minimum(np.maximum(wanted, self.low_limit), self.high_limit)
        self.sound_alarms(at, np.where(moved, held != wanted, self.alarm))
        self.move(np.where(moved, held, self.value))

    def move(self, value: Floats) -> None:
        """Take new values of the references."""
        self.value = value
        self.lowest, self.highest = np.minimum(self.lowest, value), np.maximum(self.highest, value)

    def sound_alarms(self, at: int, alarm: Flags) -> None:
        """Take new alarms, on or off from an evaluation on."""
        changed = np.flatnonzero(alarm != self.alarm)
        for k in changed.tolist():
            self._followers[k].reference.alarm_edges.append(at)
        self.alarm = alarm

    def walk(self, rows: Rows, row: int) -> None:
        """Go through one interval evaluation by evaluation, all members side by side."""
        light, begin = rows.light[row], rows.start + row * self.every
        at = np.arange(begin, begin + self.every)
        on, off, near = self.levels(self.value)
        code = (light >= on[:, None]).view(np.int8) - (light < off[:, None]).view(np.int8)
        # Between the levels the comparator keeps what it said last: the latest place with a verdict, looked up for all
        # evaluations at once instead of one after the other.
        said = np.maximum.accumulate(np.where(code != 0, at, -1), axis=1)  # the evaluation that decided last
        state = np.take_along_axis(code, np.maximum(said - begin, 0), axis=1) > 0
        state = np.where(said >= 0, state, self.state[:, None])
        member, edge = np.nonzero(state != np.column_stack([self.state, state[:, :-1]]))
        if member.size:
            self._own.append((member, edge + begin))
        counts = np.isfinite(light) & np.ones(state.shape, bool)
        if self.freeze:
            seen = (state == self.light_on) & ~np.isnan(light)
            free_from = np.where(seen, at + 1 + self.hold, self.free_from[:, None])
            free_from = np.maximum.accumulate(free_from, axis=1)
            counts &= at >= free_from
            self.free_from = free_from[:, -1].copy()
        with np.errstate(all="ignore"):
            counts &= np.abs(light - self.value[:, None]) < near[:, None]
            # Added one after the other, as a walk adds: a sum of the library adds in another order, which rounds
            # differently. The 0.0 in front is where a walk starts; it turns −0.0 into 0.0.
            total = 0.0 + np.add.accumulate(np.where(counts, light, 0.0), axis=1)[:, -1]
        self.state = state[:, -1].copy()
        self.update(
            begin + self.every, np.count_nonzero(counts, axis=1), total, int(rows.present[row]), float(rows.total[row])
        )

    def note(self, common: Edges) -> None:
        """Give every member the common edges, and its own edges, found since the last call."""
        own = [np.empty(0, np.int64)] * len(self)
        if self._own:
            member, at = (np.concatenate(v) for v in zip(*self._own, strict=True))
            order = np.argsort(member, kind="stable")
            own = np.split(at[order], np.searchsorted(member[order], np.arange(1, len(self))))
            self._own = []
        for follower, edges, state in zip(self._followers, own, self.state.tolist(), strict=True):
            follower.take(np.sort(np.concatenate([common, edges])) if edges.size else common, state)

    def store(self) -> None:
        """Bring the followers to the place of the members."""
        columns = (self.value, self.lowest, self.highest, self.alarm, self.waited, self.free_from, self.state)
        for follower, *now in zip(self._followers, *(c.tolist() for c in columns), strict=True):
            reference = follower.reference
            reference.value, reference.lowest, reference.highest, reference.alarm, reference.waited = now[:5]
            follower.free_from, follower.state = now[5:]
            reference.place()
