"""One reading of a recording that collects everything for `inspect`, in bounded memory."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.extremes import Extremes, inside
from teachlab.light.noise import Selection, SmallestStep
from teachlab.light.usable_light import bounded
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.recording import Block, Recording
from teachlab.model.score import Rules
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import TwoState
from teachlab.sensor.output import VOID_FROM
from teachlab.sensor.validity import Validity

DRIFT_BLOCKS = 20
"""Drift is shown over this many equal stretches of time."""
DRIFT_VALUES = 1 << 15


class QualityScan:
    """Results of one reading; every sample counts as an evaluation, and windows have no lag.

    Attributes
    ----------
    windows : Windows or None
        Windows and gaps of the truth.
    passes, reach, gaps : Extremes or None
        Extremes over the passes, over their windows, and over the gaps.
    background, object_steps, gap_steps, all_steps : Selection
        Levels of the gaps; differences of neighbouring valid samples inside detect passes, inside gaps, and anywhere.
        Infinite samples count in extremes, not in medians.
    drift_edges : ndarray of int64, shape (blocks + 1,), samples
        Borders of the stretches of time.
    drift_all, drift_background : list of Selection
        All valid levels, and those of the gaps, for each stretch of time.
    step : SmallestStep
        Smallest step between levels that occur.
    invalid, saturated : int
        Numbers of samples.
    low, high : float, recording units
        Extremes of all valid samples; NaN if there is none.
    at_low, at_high : int
        Samples exactly at these values.
    void : TwoState
        True from the 6th invalid sample in a row on.
    """

    def __init__(self, recording: Recording, truth: Truth | None, rules: Rules) -> None:
        self._recording, self._truth = recording, truth
        samples = recording.samples
        self.windows: Windows | None = None
        self.passes: Extremes | None = None
        self.reach: Extremes | None = None
        self.gaps: Extremes | None = None
        if truth is not None:
            clock = Clock.of(samples, recording.info.sample_rate_hz, None)
            self.windows = w = Windows.of(truth, clock, border=border_evaluations(truth, clock, rules))
            self.passes = Extremes(truth.start, truth.end)
            self.reach = Extremes(w.start, w.stop)
            self.gaps = Extremes(w.gap_start, w.gap_stop)
        self.background, self.object_steps, self.gap_steps, self.all_steps = (Selection() for _ in range(4))
        blocks = min(DRIFT_BLOCKS, samples)
        self.drift_edges = np.array([k * samples // blocks for k in range(blocks + 1)], np.int64)
        self.drift_all = [Selection(DRIFT_VALUES) for _ in range(blocks)]
        self.drift_background = [Selection(DRIFT_VALUES) for _ in range(blocks)]
        self.step = SmallestStep()
        self.invalid = self.saturated = 0
        self.low = self.high = np.nan
        self.at_low = self.at_high = 0
        self._validity = Validity()
        self._last = np.empty(0)

    def run(self, progress: Callable[[float], None], beside: Callable[[Block], None] | None = None) -> QualityScan:
        """Read the recording once, also for another function that takes blocks."""
        for block in self._recording.blocks():
            self.push(block)
            if beside is not None:
                beside(block)
            progress((block.start + block.light.size) / self._recording.samples)
        return self

    @property
    def void(self) -> TwoState:
        """Which samples are void."""
        size = self._recording.samples
        starts, ends = self._validity.state().runs(size)
        starts = starts.clip(min=0) + VOID_FROM
        return TwoState.from_runs(starts[starts < ends], ends[starts < ends], size)

    def push(self, block: Block) -> None:
        """Take the next block of the recording."""
        first, size = block.start, block.light.size
        invalid = block.invalid_mask()
        self._validity.push(invalid, size)
        valid = block.light if invalid is None else block.light[~invalid]
        self.invalid += size - valid.size
        if valid.size:
            low, high = float(np.fmin(self.low, float(valid.min()))), float(np.fmax(self.high, float(valid.max())))
            self.at_low = int(np.count_nonzero(valid == low)) + (self.at_low if low == self.low else 0)
            self.at_high = int(np.count_nonzero(valid == high)) + (self.at_high if high == self.high else 0)
            self.low, self.high = low, high
            self.step.push(valid)
        full = self._recording.info.full_scale
        if full is not None:
            self.saturated += int(np.count_nonzero(valid <= 0) + np.count_nonzero(valid >= np.float64(full)))
        bounded(block, self._recording.name)  # refuses light too large to be measured; infinite light is left out below
        levels = Block(first, block.light, invalid).as_float()
        # The difference at a sample is the one from the sample before.
        with np.errstate(invalid="ignore"):
            steps = np.diff(levels, prepend=self._last if self._last.size else np.nan)
        self._last = levels[-1:]
        _select(self.all_steps, steps, None)
        self._drift(self.drift_all, first, levels, None)
        if self._truth is None or self.windows is None:
            return
        for extremes in (self.passes, self.reach, self.gaps):
            if extremes is not None:
                extremes.push(first, block.light, invalid)
        w, detect = self.windows, self._truth.detect
        in_gap = inside(first, size, w.gap_start, w.gap_stop)
        _select(self.background, levels, in_gap)
        self._drift(self.drift_background, first, levels, in_gap)
        # A step lies inside a stretch if both of its samples do.
        _select(self.gap_steps, steps, inside(first, size, w.gap_start + 1, w.gap_stop))
        start, stop = self._truth.start[detect] + 1, self._truth.end[detect]
        _select(self.object_steps, steps, inside(first, size, start, stop))

    def _drift(self, into: list[Selection], first: int, levels: Any, chosen: Any) -> None:
        a = int(np.searchsorted(self.drift_edges, first, side="right")) - 1
        while a < len(into) and self.drift_edges[a] < first + levels.size:
            part = slice(max(0, int(self.drift_edges[a]) - first), int(self.drift_edges[a + 1]) - first)
            _select(into[a], levels[part], None if chosen is None else chosen[part])
            a += 1


def _select(into: Selection, values: NDArray[np.float64], chosen: NDArray[np.bool_] | None) -> None:
    values = values if chosen is None else values[chosen]
    into.push(values[np.isfinite(values)])
