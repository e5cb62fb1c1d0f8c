"""One reading of a recording, span by span, through the engine that suits its size."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from teachlab.errors import ParameterError
from teachlab.questions.surface.all_pairs.counting import Engine, Pieces, PlainEngine, state_before
from teachlab.questions.surface.all_pairs.tallies import PairTally, Tallies
from teachlab.questions.surface.values.ranks import Ranker, Ranks
from teachlab.sensor.evaluated_blocks import evaluated

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.questions.surface.values.levels import FirstReading, Levels
    from teachlab.questions.surface.values.spans import Spans

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
            progress((block.start + block.light.size) / clock.count)
    return engine
