"""Many settings with filter, delays or two thresholds, counted in one reading as few chains.

The settings of a chain are one signal (see `chain`), which steps only where the light crosses one of their levels. So a
block of light is ranked once among the levels of all settings, light to which no comparator reacts is left out, and
every chain continues with the few evaluations at which its own ranks change. A first reading shows between which levels
the light never lies: these count as one level, which leaves fewer chains.

A window is included like this: ordered from narrow to wide, the settings whose upper side is beyond are the first ones,
and so are those whose lower side is. The number of settings beyond on either side is the larger of the two numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Flags, Integers, Where
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Block, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.given_settings.onsets import OnsetCounter
from teachlab.questions.surface.values.ranks import Ranker, Ranks
from teachlab.questions.surface.values.spans import Spans
from teachlab.sensor.clock import Clock
from teachlab.sensor.evaluated_blocks import evaluated
from teachlab.sensor.output import onset_lag
from teachlab.sensor.steps import At, EvaluatedStretch, SteppedSignal, SteppedSwitching, clamped

if TYPE_CHECKING:
    from teachlab.questions.surface.values.levels import FirstReading, Levels

BLOCK = 1 << 20
"""Evaluations reduced at a time: many, because every chain is called once for each block."""
RANKED = 1 << 16
"""Evaluations ranked at a time, so that they stay in the cache."""
ROUNDS = 3
"""Number of rounds in which evaluations that change nothing are left out; each compares with what the last one left."""


@dataclass(frozen=True, slots=True, eq=False)
class _Seen(EvaluatedStretch):
    """A block of evaluations, reduced to those at which the rank among all levels changes.

    `ordinal` numbers the valid evaluations at which it changes, `rank` is the new rank.
    """

    ordinal: At
    rank: Ranks


class _Reader:
    """Reduces light block by block.

    `levels`: shape (n,), ascending, recording units.
    `rising`, `falling` (shape (n,)): which of them act on rising, and on falling light.
    """

    def __init__(self, levels: Levels, rising: Flags, falling: Flags, recording: Recording) -> None:
        self._recording, self._ranker = recording, Ranker(levels, recording.dtype)
        # A level acts on rises (as an on-level) or on falls (as an off-level), rarely on both: light that only rises
        # past off-levels changes nothing. This halves what noise leaves.
        self._up, self._down = (np.append(0, np.cumsum(acts)).astype(np.int16) for acts in (rising, falling))
        self._last: Ranks = np.empty(0, np.int16)
        self._count = 0

    def read(self, clock: Clock, progress: Callable[[float], None] | None, done: float) -> Iterator[_Seen]:
        """Read a recording and return the changes of every block; report progress from the share `done` on."""
        for block in evaluated(self._recording.blocks(size=BLOCK), clock):
            if block.light.size:
                yield self._reduce(block)
                if progress is not None:
                    progress(done + (1 - done) * block.stop / clock.count)

    def _reduce(self, block: Block) -> _Seen:
        invalid = block.invalid_mask()
        valid = None if invalid is None else np.flatnonzero(~invalid)
        light = block.light if valid is None else block.light[valid]
        at, ranks = [np.empty(0, np.int64)], [np.empty(0, np.int16)]
        for a in range(0, light.size, RANKED):
            rank = self._ranker.rank(light[a : a + RANKED])
            where = np.arange(rank.size)
            # When evaluations are left out, two others may become neighbours that change nothing: a few rounds, as long
            # as they help.
            for _ in range(ROUNDS):
                kept = self._changes(rank)
                if kept.size == rank.size:
                    break
                where, rank = where[kept], rank[kept]
            self._last = rank[-1:] if rank.size else self._last
            at.append(where + (a + self._count))
            ranks.append(rank)
        begin, self._count = self._count, self._count + light.size
        return _Seen(
            block.start, block.stop, begin, self._count, valid, np.concatenate(at),
            np.concatenate(ranks),
        )  # fmt: skip

    def _changes(self, rank: Ranks) -> Where:
        """Return the places of ranks that may change a state, compared with the one before each."""
        # Light that rises past no level that acts on rises, and falls past none that acts on falls, changes nothing.
        up, down = (turn[np.concatenate((self._last, rank))] for turn in (self._up, self._down))
        changes = np.flatnonzero((up[1:] > up[:-1]) | (down[1:] < down[:-1]))
        return changes if self._last.size else np.append(0, changes + 1)


class _Side:
    """One side of all settings of a chain: how many are beyond it.

    `begins`, `ends` (shape (n,)): ranks from which the state of the side begins, and does not end; neither falls.
    `ranks`: one more than the highest rank.
    """

    def __init__(self, begins: NDArray[Any], ends: NDArray[Any], ranks: int) -> None:
        every = np.arange(ranks)
        self._low, self._high = (np.searchsorted(own, every, side="right").astype(np.int16) for own in (begins, ends))
        self.changes = (np.diff(self._low) != 0) | (np.diff(self._high) != 0)
        """Whether ranks k and k + 1 have different effects."""
        self.state = 0

    def begin(self, rank: int) -> int:
        """Start as at the first valid evaluation."""
        self.state = int(self._low[rank])
        return self.state

    def push(self, rank: Ranks) -> Ranks:
        """Return how many are beyond after each change of rank."""
        if rank.size == 0:
            return np.empty(0, np.int16)
        out = clamped(self._low[rank], self._high[rank], self.state)
        self.state = int(out[-1])
        return out


class _Comparators:
    """Converts changes of rank to the number of settings light, or beyond; for dark-on, those that are not.

    `rows` (shape (n, 2 or 4)): of a chain, as `LevelPlaces.of` gives them.
    `first`: rank of the first valid evaluation.
    """

    def __init__(self, rows: NDArray[Any], places: LevelPlaces, first: int, *, mirrored: bool) -> None:
        narrowed = places.narrowed()
        self._top, begin = places.count - 1, int(narrowed[first])
        self.count, self._mirrored = int(rows.shape[0]), mirrored
        self._upper, self._lower = _Side(rows[:, 0], rows[:, 1], places.count), None
        changes = self._upper.changes
        self.first = self._upper.begin(begin)
        if rows.shape[1] > 2:
            # A lower side reads the ranks upside down: light is below place p where ``top − rank > top − p``.
            self._lower = _Side(rows[:, 2] + places.count, rows[:, 3] + places.count, places.count)
            self.first = max(self.first, self._lower.begin(self._top - begin))
            changes = changes | self._lower.changes[::-1]
        self._rank = narrowed
        # Ranks between two levels of this chain are one class: what only other chains separate is dropped here.
        self._class = np.append(0, np.cumsum(changes)).astype(np.int16)[narrowed.clip(max=self._top)]
        self._last_class = -1
        if mirrored:
            self.first = self.count - self.first
        self._last = self.first

    def push(self, seen: _Seen) -> SteppedSignal:
        """Return the number over the valid evaluations of a block, which must hold at least one."""
        own = self._class[seen.rank]
        new = np.empty(own.size, bool)
        np.not_equal(own[1:], own[:-1], out=new[1:])
        if own.size:
            new[0] = own[0] != self._last_class
            self._last_class = int(own[-1])
        kept = np.flatnonzero(new)
        rank = self._rank[seen.rank[kept]]
        value = self._upper.push(rank)
        if self._lower is not None:
            value = np.maximum(value, self._lower.push(np.int16(self._top) - rank))
        if self._mirrored:
            value = np.int16(self.count) - value
        at = seen.ordinal[kept]
        if at.size == 0 or at[0] != seen.begin:
            at = np.concatenate((np.array([seen.begin]), at))
            value = np.concatenate((np.array([self._last], np.int16), value))
        self._last = int(value[-1])
        return SteppedSignal(at, value).compressed()


class _Chain:
    """Some settings of a family, from changes of rank to counts."""

    def __init__(self, comparators: _Comparators, setting: Setting, clock: Clock, spans: Spans) -> None:
        self._comparators, self.spans = comparators, spans
        self._stream = SteppedSwitching(setting, clock, comparators.first)
        self._counter = OnsetCounter(comparators.count, comparators.first)

    def push(self, seen: _Seen) -> None:
        """Take the next block."""
        signal = None if seen.end == seen.begin else self._comparators.push(seen)
        undelayed, output = self._stream.push(seen, signal)
        self._counter.push(self.spans, seen.start, seen.stop, undelayed, output)

    def sums(self) -> dict[str, Integers]:
        """Return the counts of the settings by the names of the tables of a surface; mirrored for dark-on."""
        return self._counter.sums(self.spans)


def family_of(setting: Setting) -> tuple[object, ...]:
    """Return what settings must have in common to be counted as chains together; all share the rate."""
    return type(setting), setting.switching


def count_many(
    recording: Recording,
    truth: Truth,
    settings: Sequence[Setting],
    reading: FirstReading,
    *,
    rules: Rules = USUAL_RULES,
    progress: Callable[[float], None] | None = None,
) -> list[tuple[dict[str, int], Spans]]:
    """Count settings of fixed levels or two thresholds, in one reading.

    `settings`: settings with one evaluation rate; up to some thousands, see
    `teachlab.questions.surface.given_settings.pairs`.
    `reading`: of the recording at that rate.

    The result holds the counts of every setting, by the names of the tables of a surface, and the spans in which they
    were counted.
    """
    clock = reading.clock
    rising, falling = _acting(settings)
    levels = np.union1d(rising, falling)
    acts = np.isin(levels, rising), np.isin(levels, falling)
    places = LevelPlaces(levels, np.zeros(levels.size + 1, bool))
    # Two readings: the ranks that occur decide how few chains there are, and must be known before counting.
    for seen in _Reader(levels, *acts, recording).read(clock, progress, 0.0):
        places.occurring[seen.rank] = True
    made = list(_made(truth, settings, places, reading, rules))
    for seen in _Reader(levels, *acts, recording).read(clock, progress, 0.3):
        for one, _ in made:
            one.push(seen)
    found: dict[int, tuple[dict[str, int], Spans]] = {}
    for one, members in made:
        sums = one.sums()
        for place, k in enumerate(members):
            found[k] = {name: int(values[place]) for name, values in sums.items()}, one.spans
    return [found[k] for k in range(len(settings))]


def _acting(settings: Sequence[Setting]) -> tuple[Levels, Levels]:
    """Return the levels that act on rising light, and on falling light: a lower side begins where light falls."""
    rising, falling = [s.on_level for s in settings], [s.off_level for s in settings]
    for s in settings:
        if isinstance(s, WindowSetting):
            rising.append(s.low_release)
            falling.append(s.high_release)
    return np.unique(rising), np.unique(falling)


def _made(
    truth: Truth,
    settings: Sequence[Setting],
    places: LevelPlaces,
    reading: FirstReading,
    rules: Rules,
) -> Iterator[tuple[_Chain, list[int]]]:
    """Divide settings into chains; yield each with the numbers of its settings, in the order of its counts."""
    families: dict[tuple[object, ...], list[int]] = {}
    for k, setting in enumerate(settings):
        families.setdefault(family_of(setting), []).append(k)
    clock = reading.clock
    first = int(np.searchsorted(places.levels, reading.first, side="right"))
    for of in families.values():
        base = settings[of[0]]
        spans = Spans.of(truth, clock, reading.invalid, rules=rules, lag=onset_lag(base, clock))
        dips = not base.light_on
        rows = places.of([settings[k] for k in of])
        for chain in divide(rows):
            comparators = _Comparators(rows[chain], places, first, mirrored=dips)
            yield _Chain(comparators, base, clock, spans), [of[k] for k in (chain[::-1] if dips else chain).tolist()]


LONGEST = 32_000
"""Largest number of settings in a chain: the number that are light is kept as int16."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelPlaces:
    """Levels that are separated only where some rank separates them.

    `levels`: shape (n,), ascending, recording units.
    `occurring` (shape (n + 1,)): which ranks among the levels occur.
    """

    levels: Levels
    occurring: Flags

    @property
    def count(self) -> int:
        """How many ranks occur."""
        return int(np.count_nonzero(self.occurring))

    def narrowed(self) -> NDArray[np.int16]:
        """Return the number of every rank among those that occur, shape (n + 1,)."""
        out: NDArray[np.int16] = (np.cumsum(self.occurring) - self.occurring).astype(np.int16)
        return out

    def of(self, settings: Sequence[Setting]) -> Integers:
        """Return what must not fall along a chain, shape (settings, 2 or 4); settings are of one kind.

        A level has place p if the light reaches it exactly from the p-th occurring rank on. Levels that no rank
        separates have one place: settings that differ only in them stay in one chain. Columns: both levels; for a
        window on-level, release and, with a minus, off-level and its release.
        """
        upper = [(s.on_level, s.high_release if isinstance(s, WindowSetting) else s.off_level) for s in settings]
        lower = [(s.off_level, s.low_release) for s in settings if isinstance(s, WindowSetting)]
        places = np.cumsum(self.occurring, dtype=np.int64)
        columns: Integers = places[np.searchsorted(self.levels, upper)]
        if lower:
            columns = np.concatenate((columns, -places[np.searchsorted(self.levels, lower)]), axis=1)
        return columns


def divide(rows: NDArray[Any]) -> list[Where]:
    """Divide settings into few chains, along each of which no column falls; return the rows of each, in its order.

    `rows`: shape (settings, columns).

    Notes
    -----
    In order of the first column, each setting is added to the chain with the highest end in the second column among
    those it may follow. With two columns this gives the smallest number of chains (Dilworth 1950; the rule of patience
    sorting: Fredman, "On computing the length of longest increasing subsequences", Discrete Math. 11, 1975); with more
    columns it may not.

    Examples
    --------
    >>> [c.tolist() for c in divide(np.array([[1, 1], [2, 3], [2, 2], [4, 3]]))]
    [[0, 2, 1, 3]]
    """
    # Equal rows are one member: 200 draws that taught ten settings make chains of ten.
    kinds, kind = np.unique(rows, axis=0, return_inverse=True)  # in order of the first column
    members: list[list[int]] = []
    ends = np.empty(kinds.shape)
    for k, row in enumerate(kinds):
        behind = np.flatnonzero((ends[: len(members)] <= row).all(axis=1))
        if behind.size:
            # Best fit, as in patience sorting: the highest end that is still below leaves the lower ends for settings
            # that need them.
            chain = int(behind[np.argmax(ends[behind, 1])])
        else:
            chain = len(members)
            members.append([])
        members[chain].append(k)
        ends[chain] = row
    chain_of, place = np.empty((2, kinds.shape[0]), np.intp)
    for chain, own in enumerate(members):
        chain_of[own], place[own] = chain, np.arange(len(own))
    kind = kind.reshape(-1)
    order = np.lexsort((place[kind], chain_of[kind]))
    borders = np.flatnonzero(np.diff(chain_of[kind[order]])) + 1
    return [part[a : a + LONGEST] for part in np.split(order, borders) for a in range(0, part.size, LONGEST)]
