"""One reading of a recording, span by span, through the engine that suits its size."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

import numpy as np

from teachlab.errors import ParameterError
from teachlab.model.arrays import Flags, Where
from teachlab.model.recording import Block, Light, Recording
from teachlab.questions.surface.all_pairs.finishing import PlainSums, Sums
from teachlab.questions.surface.all_pairs.staircase import NEVER, Staircase
from teachlab.questions.surface.all_pairs.tallies import PairTally, Tallies
from teachlab.questions.surface.all_pairs.turning import Ladders, Turning, closed_cycles
from teachlab.questions.surface.values.kinds import OWN, Kinds
from teachlab.questions.surface.values.ranks import Ranker, Ranks
from teachlab.sensor.evaluated_blocks import evaluated

if TYPE_CHECKING:
    from teachlab.questions.surface.values.levels import FirstReading, Levels
    from teachlab.questions.surface.values.spans import Spans

BLOCK = 1 << 17
"""Evaluations processed at a time, so that they stay in the cache."""


class Engine(Protocol):
    """Counts ranks that are divided into pieces; the compiled engine and the plain one give the same counts."""

    sums: Sums
    note: str
    """Name of the engine, in words."""

    def rank(self, ranker: Ranker, light: Light) -> Ranks:
        """Rank valid light."""

    def push(
        self, rank: Ranks, begins: Where, ends: Where, kind: Kinds, hidden: Flags, opens: Flags, closes: Flags
    ) -> None:
        """Take the next pieces ``rank[begins[k]:ends[k]]``, in time order.

        `kind` is what the spans call `told`. `hidden` marks pieces whose first evaluation is invalid; `opens` and
        `closes` mark those that begin and end a span.
        """


class PlainEngine:
    """The engine in NumPy."""

    sums: Sums = PlainSums()
    note = ""

    def __init__(self, state: Ranks, tally: PairTally) -> None:
        self._levels = int(state.size)
        self._tally = tally
        self._staircase = Staircase(state, tally)

    def rank(self, ranker: Ranker, light: Light) -> Ranks:
        """Rank valid light."""
        return ranker.rank(light)

    def push(
        self, rank: Ranks, begins: Where, ends: Where, kind: Kinds, hidden: Flags, opens: Flags, closes: Flags
    ) -> None:
        """Take the next pieces."""
        ladders = ladders_of(rank, begins, ends, kind & OWN, self._levels, self._tally)
        ladders.lead[hidden] = NEVER
        self._staircase.push(ladders, kind, opens, closes)


def ladders_of(rank: Ranks, begins: Where, ends: Where, kind: Kinds, levels: int, tally: PairTally) -> Ladders:
    """Book the closed cycles of pieces and return their ladders; a piece may have no valid sample."""
    # A piece without a valid sample (a dropout over a whole gap) has no rank: it keeps its place and does nothing.
    some = np.flatnonzero(ends > begins)
    if some.size == 0:
        none: Where = np.empty(0, np.intp)
        no: Ranks = np.empty(0, np.int16)
        ladders = Ladders(no, no, no, none, no, no, none, no, no, no)
    else:
        turning = Turning.of(rank, begins[some])
        closed_cycles(turning, kind[some], tally)
        ladders = Ladders.of(turning, levels)
    if some.size == kind.size:
        return ladders
    top, bottom = np.zeros(kind.size, np.int16), np.full(kind.size, NEVER, np.int16)
    top[some], bottom[some] = ladders.top, ladders.bottom
    lead = np.full(kind.size, NEVER, np.int16)
    lead[some] = ladders.lead
    return Ladders(
        top, bottom, lead, some[ladders.first_piece], ladders.first_peak, ladders.first_low,
        some[ladders.last_piece], ladders.last_peak, ladders.last_low, ladders.last_after,
    )  # fmt: skip


class Pieces:
    """Divides blocks of evaluated light at the borders of spans and ranks them."""

    def __init__(self, ranker: Ranker, spans: Spans, engine: Engine, *, sound: bool = False) -> None:
        self._ranker, self._spans, self._engine = ranker, spans, engine
        self._sound = sound  # known to be without invalid evaluations

    def push(self, block: Block) -> None:
        """Take the next evaluations."""
        invalid = None if self._sound else block.invalid_mask()
        for a in range(0, block.light.size, BLOCK):
            light = block.light[a : a + BLOCK]
            self._push(block.start + a, light, None if invalid is None else invalid[a : a + BLOCK])

    def _push(self, first: int, light: Light, invalid: Flags | None) -> None:
        s = self._spans
        stop = first + light.size
        # Spans p … q − 1 touch this block; the first and the last may extend beyond it.
        p = int(np.searchsorted(s.stop, first, side="right"))
        q = int(np.searchsorted(s.start, stop, side="left"))
        begins = (s.start[p:q] - first).clip(0, light.size)
        ends = (s.stop[p:q] - first).clip(0, light.size)
        opens, closes = s.start[p:q] >= first, s.stop[p:q] <= stop
        hidden = np.zeros(q - p, bool)
        if invalid is not None and invalid.any():
            hidden = invalid[begins]
            # An invalid evaluation holds the state, as if it were not there.
            valid = ~invalid
            before = np.concatenate(([0], np.cumsum(valid)))
            begins, ends, light = before[begins], before[ends], light[valid]
        rank = self._engine.rank(self._ranker, light)
        self._engine.push(rank, begins, ends, s.told[p:q], hidden, opens, closes)


def state_before(first_rank: int, levels: int, *, dips: bool) -> Ranks:
    """Return the state before the record: as at the first valid evaluation, and settled.

    Light-on: light if and only if the first evaluation reaches the on-level. For dips, with mirrored ranks, the output
    is active if and only if it does not.
    """
    # Off-index j <= on-index i: each on-index i has i + 1 comparators, and all of them are light, or none.
    each = np.arange(1, levels + 1, dtype=np.int16)
    if dips:
        return np.minimum(each, np.int16(first_rank))
    each[first_rank:] = 0
    return each


Progress = Callable[[float], None]

FAST_FROM = 3_000_000
"""From this number of samples on, the compiled engine (if installed) saves more time than its start takes."""


def engine_for(state: Ranks, tally: PairTally, samples: int, fast: bool | None) -> Engine:
    """Return the compiled engine if it is wanted, installed and worth its start; otherwise the plain one."""
    wanted = samples >= FAST_FROM if fast is None else fast
    if wanted and isinstance(tally, Tallies):
        try:
            from teachlab.questions.surface.all_pairs.compiled import CompiledCounting
        except ImportError:
            if fast:
                raise ParameterError(
                    "the compiled engine needs the extra 'fast', which is not installed: pip install "
                    "'teachlab[fast]', or leave the choice to the program."
                ) from None
        else:
            return CompiledCounting(state, tally)
    return PlainEngine(state, tally)


def read_spans(
    recording: Recording,
    levels: Levels,
    reading: FirstReading,
    spans: Spans,
    tally: PairTally,
    *,
    dips: bool,
    fast: bool | None,
    progress: Progress | None = None,
) -> Engine:
    """Read a recording once and book all its spans for pairs among some levels; return the engine used."""
    clock, n = reading.clock, levels.size
    ranker = Ranker(levels, recording.dtype, mirrored=dips)
    settled = spans.settled_before(recording, clock, levels[0], levels[-1])
    start, light = (0, reading.first) if settled is None else settled
    first = int(np.searchsorted(levels, light, side="right"))
    engine = engine_for(state_before(n - first if dips else first, n, dips=dips), tally, clock.count, fast)
    sound = not (reading.invalid.first or reading.invalid.edges.size)
    pieces = Pieces(ranker, spans, engine, sound=sound)
    for block in evaluated(recording.blocks(start), clock):
        pieces.push(block)
        if progress is not None:
            progress(block.stop / clock.count)
    return engine
