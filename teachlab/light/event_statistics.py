"""Statistics of labelled passes and gaps for a level: extremes per event, local noise, and the least hysteresis."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from teachlab.light.shown.stretch_light import StretchLight
from teachlab.light.shown.tabled_light import TabledEvents, TabledLight, once_shown
from teachlab.light.windows import Windows
from teachlab.model.teaching import Events
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock

Heights = NDArray[np.float64]
"""Levels as float64, recording units, turned so that objects are upwards."""
Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class EventStatistics:
    """Evidence statistics of a stretch of labelled passes; every height is `sign` · light, objects upwards.

    `sign`: +1 where objects raise the light, −1 where they lower it.
    `peaks` (shape (passes,)): P_k: sustained peak of every detect pass over its window.
    `kinds` (shape (passes,)): label of each.
    `ignored_peaks`, `ignored_kinds` (shape (ignore passes,)): sustained peak and label of every pass that must not
    switch the output.
    `gap_peaks` (shape (gaps,)): G_g: sustained peak of every gap, outside all windows.
    `gap_valleys` (shape (gaps between passes,)): V_g: lowest light between one pass and the next that lasts long enough
    for a release.
    `peak_at`, `gap_at` (evaluations): first evaluation of each pass and each gap, in the stretch shown.
    `noise_object`, `noise_background` (recording units): sigma of object and background; None without two neighbouring
    valid evaluations.
    `step` (recording units): smallest step between levels that occur.
    `background`: median height of the gaps; NaN if there is none.
    `edge` (evaluations): median 10–90 % time of the edges; NaN if no pass rises.
    `edge_range` (recording units): R_edge: 99 % quantile of the background range within one edge time; NaN if the gaps
    are too short for a window.
    `hold`, `gap_hold`, `release_hold` (evaluations): D of passes, of gaps, and of valleys.
    `passes_left_out`, `gaps_left_out`: events that hold a void evaluation, or no evaluation.
    """

    sign: int
    peaks: Heights
    kinds: NDArray[np.object_]
    ignored_peaks: Heights
    ignored_kinds: NDArray[np.object_]
    gap_peaks: Heights
    gap_valleys: Heights
    peak_at: Places
    gap_at: Places
    noise_object: float | None
    noise_background: float | None
    step: float | None
    background: float
    edge: float
    edge_range: float
    hold: int
    gap_hold: int
    release_hold: int
    passes_left_out: int
    gaps_left_out: int

    @property
    def noise(self) -> float:
        """Local noise of the background, recording units; without it, that of the objects, or 0."""
        for found in (self.noise_background, self.noise_object):
            if found is not None:
                return found
        return 0.0

    def with_background(self, changed: Callable[[Heights], Heights]) -> EventStatistics:
        """Return the statistics with the light of gaps, and of passes to be ignored, changed by a function."""
        return replace(
            self, gap_valleys=changed(self.gap_valleys), gap_peaks=changed(self.gap_peaks),
            ignored_peaks=changed(self.ignored_peaks),
        )  # fmt: skip


def measure_events(
    events: Events, sign: int, *, hold: int = 1, gap_hold: int = 1, release_hold: int = 1
) -> EventStatistics:
    """Measure labelled passes and gaps.

    `sign`: +1 where objects raise the light, −1 where they lower it.
    `hold` (evaluations): D for the passes: their peaks must last this long.
    `gap_hold` (evaluations): D for gaps and for passes to be ignored: ``lag + 1``, the number of evaluations that
    switches the output.
    `release_hold` (evaluations): how long the light must stay low for the output to be released.

    Notes
    -----
    P_k = max over i of min(z[i … i + D − 1]) with the D evaluations inside the window of the pass, which
    reaches the border uncertainty beyond it on both sides and ``gap_hold − 1`` further at its end; G_g the
    same over what lies outside all passes and their borders. A window shorter than D is taken as a whole.
    V_g = min over i of max(z[i … i + D − 1]) over the windows that touch the gap between two passes: the
    border is part of it, since a release may fall into it, and at most half of either pass.
    R_edge is taken inside the gaps, one edge time away from the passes where there is room.

    Invalid evaluations keep the last valid value; an event with a void evaluation (the 6th in a row or later) is left
    out, as in scoring.

    References
    ----------
    The erosion of a signal and its maximum: Serra (1982), *Image Analysis and Mathematical Morphology*.
    Local noise: see `teachlab.light.noise.local_noise`.

    Examples
    --------
    >>> from teachlab.model.teaching import Events
    >>> light = np.array([1.0, 2, 1, 9, 8, 9, 1, 1, 3, 1])
    >>> one = Events(light, np.array([3]), np.array([6]), np.array([True]), np.array(["tub"], object), 0)
    >>> found = measure_events(one, 1, hold=2)
    >>> found.peaks.tolist(), found.gap_peaks.tolist()
    ([8.0], [2.0, 3.0])
    """
    seen = seen_light(events, sign)
    windows, apart = windows_shown(events, gap_hold - 1), windows_shown(events)
    usable = seen.clean(windows.start, windows.stop)
    detect = events.detect & usable
    ignored = ~events.detect & usable
    gaps = seen.clean(apart.gap_start, apart.gap_stop)
    gap_start, gap_stop = apart.gap_start[gaps], apart.gap_stop[gaps]
    # A release can fall there: also a little into the neighbouring passes, as far as filter and delay reach.
    between = _between(events.start, events.end, release_hold)
    between = between[:, seen.clean(*between)]

    background = seen.background(gap_start, gap_stop)
    edge = seen.edge(events.start[detect], events.end[detect], background)
    step = seen.step()
    return EventStatistics(
        sign=sign,
        peaks=seen.highs(windows.start[detect], windows.stop[detect], hold),
        kinds=events.label[detect],
        ignored_peaks=seen.highs(windows.start[ignored], windows.stop[ignored], gap_hold),
        ignored_kinds=events.label[ignored],
        gap_peaks=seen.highs(gap_start, gap_stop, gap_hold),
        gap_valleys=seen.lows(between[0], between[1], release_hold),
        peak_at=windows.start[detect],
        gap_at=gap_start,
        noise_object=seen.noise(events.start[detect], events.end[detect], step),
        noise_background=seen.noise(gap_start, gap_stop, step),
        step=step,
        background=background,
        edge=edge,
        edge_range=seen.edge_range(gap_start, gap_stop, edge),
        hold=hold,
        gap_hold=gap_hold,
        release_hold=release_hold,
        passes_left_out=int(np.count_nonzero(~usable)),
        gaps_left_out=int(np.count_nonzero(~gaps)),
    )


def inner_valleys(events: Events, sign: int, level: float, *, release_hold: int = 1) -> Heights:
    """Return K_k: the lowest light inside every detect pass after it has reached a level.

    `sign`: +1 where objects raise the light, −1 where they lower it.
    `level` (recording units, objects upwards): T: the valley lies between the first and the last evaluation at or above
    it.
    `release_hold` (evaluations): how long the light must stay low for the output to be released; shorter drops do not
    count.
    Returned: one for each pass that reaches the level, recording units, objects upwards.
    """
    seen = seen_light(events, sign)
    if seen.dark:
        return np.empty(0, np.float64)

    def valleys() -> Heights:
        windows = windows_shown(events)
        usable = events.detect & seen.clean(windows.start, windows.stop)
        found = seen.valleys(windows.start[usable], windows.stop[usable], level, release_hold)
        return found[~np.isnan(found)]

    return once_shown(events, ("inner", sign, level, release_hold), valleys)


def seen_light(events: Events, sign: int) -> StretchLight | TabledLight:
    """Return the light of labelled events, objects upwards: by itself, or out of tables that other showings share."""
    return events.seen(sign) if isinstance(events, TabledEvents) else StretchLight(events, sign)


def windows_shown(events: Events, lag: int = 0) -> Windows:
    """Return the windows of labelled events, in evaluations of the stretch shown."""

    def windows() -> Windows:
        truth = Truth.from_arrays(events.start, events.end, detect=events.detect, label=events.label)
        return Windows.of(truth, Clock(events.evaluations, 1.0, 1.0), border=events.guard, lag=lag)

    return once_shown(events, ("windows", lag), windows)


def _between(start: Places, end: Places, hold: int) -> Places:
    """Return the stretches in which a release between neighbouring passes can fall, shape (2, gaps).

    Between passes that touch there is no gap, and nothing has to be released.
    """
    middle = (start + end) // 2
    reach = max(hold - 1, 1)
    low, high = np.maximum(end[:-1] - reach, middle[:-1]), np.minimum(start[1:] + reach, middle[1:])
    return np.stack([low, np.maximum(high, low)])[:, start[1:] > end[:-1]]
