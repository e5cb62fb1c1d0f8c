"""Settings of one family through a recording: what is certain for all at once, the rest side by side.

From update to update a reference is a short sum, the same for every member that counts the same light. So a stretch of
intervals is processed in three steps. First: what each member is certain to do while its reference stays within a
guessed distance of its present value (`agreement`). Second: the references move along, equal ones together. Third: the
guess is checked. If a reference leaves its bounds, everything before that is valid, and the rest is processed again.
Where members may differ, they are walked side by side. Nothing is approximate.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from teachlab.model.arrays import Flags, Floats
from teachlab.model.following_and_window import FollowingSetting
from teachlab.model.recording import Block, Light
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import Edges, TwoState
from teachlab.sensor.following.guess_and_check import GuessAndCheck
from teachlab.sensor.following.members import Members
from teachlab.sensor.following.row_by_row import Follower
from teachlab.sensor.following.rows import Rows
from teachlab.sensor.output import Followed
from teachlab.sensor.validity import Validity

if TYPE_CHECKING:
    from teachlab.sensor.following.compiled import CompiledFollowers

# Three intervals of one stretch, with the light (~), the levels of the members (-) and how far they may move (:):
#
#       ~~~~~~~~~
#     ::::::::::::::::::::::::::~::::::::   highest level that may occur    1  certain: above all of them
#      -  -  -  -  -  -  -  -  ~ ~ -  ~ -   levels of the members           2  certain: below all of them
#     ::::::::::::::::::::::::~:::~:~:~::   lowest level that may occur     3  unsure: some may be light, some
#                  ~~~~~~~~~~~     ~                                           dark; walked by each member
#     | 1         | 2         | 3       |   intervals of `update_evaluations`: levels move at their borders only
#
# In what is certain all members count the same light, so a reference depends on where it began and nothing else:
# members that began alike are moved as one, by a short sum. Then the guess is checked: a reference that left its bounds
# ends the stretch there, and the next look begins with a wider guess.
FAST_FROM = 50_000_000
"""With at least this many evaluations of all settings together, it is worth loading the compiler."""
BATCH = 1 << 17
"""Evaluations whose sums are taken at a time, so that the work fits in the cache."""
LONGEST, SHORTEST, FIRST = 1 << 12, 1 << 5, 1 << 8
"""Intervals that are processed together: at most, at least, and at the start of a batch after one row by row."""
UNSURE = 0.25
"""If members may differ in more than this share of the intervals, fewer are processed together."""
PLAINLY, COMPILED = 0.03, 0.01
"""From this share on, members go row by row through the rest of a batch: one by one, or all if that is compiled."""
SINGLY = 50
"""So few members are always faster row by row if that is compiled."""
APART = 0.05
"""Members whose levels differ by this share of their distance from the reference are processed in separate groups."""


class Followers:
    """Reads evaluated light block by block through comparators whose levels follow the background.

    `settings`: settings of one family, see `teachlab.sensor.following.members.family_of`.
    `fast`: whether to use the compiled engine of the extra ``fast``; default: for much work, if it is installed.
    """

    def __init__(self, settings: Sequence[FollowingSetting], clock: Clock, *, fast: bool | None = None) -> None:
        self._settings = list(settings)
        self._followers = [Follower(setting, clock) for setting in settings]
        self._every = settings[0].update_evaluations
        self._pace = np.full(len(settings), min(FIRST, LONGEST))
        self._reach = np.zeros(len(settings))
        self._fast = len(settings) * clock.count >= FAST_FROM if fast is None else fast
        self._validity = Validity()
        self._rest: list[Floats] = []
        self._waiting = self._count = 0

    @property
    def first(self) -> bool | None:
        """State of the first comparator at its first valid evaluation; None before it."""
        return self._followers[0].first

    @property
    def held(self) -> int:
        """How many edges are held for all of them."""
        return sum(follower.held for follower in self._followers)

    def push(self, light: Light, invalid: Flags | None = None) -> None:
        """Take the next evaluations, in the stored type; NaN need not be flagged."""
        block = Block(0, light, invalid)
        self._validity.push(block.invalid_mask(), light.size)
        self._rest.append(block.as_float())
        self._waiting += light.size
        # Whole intervals only: a level that moves at the end of an interval needs all of its light first.
        if self._waiting < self._every:
            return
        values = np.concatenate(self._rest)
        whole = values.size // self._every * self._every
        step = max(BATCH // self._every, 1) * self._every
        for a in range(0, whole, step):
            light = values[a : min(a + step, whole)].reshape(-1, self._every)
            self._take(Rows.of(self._count, light))
            self._count += light.size
        # Copied, so that the block it belongs to can be freed.
        self._rest, self._waiting = [values[whole:].copy()], values.size - whole

    def finish(self) -> None:
        """Decide the last, unfinished interval; afterwards nothing may be pushed."""
        for follower in self._followers:
            if self._waiting:
                follower.walk(self._count, np.concatenate(self._rest))
        self._count += self._waiting
        self._rest, self._waiting = [], 0

    def light_states(self) -> list[TwoState]:
        """Return the states of the comparators so far, in the order of the settings: true is light."""
        return [follower.light_state() for follower in self._followers]

    def light_state(self) -> TwoState:
        """Return the state of the first of them."""
        return self._followers[0].light_state()

    def validity(self) -> TwoState:
        """Return which evaluations were invalid so far: true is invalid."""
        return self._validity.state()

    def followed(self) -> list[Followed]:
        """Return what the references did, in the order of the settings."""
        return [follower.reference.followed(self._count) for follower in self._followers]

    def _take(self, rows: Rows) -> None:
        begun = 0
        while begun < rows.count and self.first is None:  # until the first valid evaluation, the same for all
            for follower in self._followers:
                follower.run(rows.part(begun, begun + 1))
            begun += 1
        if begun == rows.count:
            return
        rows = rows.part(begun, rows.count)
        members = Members(self._settings, self._followers)
        for group in _groups(members):
            if group.size <= SINGLY and self._engine is not None:
                self._engine.run(rows, group)
            else:
                self._through(rows, members[group], group)

    def _through(self, rows: Rows, members: Members, group: Edges) -> None:
        """Take the members of a group through intervals, and their followers to the end of these."""
        pace, reach, at = int(self._pace[group].min()), self._reach[group], 0
        while at < rows.count:
            # The length adapts to the light: a long stretch of quiet light takes one comparison; a short one loses less
            # if a guess fails.
            look = GuessAndCheck(members, rows.part(at, min(at + pace, rows.count)), reach)
            at, reach = at + look.done, look.reach
            if look.unsure > COMPILED and (self._engine is not None or look.unsure > len(members) * PLAINLY):
                self._pace[group], self._reach[group] = FIRST, reach
                members.store()
                self._row_by_row(rows.part(at, rows.count), group)
                return
            narrower = look.unsure > UNSURE and look.narrower_helps
            pace = max(pace // 2, SHORTEST) if narrower else min(pace * 2, LONGEST)
        members.store()
        self._pace[group], self._reach[group] = pace, reach

    @cached_property
    def _engine(self) -> CompiledFollowers | None:
        """The compiled engine, loaded when it is first needed."""
        return compiled_engine(self._settings, self._followers) if self._fast else None

    def _row_by_row(self, rows: Rows, group: Edges) -> None:
        if self._engine is not None:
            self._engine.run(rows, group)
            return
        for k in group.tolist():
            self._followers[k].run(rows)


def compiled_engine(settings: list[FollowingSetting], followers: list[Follower]) -> CompiledFollowers | None:
    """Return the engine of the extra ``fast``; None if it is not installed."""
    try:
        from teachlab.sensor.following.compiled import CompiledFollowers
    except ImportError:
        return None
    return CompiledFollowers(settings, followers)


def _groups(members: Members) -> Iterator[Edges]:
    """Divide members by their state, and where their levels are far apart."""
    on, off, _ = members.levels(members.value)
    active = on if members.light_on else off
    for state in (False, True):
        some = np.flatnonzero(members.state == state)
        # Members of one state, sorted by level and divided where neighbours are far apart: a group with close levels is
        # certain about far more light than all of them together.
        some = some[np.argsort(active[some], kind="stable")]
        if some.size:
            distance = np.abs(active[some] - members.value[some])[:-1]
            yield from np.split(some, np.flatnonzero(np.diff(active[some]) > APART * distance) + 1)
