"""Whether one level has all passes on one side and all gaps on the other, and which ones prevent it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from teachlab.data.quality.scan import QualityScan
from teachlab.model.arrays import Flags, Floats
from teachlab.model.recording import Direction
from teachlab.model.truth import Truth
from teachlab.sensor.edges import RunCounter

SHOWN = 5
"""So many obstacles of either kind are named."""


@dataclass(frozen=True, slots=True)
class Obstacle:
    """A pass that no level reaches without a gap, or a gap that is as bright as a pass.

    `start`, `stop` (samples): the pass, or the gap, ``[start, stop)``.
    `peak` (recording units): its extreme in the direction of the objects.
    `row`: row of the pass; None for a gap.
    """

    start: int
    stop: int
    peak: float
    row: int | None = None
    label: str = ""


@dataclass(frozen=True, slots=True)
class Separability:
    """The level with most passes and gaps on the right sides, at zero hysteresis.

    `separable`: whether every scored detect pass peaks above every gap (below, for dips).
    `weakest_pass`, `strongest_gap`: the pass with the smallest peak, the gap (or `ignore` pass) with the largest.
    `level` (recording units): the best level, which objects reach. If passes and gaps are separable, it is midway
    between them.
    `lost`, `tripped`: passes that do not reach it; gaps and `ignore` passes that do.
    `lost_passes`, `tripped_gaps`: the first of them.
    `passes`, `gaps`: how many were used: those that a replay without delays would score.
    """

    separable: bool
    weakest_pass: Obstacle
    strongest_gap: Obstacle
    level: float
    lost: int
    tripped: int
    lost_passes: tuple[Obstacle, ...]
    tripped_gaps: tuple[Obstacle, ...]
    passes: int
    gaps: int


def separability(measured: QualityScan, truth: Truth, direction: Direction) -> Separability | None:
    """Return the best level and what stands in its way, or None if there is no pass or no gap to compare.

    Passes and gaps that scoring leaves out are left out here too: cut by the record, without a valid sample, or with
    void samples in their window or just before it.

    `measured`: a scan with the windows of `truth`.
    """
    w, reach, gaps = measured.windows, measured.reach, measured.gaps
    if w is None or reach is None or gaps is None:
        return None
    sign = 1.0 if direction is Direction.RISE else -1.0
    size = int(measured.drift_edges[-1])
    pass_trial, gap_trial = _trials(measured, truth, size)
    peak = sign * (reach.high if sign > 0 else reach.low)
    gap_peak = sign * (gaps.high if sign > 0 else gaps.low)
    rows = np.flatnonzero(truth.detect & pass_trial & ~np.isnan(peak))
    ignored = np.flatnonzero(~truth.detect & pass_trial & ~np.isnan(peak))
    quiet = np.flatnonzero(gap_trial & ~np.isnan(gap_peak))
    if rows.size == 0 or quiet.size + ignored.size == 0:
        return None

    def as_pass(k: int) -> Obstacle:
        span = int(truth.start[k]), int(truth.end[k])
        return Obstacle(*span, sign * float(peak[k]), int(k), str(truth.label[k]))

    def as_gap(k: int) -> Obstacle:
        return Obstacle(int(w.gap_start[k]), int(w.gap_stop[k]), sign * float(gap_peak[k]))

    background = np.concatenate([gap_peak[quiet], peak[ignored]])
    level, lost, tripped = best_level(peak[rows], background)
    low = rows[peak[rows] < level]
    high = sorted(
        [as_gap(int(k)) for k in quiet[gap_peak[quiet] >= level]]
        + [as_pass(int(k)) for k in ignored[peak[ignored] >= level]],
        key=lambda one: one.start,
    )
    top = int(np.argmax(background))
    return Separability(
        separable=lost == 0 and tripped == 0,
        weakest_pass=as_pass(int(rows[np.argmin(peak[rows])])),
        strongest_gap=as_gap(int(quiet[top])) if top < quiet.size else as_pass(int(ignored[top - quiet.size])),
        level=sign * level,
        lost=lost,
        tripped=tripped,
        lost_passes=tuple(as_pass(int(k)) for k in low[:SHOWN]),
        tripped_gaps=tuple(high[:SHOWN]),
        passes=int(rows.size),
        gaps=int(quiet.size + ignored.size),
    )


def best_level(passes: Floats, gaps: Floats) -> tuple[float, int, int]:
    """Return a level with the fewest passes below it and gaps at or above it, and the two counts.

    `passes`, `gaps` (shape (n,) and (m,), not empty): peaks.

    Notes
    -----
    The counts change only at a peak, so it is enough to try every pass peak (a pass reaches its own peak) and a level
    above all gaps. Of equally good levels, the one with the most room below it is taken, and placed in the middle of
    that room.

    Examples
    --------
    >>> best_level(np.array([30.0, 40.0]), np.array([10.0, 12.0]))
    (21.0, 0, 0)
    >>> best_level(np.array([9.0, 40.0]), np.array([10.0, 12.0]))
    (26.0, 1, 0)
    """
    passes, gaps = np.sort(passes), np.sort(gaps)
    # Just above the highest gap: the gap would reach a level at its own peak.
    tried = np.unique(np.append(passes, np.nextafter(gaps[-1], np.inf)))
    lost = np.searchsorted(passes, tried, side="left")
    tripped = gaps.size - np.searchsorted(gaps, tried, side="left")
    cost = lost + tripped
    best = np.flatnonzero(cost == cost.min())
    everything = np.sort(np.concatenate([passes, gaps]))
    at = np.searchsorted(everything, tried[best], side="left")
    below = np.where(at > 0, everything[np.maximum(at - 1, 0)], tried[best])
    with np.errstate(invalid="ignore"):
        k = int(np.argmax(np.nan_to_num(tried[best] - below, nan=0.0)))
    top, bottom = float(tried[best][k]), float(below[k])
    middle = bottom + (top - bottom) / 2
    # Neighbouring floats have no middle between them, and the sum of two large ones is not finite.
    level = middle if bottom < middle <= top else top
    return level, int(lost[best][k]), int(tripped[best][k])


def _trials(measured: QualityScan, truth: Truth, size: int) -> tuple[Flags, Flags]:
    w = measured.windows
    if w is None:
        return np.zeros(0, bool), np.zeros(0, bool)
    # A pass whose window begins void is left out too: it is unknown whether the output was active already.
    void = RunCounter.of(measured.void, size)
    before = np.maximum(w.start - 1, 0)
    passes = (truth.start > 0) & (truth.end < size)
    passes &= (void.within(w.start, w.stop) == 0) & (void.within(before, w.start) == 0)
    return passes, void.within(w.gap_start, w.gap_stop) == 0
