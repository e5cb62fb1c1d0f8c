"""Extremes of every pass, every gap and all light between passes, as the sensor evaluates it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.light.stretches import Evaluated, Stretches, measure
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock


@dataclass(frozen=True, slots=True, eq=False)
class PassAndGapExtremes:
    """Extremes of every pass and gap of a recording, as the sensor evaluates it.

    Parameters
    ----------
    passes : Stretches
        Of the passes that cover an evaluation.
    pass_rows : ndarray of int64
        Their rows in the truth.
    gaps : Stretches
        Outside every pass widened by tolerance and uncertainty.
    between : Stretches
        From the end of each pass (or the start of the record) to the start of the next, where anything is between.
    between_before : ndarray of int64
        The pass after each of these.
    clipped : ndarray of float64, shape (passes)
        Share of the evaluations of each pass that lie at an end of the scale; 0 without a full scale.
    rate_hz : float, Hz
        Evaluations per second.
    """

    passes: Stretches
    pass_rows: NDArray[np.int64]
    gaps: Stretches
    between: Stretches
    between_before: NDArray[np.int64]
    clipped: NDArray[np.float64]
    rate_hz: float

    @classmethod
    def of(
        cls, recording: Recording, truth: Truth, *, evaluation_rate_hz: float | None = None, rules: Rules = USUAL_RULES
    ) -> PassAndGapExtremes:
        """Measure a recording in four passes over it."""
        clock = Clock.of(recording.samples, recording.info.sample_rate_hz, evaluation_rate_hz)
        windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, rules))
        evaluated = Evaluated(recording, clock, clock.count)
        rows = np.flatnonzero(windows.covered_to > windows.covered_from)
        start, stop = windows.covered_from[rows], windows.covered_to[rows]
        before = np.concatenate((np.zeros(min(rows.size, 1), np.int64), stop[:-1]))
        apart = start > before
        return cls(
            passes=measure(evaluated, start, stop),
            pass_rows=rows,
            gaps=measure(evaluated, windows.gap_start, windows.gap_stop),
            between=measure(evaluated, before[apart], start[apart]),
            between_before=rows[apart],
            clipped=_clipped(evaluated, start, stop, recording.info.full_scale),
            rate_hz=clock.rate_hz,
        )


def _clipped(
    evaluated: Evaluated, start: NDArray[np.int64], stop: NDArray[np.int64], full_scale: float | None
) -> NDArray[np.float64]:
    """Return the share of each stretch at or beyond an end of the scale."""
    found = np.zeros(start.size)
    if full_scale is None:
        return found
    for first, levels in evaluated.blocks():
        at_end = (levels >= full_scale) | (levels <= 0)
        sums = np.concatenate(([0], np.cumsum(at_end)))
        # A stretch that leaves the block is counted up to its end here, and on from there in the next one.
        found += sums[(stop - first).clip(0, levels.size)] - sums[(start - first).clip(0, levels.size)]
    return found / (stop - start)
