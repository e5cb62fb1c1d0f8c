"""Trials that cannot be scored: void evaluations, passes cut by the record, stretches that are left out."""

from __future__ import annotations

import numpy as np

from teachlab.light.windows import Windows
from teachlab.model.arrays import Flags, Integers
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.edges import RunCounter, TwoState
from teachlab.sensor.output import void_of


def excluded_trials(
    truth: Truth, windows: Windows, clock: Clock, invalid: TwoState, *, lag: int
) -> tuple[Flags, Flags]:
    """Return which passes and which gaps cannot be scored.

    A window that touches a stretch which the truth leaves out (`Truth.except_`) cannot be scored either.

    `windows`: windows of that truth, under this lag.
    `lag` (evaluations): how many evaluations filter and delay can delay an onset.
    """
    passes = (truth.start == 0) | (truth.end == clock.samples)
    gaps = np.zeros(windows.gap_start.size, bool)
    if invalid.edges.size or invalid.first:
        void = RunCounter.of(void_of(invalid, clock.count), clock.count)
        invalid_runs = RunCounter.of(invalid, clock.count)
        covered = windows.covered_to - windows.covered_from
        # An onset at the start of the window depends on the `lag` evaluations before it, and on the state before these.
        before = np.maximum(windows.start - lag - 1, 0)
        real = covered > 0
        passes |= void.within(windows.start, windows.stop) > 0
        passes |= real & (void.within(before, windows.start) > 0)
        passes |= real & (invalid_runs.within(windows.covered_from, windows.covered_to) == covered)
        gaps = void.within(windows.gap_start, windows.gap_stop) > 0
    if truth.except_:
        samples = np.array(truth.except_, np.int64)
        left_out = clock.firsts_at_or_after(samples.reshape(-1)).reshape(-1, 2)
        # A pass that no evaluation reads has no window, but its samples may be left out.
        passes |= _touching(windows.start, windows.stop, left_out) | _touching(truth.start, truth.end, samples)
        gaps |= _touching(windows.gap_start, windows.gap_stop, left_out)
    return passes, gaps


def _touching(start: Integers, stop: Integers, left_out: Integers) -> Flags:
    """Return which windows share an evaluation with a stretch that is left out."""
    begins, ends = left_out[left_out[:, 1] > left_out[:, 0]].T
    first = np.searchsorted(ends, start, side="right")
    inside = (first < begins.size) & (stop > start)
    out = np.zeros(start.size, bool)
    out[inside] = begins[first[inside]] < stop[inside]
    return out
