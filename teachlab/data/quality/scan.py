"""One reading of a recording that collects everything for `inspect`, in bounded memory."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from teachlab.light.extremes import Extremes
from teachlab.light.noise import KEPT_VALUES, Selection, SmallestStep
from teachlab.light.usable_light import bounded
from teachlab.light.windows import Windows, border_evaluations
from teachlab.model.recording import Block, Light, Recording
from teachlab.model.score import Rules
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import TwoState, merged
from teachlab.sensor.output import void_of
from teachlab.sensor.validity import Validity

DRIFT_BLOCKS = 20
"""Drift is shown over this many equal stretches of time."""
DRIFT_VALUES = 1 << 15
Stretched = NDArray[np.int64]
"""Starts and stops of stretches, shape (2, n), samples."""


class QualityScan:
    """Results of one reading; every sample counts as an evaluation, and windows have no lag.

    `windows`: windows and gaps of the truth.
    `passes`, `reach`, `gaps`: extremes over the passes, over their windows, and over the gaps.
    `background`, `object_steps`, `gap_steps`, `all_steps`: levels of the gaps; differences of neighbouring valid
    samples inside detect passes, inside gaps, and anywhere. Infinite samples count in extremes, not in medians.
    `drift_edges` (shape (blocks + 1,), samples): borders of the stretches of time.
    `drift_all`, `drift_background`: all valid levels, and those of the gaps, for each stretch of time.
    `step`: smallest step between levels that occur.
    `low`, `high` (recording units): extremes of all valid samples; NaN if there is none.
    `at_low`, `at_high`: samples exactly at these values.
    `void`: True from the 6th invalid sample in a row on.
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
        blocks = min(DRIFT_BLOCKS, samples)
        self.drift_edges = np.array([k * samples // blocks for k in range(blocks + 1)], np.int64)
        # Where the file itself tells that every sample is a number, it is known beforehand how many there will be.
        ends = [end for chunk in recording.source.chunks() for end in (chunk.low, chunk.high)]
        sound = None not in ends and bool(np.isfinite(np.array(ends, np.float64)).all())
        whole, none = np.array([[0], [samples]], np.int64), np.empty((2, 0), np.int64)
        gaps = passes = none
        if truth is not None and self.windows is not None:
            gaps = np.array([self.windows.gap_start, self.windows.gap_stop])
            passes = np.array([truth.start, truth.end])[:, truth.detect]

        def selection(stretches: Stretched, limit: int = KEPT_VALUES) -> Selection:
            return Selection(limit, at_least=int(np.diff(stretches, axis=0).clip(min=0).sum()) if sound else 0)

        # A step lies inside a stretch if both of its samples do.
        self.all_steps, self.gap_steps, self.object_steps = (
            selection(np.array([start + 1, stop])) for start, stop in (whole, gaps, passes)
        )
        self.background = selection(gaps)
        self.drift_all, self.drift_background = (
            [selection(one.clip(*self.drift_edges[k : k + 2]), DRIFT_VALUES) for k in range(blocks)]
            for one in (whole, gaps)
        )
        self.step = SmallestStep()
        self.invalid = self.saturated = 0
        self.low = self.high = np.nan
        self.at_low = self.at_high = 0
        self._validity = Validity()
        self._last = np.nan

    def run(self, progress: Callable[[float], None], beside: Callable[[Block], None] | None = None) -> QualityScan:
        """Read the recording once, also for another function that takes blocks."""
        for block in self._recording.blocks():
            self.push(block)
            if beside is not None:
                beside(block)
            progress(block.stop / self._recording.samples)
        return self

    @property
    def void(self) -> TwoState:
        """Which samples are void."""
        return void_of(self._validity.state(), self._recording.samples)

    def push(self, block: Block) -> None:
        """Take the next block of the recording."""
        first, size = block.start, block.light.size
        if size == 0:
            return
        ends = block.light.min(), block.light.max()
        # A minimum propagates NaN: if it is not NaN, there is none.
        invalid = None if block.invalid is None and not np.isnan(ends[0]) else block.invalid_mask()
        self._validity.push(invalid, size)
        valid = block.light if invalid is None else block.light[~invalid]
        self.invalid += size - valid.size
        if valid.size:
            self._range(valid, *(map(float, ends if invalid is None else (valid.min(), valid.max()))))
        # Light too large to be measured is refused; infinite light is left out below.
        bounded(block, self._recording.name)
        light = _Light(block, invalid, self._last, sound=invalid is None and bool(np.isfinite(ends).all()))
        self._last = light.last
        whole = np.array([[first], [first + size]])
        light.select(self.all_steps, whole, steps=True)
        self._drift(self.drift_all, light, whole)
        if self._truth is None or self.windows is None:
            return
        holes = None if invalid is None else np.flatnonzero(invalid)
        for extremes in (self.passes, self.reach, self.gaps):
            if extremes is not None:
                extremes.push_valid(first, size, valid, holes)
        w, detect = self.windows, self._truth.detect
        light.select(self.background, light.within(w.gap_start, w.gap_stop))
        self._drift(self.drift_background, light, light.within(w.gap_start, w.gap_stop))
        # A step lies inside a stretch if both of its samples do.
        light.select(self.gap_steps, light.within(w.gap_start + 1, w.gap_stop), steps=True)
        inner = light.within(self._truth.start[detect] + 1, self._truth.end[detect])
        light.select(self.object_steps, inner, steps=True)

    def _range(self, valid: Light, bottom: float, top: float) -> None:
        """Take extremes, how many samples lie at them, and how many at the ends of the scale."""
        low, high = float(np.fmin(self.low, bottom)), float(np.fmax(self.high, top))
        self.at_low = (int(np.count_nonzero(valid == low)) if bottom == low else 0) + (
            self.at_low if low == self.low else 0
        )
        self.at_high = (int(np.count_nonzero(valid == high)) if top == high else 0) + (
            self.at_high if high == self.high else 0
        )
        self.low, self.high = low, high
        self.step.push(valid)
        full = self._recording.info.full_scale
        if full is not None:
            self.saturated += int(np.count_nonzero(valid <= 0)) if bottom <= 0 else 0
            self.saturated += int(np.count_nonzero(valid >= np.float64(full))) if top >= full else 0

    def _drift(self, into: list[Selection], light: _Light, stretches: Stretched) -> None:
        a = int(np.searchsorted(self.drift_edges, light.first, side="right")) - 1
        while a < len(into) and self.drift_edges[a] < light.stop:
            light.select(into[a], stretches.clip(*self.drift_edges[a : a + 2]))
            a += 1


class _Light:
    """The light of a block, and its steps: the difference at a sample is the one from the sample before.

    `before` (recording units): the sample before the block, NaN if it is not valid or there is none.
    `sound`: whether all samples are valid and finite.
    """

    def __init__(self, block: Block, invalid: NDArray[np.bool_] | None, before: float, *, sound: bool) -> None:
        self.first, self.stop = block.start, block.stop
        self._light, self._before = block.light, before
        levels = Block(block.start, block.light[-1:], None if invalid is None else invalid[-1:]).as_float()
        self.last = float(levels[0])
        self._wrong: list[NDArray[np.int64]] | None = None
        # The difference of two finite numbers that can be calculated with is finite.
        if not (sound and np.isfinite(before)):
            wrong = ~np.isfinite(block.light) if invalid is None else invalid | ~np.isfinite(block.light)
            at = np.flatnonzero(wrong)
            after = at[at + 1 < wrong.size] + 1
            self._wrong = [at, merged(at, after, np.zeros(0 if np.isfinite(before) else 1, np.int64))]

    def within(self, start: NDArray[np.int64], stop: NDArray[np.int64]) -> Stretched:
        """Return the parts of disjoint ascending stretches that lie in this block."""
        a = int(np.searchsorted(stop, self.first, side="right"))
        b = int(np.searchsorted(start, self.stop, side="left"))
        return np.array([start[a:b], stop[a:b]]).clip(self.first, self.stop)

    def select(self, into: Selection, stretches: Stretched, *, steps: bool = False) -> None:
        """Hand on the finite levels, or steps, of stretches; only those that are kept are looked at."""
        start, stop = stretches.clip(self.first, self.stop) - self.first
        if self._wrong is None:
            into.take_within(start, stop, lambda at: self._values(at, steps=steps))
            return
        # Stretches end before what is wrong, and begin again behind it.
        wrong = self._wrong[steps]
        row = np.searchsorted(stop, wrong, side="right")
        wrong = wrong[np.append(start, self.stop)[row] <= wrong]
        start, stop = np.concatenate((start, wrong + 1)), np.concatenate((stop, wrong))
        into.take_within(np.sort(start), np.sort(stop), lambda at: self._values(at, steps=steps))

    def _values(self, at: NDArray[np.intp], *, steps: bool) -> NDArray[np.float64]:
        levels = self._light[at].astype(np.float64)
        if steps:
            others = self._light[at - 1].astype(np.float64)
            others[at == 0] = self._before
            levels -= others
        return levels
