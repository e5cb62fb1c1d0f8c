"""Hysteresis together with delays: replay of every pair of a grid."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.all_pairs.finishing import assembled
from teachlab.questions.surface.values.levels import Levels, checked, read_first
from teachlab.questions.surface.values.spans import Spans
from teachlab.questions.surface.values.table import TABLES, Surface, counts_by_table
from teachlab.scoring.claimable import touching_merges
from teachlab.scoring.scoring import score
from teachlab.sensor.output import onset_lag
from teachlab.switching.family import replay_family

GRID = 24
BY_REPLAY = "every pair of {levels} levels replayed, with filter and delays"


def replayed_surface(
    recording: Recording,
    truth: Truth,
    base: Setting,
    *,
    levels: Levels | None = None,
    rules: Rules = USUAL_RULES,
    progress: Callable[[float], None] | None = None,
) -> Surface:
    """Replay and score every pair of a grid of levels, with any filter and delays.

    Parameters as in `teachlab.questions.surface.surface`; without `levels`, 24 are spread evenly over the light. The
    counts are exact at these pairs.
    """
    reading = read_first(recording, base.evaluation_rate_hz)
    grid = np.linspace(reading.low, reading.high, GRID) if levels is None else levels
    grid = checked(grid)
    n = grid.size
    pairs = [(i, j) for i in range(n) for j in range(i + 1)]
    settings = [base.with_levels(float(grid[i]), float(grid[j])) for i, j in pairs]
    tables = {name: np.zeros((n, n), np.int64) for name in TABLES}
    met = np.zeros((n, n), np.int64)
    outputs = replay_family(recording, settings, progress=progress)
    for (i, j), output in zip(pairs, outputs, strict=True):
        found = score(output, truth, rules=rules, tables=False)
        for name, value in counts_by_table(found.counts).items():
            tables[name][i, j] = value
        met[i, j] = np.count_nonzero(touching_merges(truth, found.trials))
    clock = reading.clock
    lag = onset_lag(base, clock)
    spans = Spans.of(truth, clock, reading.invalid, rules=rules, lag=lag)
    made = assembled(grid, tables, spans, clock, base, how=BY_REPLAY.format(levels=n))
    return replace(made, touching=met) if met.any() else made
