"""Advance members through intervals: guess bounds of the references, see what is certain, move, check."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.arrays import Floats
from teachlab.sensor.edges import Edges
from teachlab.sensor.following.certain import agree

if TYPE_CHECKING:
    from teachlab.sensor.following.members import Members
    from teachlab.sensor.following.rows import Rows

# References move little, and most light lies clear of every level that they can lead to:
#
#     light up here: every member is light
#     - - - - - - - - - - - - - - - - - - -  highest level that a member can have while all guesses hold
#     light in here: members may differ; an interval in which they may is walked by each of them
#     - - - - - - - - - - - - - - - - - - -  lowest level
#     light down here: every member is dark
#
# Once a reference leaves its guess, what was found up to there holds, and the next guess begins.
ROOM = 1.5
"""A reference may go this many times as far as before, so that the next guess usually holds."""


class GuessAndCheck:
    """One step over intervals: the members go through as many as their guessed bounds allow.

    `members`: members, which are moved by it.
    `reach` (shape (m,), recording units): how far each reference may go from its present value.
    `done`: number of intervals processed, at least 1.
    `unsure`: share of intervals in which members may differ.
    `narrower_helps`: whether the levels of the members differ by less than they may move.
    `reach` (shape (m,), recording units): the next guess.
    """

    def __init__(self, members: Members, rows: Rows, reach: Floats) -> None:
        self._members, self._rows, self._every = members, rows, rows.every
        self._start = members.value
        self._low = np.maximum(members.value - reach, members.low_limit)
        self._high = np.minimum(members.value + reach, members.high_limit)
        self._went = np.zeros(len(members))
        self.done = 0
        bounds = members.bounds(self._low, self._high)
        if not bounds.finite:
            members.walk(rows, 0)
            members.note(np.empty(0, np.int64))
            self.done, self.unsure, self.reach, self.narrower_helps = 1, 1.0, reach, True
            return
        # The levels differ by more than the guess allows: a narrower guess would not help and is not tried.
        still = members.bounds(members.value, members.value)
        self.narrower_helps = bounds.on_high - bounds.on_low > 2 * (still.on_high - still.on_low)
        self._agreement = agreement = agree(rows, members, bounds)
        self._moved = np.flatnonzero((agreement.counted > 0) & ~agreement.unsure)
        counted = agreement.counted[self._moved]
        self._means = agreement.total[self._moved] / counted
        # An update moves the reference by this share of the distance to the mean light: a first-order lag over the
        # light that counted.
        self._weights = counted / (counted + members.constant)
        self.unsure = float(agreement.unsure.mean())
        self._go()
        members.note(self._common_edges())
        self.reach = np.maximum(ROOM * self._went, reach / 2)

    def _go(self) -> None:
        # Certain stretches at once; the uncertain intervals between them are walked by each member.
        for unsure in [*np.flatnonzero(self._agreement.unsure).tolist(), self._rows.count]:
            while self.done < unsure:
                self._certain(unsure)
                if self._left():
                    return
            if unsure < self._rows.count:
                self._members.walk(self._rows, unsure)
                self.done = unsure + 1
                if self._left():
                    return

    def _left(self) -> bool:
        """Whether a reference is outside the bounds for which the agreement was found."""
        value = self._members.value
        np.maximum(self._went, np.abs(value - self._start), out=self._went)
        return not bool(((value >= self._low) & (value <= self._high)).all())

    def _certain(self, stop: int) -> None:
        """Go through intervals that are certain, at most to `stop`."""
        members, a = self._members, self.done
        stop, special = self._patience_ends(stop)
        i, j = np.searchsorted(self._moved, (a, stop)).tolist()
        # Equal references share one path: after some time most members with different starts have met (a lag forgets).
        value, of = np.unique(members.value, return_inverse=True)
        path = path_of(value, self._means[i:j], self._weights[i:j], members.slew)
        used, limited, leaves = self._usable(path, of)
        if limited or leaves:
            special = limited
            # An update that meets a limit is no short sum (it starts the alarm): it is done by the rules, one by one.
            stop = int(self._moved[i + used]) if limited else int(self._moved[i + used - 1]) + 1
        self._move(path[:used], of, self._moved[i : i + used], stop)
        if special and stop < self._rows.count:
            everyone = np.ones(len(members), np.int64)
            members.update(
                self._at(stop + 1), everyone * self._agreement.counted[stop], everyone * self._agreement.total[stop],
                int(self._rows.present[stop]), float(self._rows.total[stop]),
            )  # fmt: skip
            stop += 1
        self._enter(a, stop)
        self.done = stop

    def _patience_ends(self, stop: int) -> tuple[int, bool]:
        """Return the first interval at whose end a reference may be set anew, or `stop`, and whether there is one."""
        patience = self._members.patience
        if patience is None:
            return stop, False
        i, j = np.searchsorted(self._moved, (self.done, stop))
        moved = self._moved[i:j]
        #     updates that move     x       x              x       each starts a new wait of all members
        #     patience              |----|  |----|
        #                                        ^                 it ends before the next update: set anew here
        left = np.full(moved.size + 1, patience)
        left[0] -= int(self._members.waited.max())  # the one that has waited longest is the first to lose patience
        ends = np.append(self.done - 1, moved) + np.maximum(-(-left // self._every), 1)
        late = np.flatnonzero(ends < np.append(moved, stop))
        return (int(ends[late[0]]), True) if late.size else (stop, False)

    def _usable(self, path: Floats, of: Edges) -> tuple[int, bool, bool]:
        """Return how many updates of a path are valid, whether the next meets a limit, and the last leaves the bounds.

        The update with which a reference leaves its bounds is still valid: it was decided before.
        """
        members = self._members
        if path.shape[0] == 0:
            return 0, False, False
        limits = _inner(of, path.shape[1], members.low_limit, members.high_limit)
        bounds = _inner(of, path.shape[1], self._low, self._high)
        least, most = path.min(axis=0), path.max(axis=0)
        if all(((least >= low) & (most <= high)).all() for low, high in (limits, bounds)):
            np.maximum(self._went, np.maximum(most[of] - self._start, self._start - least[of]), out=self._went)
            return path.shape[0], False, False
        within = [((path >= low) & (path <= high)).all(axis=1) for low, high in (limits, bounds)]
        limit, bound = (int(np.argmin(ok)) if not ok.all() else path.shape[0] for ok in within)
        if limit <= bound:
            return limit, True, False
        reached = path[:limit]  # what would come is the best guess of the reach
        np.maximum(
            self._went,
            np.maximum(reached.max(axis=0)[of] - self._start, self._start - reached.min(axis=0)[of]),
            out=self._went,
        )
        return bound + 1, False, True

    def _move(self, path: Floats, of: Edges, moved: Edges, stop: int) -> None:
        """Move the references along a path of updates, up to the beginning of interval `stop`."""
        members = self._members
        if moved.size == 0:
            members.waited = members.waited + (stop - self.done) * self._every
            return
        # No update of a path meets a limit, so the first one ends every alarm.
        if members.alarm.any():
            members.sound_alarms(self._at(int(moved[0]) + 1), np.zeros(len(members), bool))
        # Through the extremes to the end: members note how far their references ever went.
        members.move(path.min(axis=0)[of])
        members.move(path.max(axis=0)[of])
        members.move(path[-1][of])
        members.waited = np.full(len(members), (stop - 1 - int(moved[-1])) * self._every)

    def _enter(self, a: int, stop: int) -> None:
        """Take the state at the beginning of interval `stop`, and how long it freezes, counting from interval `a`."""
        members, light, at = self._members, self._agreement.light, self._at(stop)
        flips = int(np.searchsorted(light.edges, at))
        members.state = np.full(len(members), light.first ^ bool(flips & 1))
        starts, ends = self._agreement.objects
        k = int(np.searchsorted(starts, at)) - 1
        last = min(int(ends[k]), at) if k >= 0 else 0
        # Only an object that ended in this stretch can freeze beyond it; earlier ones were entered before.
        if last > self._at(a):
            members.free_from = np.maximum(members.free_from, last + members.hold)

    def _common_edges(self) -> Edges:
        edges = self._agreement.light.edges
        row = (edges - self._rows.start) // self._every
        return edges[(row < self.done) & ~self._agreement.unsure[row]]

    def _at(self, row: int) -> int:
        return self._rows.start + row * self._every


def _inner(of: Edges, classes: int, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Return what all members of each class have between their bounds."""
    inner_low, inner_high = np.full(classes, -np.inf), np.full(classes, np.inf)
    np.maximum.at(inner_low, of, low)
    np.minimum.at(inner_high, of, high)
    return inner_low, inner_high


SINGLY = 16
"""So few references are moved one by one: a vector operation takes as long as about twenty of them."""


def path_of(value: Floats, means: Floats, weights: Floats, slew: float) -> Floats:
    """Move references over updates, without limits.

    `value` (shape (d,), recording units): where they begin.
    `means`, `weights` (shape (n,)): for every update: the mean of the light that counts, and the share of the distance
    to it that is covered.
    `slew` (recording units): largest move of an update, or infinite.
    Returned (shape (n, d), recording units): the value of each after each update, rounded as if moved one step at a
    time.

    Examples
    --------
    >>> path_of(np.array([8.0]), np.array([12.0, 12.0]), np.array([0.5, 0.5]), math.inf).tolist()
    [[10.0], [11.0]]
    """
    path = np.empty((means.size, value.size))
    with np.errstate(all="ignore"):
        if value.size <= SINGLY:
            for k, b in enumerate(value.tolist()):
                path[:, k] = _singly(b, means.tolist(), weights.tolist(), slew)
            return path
        step, now = np.empty(value.size), value
        for after, mean, weight in zip(path, means, weights, strict=True):
            np.subtract(mean, now, out=step)
            np.multiply(step, weight, out=step)
            if slew < math.inf:
                np.maximum(step, -slew, out=step)
                np.minimum(step, slew, out=step)
            now = np.add(now, step, out=after)
    return path


def _singly(b: float, means: list[float], weights: list[float], slew: float) -> list[float]:
    updates = zip(means, weights, strict=True)
    if slew == math.inf:
        return [b := b + (mean - b) * weight for mean, weight in updates]
    return [b := b + min(max((mean - b) * weight, -slew), slew) for mean, weight in updates]
