"""What labelled passes and gaps say about a level: extremes per event, local noise, and what hysteresis must beat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.light.edge_time import EDGE_SHARE, edge_evaluations, places, ranges
from teachlab.light.inner_valleys import InnerValleys
from teachlab.light.lasting_extremes import Hold, SustainedExtremes
from teachlab.light.noise import SmallestStep, local_noise
from teachlab.light.windows import Windows
from teachlab.model.teaching import Events
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.running_extremes import running_max

HELD_EVALUATIONS = 5
"""Invalid evaluations in a row that hold the last valid one; with more the state is unknown (void)."""
STEP_LEVELS = 1 << 16
"""The smallest step between levels is looked for among about this many evaluations, evenly thinned."""

Heights = NDArray[np.float64]
"""Levels as float64, recording units, turned so that objects are upwards."""
Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class EventStatistics:
    """Evidence statistics of a stretch of labelled passes; every height is `sign` · light, objects upwards.

    Parameters
    ----------
    sign : int
        +1 where objects raise the light, −1 where they lower it.
    peaks : ndarray of float64, shape (passes,)
        P_k: sustained peak of every detect pass over its window.
    kinds : ndarray of str objects, shape (passes,)
        Label of each.
    ignored_peaks, ignored_kinds : ndarray, shape (ignore passes,)
        Sustained peak and label of every pass that must not switch the output.
    gap_peaks : ndarray of float64, shape (gaps,)
        G_g: sustained peak of every gap, outside all windows.
    gap_valleys : ndarray of float64, shape (gaps between passes,)
        V_g: what the light falls to, long enough for a release, between one pass and the next.
    peak_at, gap_at : ndarray of int64, evaluations
        Where each pass and each gap begins in the stretch shown.
    noise_object, noise_background : float, recording units, optional
        sigma on either side; None without two neighbouring valid evaluations.
    step : float, recording units, optional
        Smallest step between levels that occur.
    background : float
        Median height of the gaps; NaN without one.
    edge : float, evaluations
        Median 10–90 % time of the edges; NaN if no pass rises.
    edge_range : float, recording units
        R_edge: 99 % quantile of the background range within one edge time; NaN without room for a window.
    hold, gap_hold, release_hold : int, evaluations
        D of passes, of gaps, and of valleys.
    passes_left_out, gaps_left_out : int
        Events that hold a void evaluation, or none at all.
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
        """Local noise of the background, recording units; that of the objects, or 0, if there is none."""
        for found in (self.noise_background, self.noise_object):
            if found is not None:
                return found
        return 0.0


def measure_events(
    events: Events, sign: int, *, hold: int = 1, gap_hold: int = 1, release_hold: int = 1
) -> EventStatistics:
    """Measure labelled passes and gaps.

    Parameters
    ----------
    events : Events
    sign : int
        +1 where objects raise the light, −1 where they lower it.
    hold : int, evaluations
        D for the passes: their peaks must last this long.
    gap_hold : int, evaluations
        D for gaps and for passes to be ignored: ``lag + 1``, what it takes to switch the output.
    release_hold : int, evaluations
        How long the light must stay low for the output to be released.

    Notes
    -----
    P_k = max over i of min(z[i … i + D − 1]) with the D evaluations inside the window of the pass, which
    reaches the border uncertainty beyond it on both sides and ``gap_hold − 1`` further at its end; G_g the
    same over what lies outside all passes and their borders. A window shorter than D is taken as a whole.
    V_g = min over i of max(z[i … i + D − 1]) over the windows that touch the gap between two passes: the
    border is part of it, since a release may fall into it, and at most half of either pass.
    R_edge is taken inside the gaps, one edge time away from the passes where there is room.

    Invalid evaluations hold the last valid one; an event with a void evaluation (the 6th in a row or later)
    is left out, as it is from scoring.

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
    light = events.light
    invalid = np.isnan(light)
    height = Hold().push(sign * light, invalid if invalid.any() else None)
    if height.size < light.size:  # no valid evaluation at all
        height = np.zeros(light.size)
    void = _void_before(invalid)
    clock = Clock(light.size, 1.0, 1.0)
    truth = Truth.from_arrays(events.start, events.end, detect=events.detect, label=events.label)
    windows = Windows.of(truth, clock, border=events.guard, lag=gap_hold - 1)
    apart = Windows.of(truth, clock, border=events.guard)

    usable = _clean(void, windows.start, windows.stop)
    detect = events.detect & usable
    ignored = ~events.detect & usable
    gaps = _clean(void, apart.gap_start, apart.gap_stop)
    gap_start, gap_stop = apart.gap_start[gaps], apart.gap_stop[gaps]
    # Where a release may happen: a little into the passes on either side, as far as filter and delay reach.
    between = _between(events.start, events.end, release_hold)
    between = between[:, _clean(void, *between)]

    background = float(np.median(height[places(gap_start, gap_stop)])) if gap_start.size else float("nan")
    edge = edge_evaluations(height, events.start[detect], events.end[detect], background)
    step = _smallest_step(light, invalid)
    return EventStatistics(
        sign=sign,
        peaks=_highs(height, windows.start[detect], windows.stop[detect], hold),
        kinds=events.label[detect],
        ignored_peaks=_highs(height, windows.start[ignored], windows.stop[ignored], gap_hold),
        ignored_kinds=events.label[ignored],
        gap_peaks=_highs(height, gap_start, gap_stop, gap_hold),
        gap_valleys=-_highs(-height, between[0], between[1], release_hold),
        peak_at=windows.start[detect],
        gap_at=gap_start,
        noise_object=_noise(height, invalid, events.start[detect], events.end[detect], step),
        noise_background=_noise(height, invalid, gap_start, gap_stop, step),
        step=step,
        background=background,
        edge=edge,
        edge_range=_edge_range(height, gap_start, gap_stop, edge),
        hold=hold,
        gap_hold=gap_hold,
        release_hold=release_hold,
        passes_left_out=int(np.count_nonzero(~usable)),
        gaps_left_out=int(np.count_nonzero(~gaps)),
    )


def inner_valleys(events: Events, sign: int, level: float, *, release_hold: int = 1) -> Heights:
    """Return K_k: what the light falls to inside every detect pass once it has reached a level.

    Parameters
    ----------
    events : Events
    sign : int
        +1 where objects raise the light, −1 where they lower it.
    level : float, recording units, objects upwards
        T: the valley lies between the first and the last evaluation at or above it.
    release_hold : int, evaluations
        How long the light must stay low for the output to be released; shorter drops do not count.

    Returns
    -------
    ndarray of float64, shape (passes that reach the level,), recording units, objects upwards
    """
    invalid = np.isnan(events.light)
    height = Hold().push(sign * events.light, invalid if invalid.any() else None)
    if height.size < events.light.size:
        return np.empty(0, np.float64)
    truth = Truth.from_arrays(events.start, events.end)
    windows = Windows.of(truth, Clock(height.size, 1.0, 1.0), border=events.guard)
    usable = events.detect & _clean(_void_before(invalid), windows.start, windows.stop)
    found = InnerValleys(windows.start[usable], windows.stop[usable], level, True)
    found.push(0, running_max(np.append(height, np.full(release_hold - 1, height[-1])), release_hold))
    return found.valley[~np.isnan(found.valley)]


def _highs(height: Heights, start: Places, stop: Places, hold: int) -> Heights:
    found = SustainedExtremes(start, stop, hold)
    found.push(0, height)
    return found.high


def _void_before(invalid: NDArray[np.bool_]) -> Places:
    """Return how many void evaluations come before every place, shape (n + 1,)."""
    if not invalid.any():
        return np.zeros(invalid.size + 1, np.int64)
    at = np.arange(invalid.size)
    last = np.maximum.accumulate(np.where(invalid, -1, at)) if invalid.size else at
    # A running count: two look-ups tell whether any stretch holds void time.
    return np.concatenate(([0], np.cumsum(at - last > HELD_EVALUATIONS)))


def _clean(void: Places, start: Places, stop: Places) -> NDArray[np.bool_]:
    out: NDArray[np.bool_] = (stop > start) & (void[stop] == void[start])
    return out


def _between(start: Places, end: Places, hold: int) -> Places:
    """Return the stretches in which a release between neighbouring passes may fall, shape (2, passes − 1)."""
    middle = (start + end) // 2
    reach = max(hold - 1, 1)
    low, high = np.maximum(end[:-1] - reach, middle[:-1]), np.minimum(start[1:] + reach, middle[1:])
    return np.stack([low, np.maximum(high, low)])


def _noise(
    height: Heights, invalid: NDArray[np.bool_], start: Places, stop: Places, step: float | None
) -> float | None:
    pairs = stop - start > 1
    if not pairs.any():
        return None
    # Pairs of neighbours inside the stretches, which are disjoint and at least two apart from pair to pair.
    begins = np.zeros(height.size, np.int8)
    begins[start[pairs]] += 1
    begins[stop[pairs] - 1] -= 1
    inside = np.cumsum(begins, dtype=np.int8)[:-1].astype(bool)
    if invalid.any():
        inside &= ~(invalid[1:] | invalid[:-1])
    return local_noise(np.diff(height)[inside], step)


def _smallest_step(light: Heights, invalid: NDArray[np.bool_]) -> float | None:
    found = SmallestStep()
    found.push(light[~invalid][:: max(1, light.size // STEP_LEVELS)])
    return found.step()


def _edge_range(height: Heights, start: Places, stop: Places, edge: float) -> float:
    span = 2 if np.isnan(edge) else max(2, int(np.ceil(edge)) + 1)
    found = ranges(height, start + span, stop - span, span)
    found = found if found.size else ranges(height, start, stop, span)
    return float(np.quantile(found, EDGE_SHARE)) if found.size else float("nan")
