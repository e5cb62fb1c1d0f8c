"""Extremes of every pass, every gap and all light between passes, as the sensor evaluates it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.light.extremes import Cells, Extremes
from teachlab.light.stretches import Stretches
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.recording import Block, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.comparator import level_in
from teachlab.sensor.evaluated_blocks import evaluated


@dataclass(frozen=True, slots=True, eq=False)
class PassAndGapExtremes:
    """Extremes of every pass and gap of a recording, as the sensor evaluates its light.

    `passes`: passes that hold an evaluation.
    `pass_rows`: their rows in the truth.
    `gaps`: stretches outside every pass, each pass widened by tolerance and uncertainty.
    `between`: from the end of each pass (or the start of the record) to the start of the next, where they do not touch.
    `between_before`: the pass after each of these stretches.
    `clipped` (shape (passes)): share of the evaluations of each pass that are at an end of the scale; 0 without a full
    scale.
    `rate_hz`: evaluations per second.
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
        """Measure a recording in one reading."""
        reading = PassAndGapReading(recording, truth, evaluation_rate_hz=evaluation_rate_hz, rules=rules)
        for block in recording.blocks():
            reading.push(block)
        return reading.extremes()


class PassAndGapReading:
    """Measures `PassAndGapExtremes` while a recording is read; same parameters."""

    def __init__(
        self, recording: Recording, truth: Truth, *, evaluation_rate_hz: float | None = None, rules: Rules = USUAL_RULES
    ) -> None:
        self._clock = clock = Clock.of(recording.samples, recording.info.sample_rate_hz, evaluation_rate_hz)
        windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, rules))
        self._rows = rows = np.flatnonzero(windows.covered_to > windows.covered_from)
        start, stop = windows.covered_from[rows], windows.covered_to[rows]
        before = np.concatenate((np.zeros(min(rows.size, 1), np.int64), stop[:-1]))
        apart = start > before
        self._between_before = rows[apart]
        self._stretches = [(start, stop), (windows.gap_start, windows.gap_stop), (before[apart], start[apart])]
        self._found = [Extremes(*ends) for ends in self._stretches]
        self._full = None if recording.info.full_scale is None else level_in(recording.dtype, recording.info.full_scale)
        self._clipped = np.zeros(start.size)

    def push(self, block: Block) -> None:
        """Take the next samples."""
        for seen in evaluated((block,), self._clock):
            if seen.light.size == 0:
                continue
            invalid = seen.invalid_mask()
            holes, light = None, seen.light
            if invalid is not None:
                holes, light = np.flatnonzero(invalid), light[~invalid]
            for found in self._found:
                found.push_valid(seen.start, seen.light.size, light, holes)
            self._clip(seen, invalid)

    @property
    def borders(self) -> NDArray[np.int64]:
        """Where the stretches begin and end, evaluations."""
        return np.concatenate([side for ends in self._stretches for side in ends])

    def push_cells(self, cells: Cells) -> None:
        """Take the next samples, all of them valid, in cells that are cut at all `borders`."""
        if not self._clock.every_sample:  # cells hold extremes of samples, of which the sensor sees only some
            self.push(Block(cells.start, cells.light))
            return
        for found in self._found:
            found.push_cells(cells)
        if self._full is not None and (cells.low.min() <= 0 or cells.high.max() >= self._full):
            self._clip(Block(cells.start, cells.light), None)

    def _clip(self, seen: Block, invalid: NDArray[np.bool_] | None) -> None:
        """Count the evaluations at an end of the scale."""
        # Nearly no block touches an end of the scale: two extremes are cheaper than a mask.
        if self._full is None or (seen.light.min() > 0 and seen.light.max() < self._full):
            return
        at_end = (seen.light >= self._full) | (seen.light <= 0)
        if invalid is not None:
            at_end &= ~invalid
        at, (start, stop) = np.flatnonzero(at_end) + seen.start, self._stretches[0]
        a, b = np.searchsorted(stop, seen.start, side="right"), np.searchsorted(start, seen.stop)
        self._clipped[a:b] += np.searchsorted(at, stop[a:b]) - np.searchsorted(at, start[a:b])

    def extremes(self) -> PassAndGapExtremes:
        """Return the extremes, after every sample was taken."""
        passes, gaps, between = (
            Stretches(start, stop, found.valid, found.low, found.high)
            for (start, stop), found in zip(self._stretches, self._found, strict=True)
        )
        return PassAndGapExtremes(
            passes=passes, pass_rows=self._rows, gaps=gaps, between=between, between_before=self._between_before,
            clipped=self._clipped / (passes.stop - passes.start), rate_hz=self._clock.rate_hz,
        )  # fmt: skip
