"""Levels, release, filter and delays as one grid of cells: the errors of every cell, counted on the events shown."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import Abstained
from teachlab.light.shown.tabled_light import refuse_to_hold
from teachlab.model.arrays import Flags, Floats, Integers
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Block
from teachlab.model.setting import DelaysActOn, Setting
from teachlab.model.teaching import Events, TeachView, polarity_of
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import TwoState, pieces
from teachlab.sensor.level_pairs import LevelPairs
from teachlab.sensor.validity import Validity
from teachlab.teaching.cells.delay_counts import DelayCounter
from teachlab.teaching.cells.device_steps import DeviceSteps
from teachlab.teaching.cells.lane_counts import FAST_FROM, LaneCounter
from teachlab.teaching.cells.plain_passes import AT_A_TIME, PlainPasses, parts_of
from teachlab.teaching.cells.ranked_light import RankedLight
from teachlab.teaching.cells.shown_light import ShownLight

At = tuple[int, ...]
"""The place of a cell: numbers of its level, release, filter, on-delay and off-delay."""
FROM_THE_START = np.zeros(1, np.int64)
Cells = NDArray[np.int64]
"""Errors, shape (levels, releases, filters, on-delays, off-delays)."""

LOWEST, HIGHEST = 0.02, 0.97
RELEASES = (0.05, 0.15, 0.3, 0.5, 0.75)
"""Distances of the release from the level, as shares of the distance of the level from the background."""
FEW_PASSES = 8
"""With fewer passes only levels are chosen, because delays would be fitted to single pieces."""
MOST_ERRORS = 0.3
"""The strategy abstains if the errors are more than this share of the passes shown."""
TIE_DIGITS = 9
"""Cells whose worth is equal to so many digits are ties."""
DELAY_SHARE = 0.7
"""The longest delay tried, as a share of the shortest pass or gap."""
NARROW = 0.5
"""If at most this share of the light must be counted at a level, only this light is counted."""
SAMPLED = 8
"""Number of passes whose light shows how busy comparators are."""
HELD_RUNS, HELD_EDGES = 1 << 21, 1 << 23
"""Edges counted at a time, and held for all comparators of a reading: with more, half of them at a time read the light
again. Otherwise chatter at the lowest levels would fill the memory."""
EDGE_BYTES = 130
"""Memory for each edge of one comparator that chatters, while it is counted. Measured: 42 bytes for each evaluation of
noise, with an edge at every third."""
TOO_BUSY = "the light switches too often to be counted at a level within its noise"


@dataclass(frozen=True, slots=True, kw_only=True)
class CellGrid:
    """The axes of a design.

    `levels`, `releases`: f and h. The level is B + f·C, and the release lies h·f·C below it.
    `filters`, `on_delays`, `off_delays` (evaluations): the first of each is the shortest that can be set.
    `keyed` (shape (levels, releases)): where releases go that a device takes in steps, or at its own hysteresis: as f.
    None: anywhere.
    `moved` (recording units): by how much both levels of every pair lie higher, light turned so that objects go up.
    """

    levels: Floats
    releases: Floats
    filters: Integers
    on_delays: Integers
    off_delays: Integers
    keyed: Floats | None = None
    moved: float = 0.0

    @classmethod
    def of(
        cls, shown: ShownLight, *, levels: int, delays: int, levels_only: bool, steps: DeviceSteps | None = None
    ) -> CellGrid:
        """Place the axes by what was shown, so that one grid serves slow and fast logs.

        `levels`, `delays`: number of levels, and number of delays beside the shortest.
        `levels_only`: with the shortest filter and delays.
        `steps`: what can be keyed in; default: anything.

        Raises `Abstained` if no level that can be keyed in lies above the gaps.
        """
        known = steps or DeviceSteps()
        share, release = np.linspace(LOWEST, HIGHEST, levels), np.array(RELEASES)
        share, keyed = known.levels_near(share, release, shown)
        on = known.delays_near(_delays(DELAY_SHARE * shown.shortest_pass, delays), known.on_delays)
        off = known.delays_near(_delays(DELAY_SHARE * shown.shortest_gap, delays), known.off_delays)
        some = slice(1 if levels_only else None)
        return cls(
            levels=share, releases=release[: 1 if known.hysteresis is not None else None],
            filters=np.array(known.filters)[some], on_delays=on[some], off_delays=off[some], keyed=keyed,
        )  # fmt: skip

    @property
    def held(self) -> Floats:
        """Return the release of every level as f, shape (levels, releases)."""
        return self.levels[:, None] * (1 - self.releases) if self.keyed is None else self.keyed

    @property
    def shape(self) -> tuple[int, int, int, int, int]:
        """Number of cells along each axis."""
        return (self.levels.size, self.releases.size, self.filters.size, self.on_delays.size, self.off_delays.size)

    @property
    def timings(self) -> tuple[Integers, ...]:
        """Filters, on-delays and off-delays."""
        return self.filters, self.on_delays, self.off_delays

    @property
    def features(self) -> Integers:
        """Number of filter, on-delay and off-delay in use, shape (filters, on-delays, off-delays)."""
        # The first place on each of these axes is none.
        c, d, e = ((axis > axis[0]).astype(np.int64) for axis in self.timings)
        out: Integers = c.reshape(-1, 1, 1) + d.reshape(-1, 1) + e
        return out

    def turned_levels(self, shown: ShownLight) -> list[tuple[float, float]]:
        """Return level and release of every pair, light turned so that objects go up."""
        by = shown.background + self.moved
        if self.keyed is not None:
            return [
                (by + f * shown.contrast, by + held * shown.contrast)
                for f, of_level in zip(self.levels.tolist(), self.keyed.tolist(), strict=True)
                for held in of_level
            ]
        return [
            (by + f * shown.contrast, by + (1 - h) * f * shown.contrast)
            for f in self.levels.tolist()
            for h in self.releases.tolist()
        ]


def _delays(longest: float, count: int) -> Integers:
    """Return no delay and up to `count` different ones, each longer than the one before by the same factor."""
    top = int(longest)
    if top < 1 or count < 1:
        return np.zeros(1, np.int64)
    return np.unique(np.append(0, np.round(np.geomspace(1, top, count)).astype(np.int64)))


class ShownCounter:
    """Counts settings on the events shown, as a replay of that stretch would be scored.

    `fast`: whether cells are counted the compiled way, if the extra ``fast`` is installed; default: long light.
    """

    def __init__(self, view: TeachView, *, fast: bool | None = None) -> None:
        self._view = view
        self._truth, self.evaluations = truth_of(view.events), view.events.evaluations
        self._scored: int | None = None
        self._fast = self.evaluations >= FAST_FROM if fast is None else fast
        self._lane_counter: LaneCounter | None = None
        self._ranked: RankedLight | None = None

    def first(self, passes: int) -> ShownCounter:
        """Return a counter of the first passes and gaps only: its errors are a lower bound for all.

        It reads one pass more than it scores. Up to there, switching and windows do not depend on the light after it.
        """
        out, upto, whole = ShownCounter(self._view, fast=self._fast), passes + 1, self._truth
        out._truth = Truth.from_arrays(
            whole.start[:upto], whole.end[:upto], detect=whole.detect[:upto], label=whole.label[:upto]
        )
        out._scored, out.evaluations = passes, int(whole.end[passes])
        out._ranked = None if self._ranked is None else self._ranked.first(out.evaluations)
        return out

    @property
    def passes(self) -> int:
        """Passes shown, including those to be ignored."""
        return self._truth.start.size

    def parts(self) -> Iterator[Floats]:
        """Iterate over the light that is counted, in parts."""
        left = self.evaluations
        for part in self._view.events.parts():
            yield part[:left]
            left -= part.size
            if left <= 0:
                return

    @cached_property
    def _clock(self) -> Clock:
        return Clock.of(self.evaluations, self._view.rate_hz, None)

    @cached_property
    def _counter(self) -> DelayCounter:
        validity = Validity()
        if self._ranked is not None:
            validity.push(self._ranked.invalid, self.evaluations)
        else:
            for part in self.parts():
                validity.push(np.isnan(part), part.size)
        return DelayCounter(
            self._truth, self._clock, validity.state(), border=self._view.events.guard, last_pass=self._scored
        )

    def _at_levels(self, grid: CellGrid, shown: ShownLight) -> tuple[RankedLight, Integers]:
        """Return the light as ranks among the levels of a grid, and the marks of its pairs.

        Marks, shape (levels, releases, 2): of the on- and the off-level. Ranks are kept for the next count.
        """
        # A level and its release, both turned so that objects go up, are on- and off-level; of dips the other way.
        sign = self._view.sign
        pairs = sign * _by_level(grid, shown)[..., ::sign]
        levels = np.unique(pairs)
        if self._ranked is None or not np.array_equal(levels, self._ranked.levels):
            self._ranked = RankedLight.of(self._view.events.parts(), self.evaluations, levels)
            self._lane_counter = None
        return self._ranked, self._ranked.marks(pairs)

    def cells(self, grid: CellGrid, shown: ShownLight) -> Cells:
        """Return the errors of every cell: lost passes, false, extra and ignore trips."""
        out = np.empty(grid.shape, np.int64)
        wide = ~self.quiet_levels(grid, shown, out)
        if wide.any():
            out[wide] = self.levels(grid, shown, wide)
        return out

    def levels(self, grid: CellGrid, shown: ShownLight, some: Flags) -> Cells:
        """Return the errors of every cell of some levels, shape (levels, …)."""
        light, pairs = self._at_levels(grid, shown)
        parts = [self.of_states(part, grid) for part in in_parts(self._compared(light, pairs[some]))]
        return np.concatenate(parts).reshape(-1, *grid.shape[1:])

    def quiet_levels(self, grid: CellGrid, shown: ShownLight, out: Cells) -> Flags:
        """Count the levels at which most passes need no counting, write them to `out`, and return which they are."""
        light, pairs = self._at_levels(grid, shown)
        plain = self._plain(grid, light, pairs)
        narrow: Flags = plain.share <= NARROW
        for some in plain.groups(np.flatnonzero(narrow)):
            begin, stop, right = plain.stretches(some)
            states = self._compared(light, pairs[some], begin, stop)
            errors = np.concatenate([self.of_states(part, grid) for part in in_parts(states)])
            out[some] = errors.reshape(-1, *grid.shape[1:]) - right.reshape(-1, 1, 1, 1, 1)
        return narrow

    def count_into(self, errors: Cells, wanted: Flags, grid: CellGrid, shown: ShownLight) -> Flags:
        """Count some cells, each with all longer off-delays, write them to `errors`, and return which were counted.

        `errors` (shape of the cells): written.
        `wanted`: shape of the cells.
        """
        light, every = self._at_levels(grid, shown)
        counted = np.zeros_like(wanted)
        if self._truth.touching.any():
            # Lanes give onsets alone: what merged is told by runs.
            some = wanted.any(axis=(2, 3, 4))
            states = in_parts(self._compared(light, every[some]))
            errors[some] = np.concatenate([self.of_states(part, grid) for part in states])
            counted[some] = True
            return counted
        pairs, rows, places = [], [], []
        for f, h in np.argwhere(wanted.any(axis=(2, 3, 4))).tolist():
            of = wanted[f, h]
            at = [(c, d, int(of[c, d].argmax())) for c, d in np.argwhere(of.any(axis=2)).tolist()]
            pairs.append(tuple(every[f, h].tolist()))
            rows.append([(int(grid.filters[c]), int(grid.on_delays[d]), e) for c, d, e in at])
            places.append([(f, h, *one) for one in at])
        found = self._lanes(light).errors(pairs, rows, grid.off_delays)
        for (f, h, c, d, e), row in zip(chain.from_iterable(places), chain.from_iterable(found), strict=True):
            errors[f, h, c, d, e:], counted[f, h, c, d, e:] = row, True
        return counted

    def _lanes(self, light: RankedLight) -> LaneCounter:
        if self._lane_counter is None:
            self._lane_counter = LaneCounter(
                light, light_on=self._view.sign > 0, counter=self._counter, fast=self._fast
            )
        return self._lane_counter

    def edges_expected(self, grid: CellGrid, shown: ShownLight, levels: Flags) -> float:
        """Estimate the edges of the comparators of some levels together, from the light of a few passes."""
        (light, pairs), end = self._at_levels(grid, shown), self._truth.end
        # Not pass 0: the light of a pass begins at the end of the pass before it.
        some = np.unique(np.linspace(1, max(1, self.passes - 1), SAMPLED).astype(np.int64))
        some = some[some < self.passes]
        begin, stop = end[some - 1], end[some]
        found = sum(state.edges.size for state in self._compared(light, pairs[levels], begin, stop))
        return found * self.evaluations / max(1, int((stop - begin).sum()))

    def of_states(self, states: list[TwoState], grid: CellGrid) -> Cells:
        """Return the errors of comparators under every filter and pair of delays: shape (comparators, …)."""
        return np.stack(
            [
                self._counter.count(
                    states, light_on=self._view.sign > 0, consecutive=consecutive,
                    on_delays=grid.on_delays.tolist(), off_delays=grid.off_delays.tolist(),
                ).errors
                for consecutive in grid.filters.tolist()
            ],
            axis=1,
        )  # fmt: skip

    def errors_of(self, state: TwoState, setting: Setting) -> int:
        """Return the errors of one setting, from the state of its comparator."""
        on, off = (self._clock.delay(ms) for ms in (setting.on_delay_ms, setting.off_delay_ms))
        found = self._counter.count(
            [state], light_on=setting.light_on, consecutive=setting.consecutive, on_delays=[on], off_delays=[off]
        )
        return int(found.errors[0, 0, 0])

    def _plain(self, grid: CellGrid, light: RankedLight, pairs: Integers) -> PlainPasses:
        rise = self._view.sign > 0
        # A rise is active from the mark of its level on, a dip below it: turned, that is the rank after it.
        level, release = (pairs[..., k] if rise else 1 + light.turned(pairs[..., 1 - k], rise) for k in (0, 1))
        return PlainPasses.of(
            self._truth, light, level[:, 0], release, guard=self._view.events.guard, rise=rise,
            consecutive=int(grid.filters.max()), on_delay=int(grid.on_delays.max()),
            off_delay=int(grid.off_delays.max()),
        )  # fmt: skip

    @staticmethod
    def _compared(
        light: RankedLight, pairs: Integers, begin: Integers = FROM_THE_START, stop: Integers | None = None
    ) -> Iterator[TwoState]:
        """Compare the light, or some stretches of it one after the other, with some levels in one reading.

        `pairs` (ndarray of int64, shape (…, 2)): marks of on- and off-levels.
        """
        if not pairs.size:
            return
        pairs = pairs.reshape(-1, 2)
        comparators = LevelPairs([(on, off) for on, off in pairs.tolist()])
        stop = np.array([light.ranks.size]) if stop is None else stop
        before = np.cumsum(stop - begin) - (stop - begin)
        at = 0
        for rows in parts_of(np.arange(begin.size), stop - begin):
            ranks = pieces(light.ranks, begin[rows], stop[rows])
            invalid = None if light.invalid is None else pieces(light.invalid, begin[rows], stop[rows])
            # One stretch may be all of the light.
            for a in range(0, ranks.size, AT_A_TIME):
                b = a + AT_A_TIME
                comparators.push(Block(at + a, ranks[a:b], None if invalid is None else invalid[a:b]))
                if comparators.held > HELD_EDGES and len(pairs) > 1:
                    del comparators
                    for some in np.array_split(pairs, 2):
                        yield from ShownCounter._compared(light, some, begin, stop)
                    return
            at += ranks.size
        for state in comparators.light_states():
            # Edges are numbered among the compared evaluations. Return them to their places in the stretch shown.
            row = np.searchsorted(before, state.edges, side="right") - 1
            yield TwoState(state.first, state.edges + (begin - before)[row])


def line_through(at: At, axis: int, where: slice = slice(None)) -> Any:
    """Return the index of the cells, or of some, that differ from one cell only along an axis."""
    return (*at[:axis], where, *at[axis + 1 :])


def _by_level(grid: CellGrid, shown: ShownLight) -> Floats:
    """Return level and release of every pair, turned, shape (levels, releases, 2)."""
    return np.array(grid.turned_levels(shown)).reshape(grid.levels.size, grid.releases.size, 2)


def in_parts(states: Iterable[TwoState]) -> Iterator[list[TwoState]]:
    """Yield the states in parts that fit into memory."""
    held: list[TwoState] = []
    edges = 0
    for state in states:
        if state.edges.size > HELD_EDGES:
            refuse_to_hold(state.edges.size, EDGE_BYTES, unit="edge", reason=TOO_BUSY)
        held.append(state)
        edges += state.edges.size
        if edges > HELD_RUNS:
            yield held
            held, edges = [], 0
    if held:
        yield held


def truth_of(events: Events) -> Truth:
    """Return the passes of the stretch shown as its truth."""
    return Truth.from_arrays(events.start, events.end, detect=events.detect, label=events.label)


def placed(view: TeachView, level: float, release: float) -> tuple[float, float]:
    """Return on- and off-level of a level and its release, both turned so that objects go up."""
    return (level, release) if view.sign > 0 else (-release, -level)


def require_few_errors(least: int, passes: int, tried: str) -> None:
    """Abstain if even the best of what was tried errs in more than `MOST_ERRORS` of the passes shown."""
    if least > MOST_ERRORS * passes:
        raise Abstained(
            f"{tried} works on what was shown",
            f"at best {number_of(least, 'error')} in {number_of(passes, 'pass', 'passes')}",
            f"at most {number_of(int(MOST_ERRORS * passes), 'error')}",
        )


def cell_setting(
    view: TeachView, level: float, release: float, consecutive: int, on_delay: int, off_delay: int
) -> Setting:
    """Return the setting of a cell; delays in evaluations, acting on the output."""
    on, off = placed(view, level, release)
    ms = 1000 / view.rate_hz
    return replace(
        view.base, on_level=on, off_level=off, polarity=polarity_of(view.direction), consecutive=consecutive,
        on_delay_ms=on_delay * ms, off_delay_ms=off_delay * ms, delays_act_on=DelaysActOn.OUTPUT, taught=None,
    )  # fmt: skip
