"""Passes counted as merged because the output became active in the gap just before: wrong borders, or a low level.

It follows from the rules of ``SCORING.md`` beside this file.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from teachlab.model.score import Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.sensor.output import Output

Rows = NDArray[np.int64]


def early_rows(trials: Trials) -> Rows:
    """Return the merged passes whose output became active in the gap directly before their window.

    A merged pass has no onset in its window, but an active output: the output was active at the start of the window. If
    the gap that ends there holds an onset, the last onset of this gap started that active state. It is one switching,
    counted as a false trip and as a lost pass.

    The rows of the truth ascend. The first scored pass is never among them if passes before it are not scored, because
    then the gap before it is not scored either.
    """
    merged = trials.rows(trials.passes == Outcome.MERGED)
    return merged[np.isin(merged - 1, trials.gap_after[trials.gap_onsets > 0])]


def early_by_s(output: Output, truth: Truth, rows: Rows) -> NDArray[np.float64]:
    """Return how long before the first sample of each of these passes the output became active, s.

    `rows`: as `early_rows` gives them for the score of this output.
    """
    onsets = output.onsets
    before = np.searchsorted(onsets, truth.start[rows], side="left") - 1
    return (truth.start[rows] - onsets[before]) / output.clock.sample_rate_hz
