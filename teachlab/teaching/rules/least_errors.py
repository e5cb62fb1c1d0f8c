"""Least errors: the level and width with the fewest errors on the events shown, for classes that overlap."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from teachlab.light.event_statistics import EventStatistics, windows_shown
from teachlab.light.lasting_extremes import Hold
from teachlab.light.shown.tabled_light import TabledEvents
from teachlab.light.windows import Windows
from teachlab.model.recording import Direction
from teachlab.model.setting import Setting, Switching
from teachlab.model.teaching import Events, TeachView, polarity_of
from teachlab.model.truth import Truth
from teachlab.sensor.clock import Clock
from teachlab.sensor.delays import consecutive_filter, delayed
from teachlab.sensor.edges import TwoState
from teachlab.sensor.validity import Validity
from teachlab.teaching.rules.hysteresis import wanted_width
from teachlab.teaching.rules.labelled_events import Waits, backgrounds, least_active

LEVELS = 40
"""Largest number of levels tried."""
WIDTHS = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5)
"""Widths tried, as shares of the distance between the medians of passes and gaps."""

Heights = NDArray[np.float64]
Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class LeastErrors:
    """The best of the settings that were tried on the events shown.

    `level`, `width` (recording units): T, objects upwards, and H.
    `errors`: passes lost, plus onsets beyond one per pass or outside all passes.
    `passes`: number of detect passes.
    """

    level: float
    width: float
    errors: int
    passes: int

    @property
    def better_than_never(self) -> bool:
        """Whether the errors are fewer than those of an output that never switches, by two deviations.

        Such an output loses every pass and makes no other error; k errors vary by √k.
        """
        return self.errors + 2 * math.sqrt(self.errors) < self.passes

    def clearly_below(self, errors: int) -> bool:
        """Whether the errors are fewer than those of another setting, by two deviations of the difference."""
        return errors - self.errors > 2 * math.sqrt(errors + self.errors)


def least_errors(view: TeachView, found: EventStatistics) -> LeastErrors | None:
    """Try levels and widths on the events shown and return the best; None if there is no choice.

    `view`: its events, and the filter and delays of its base setting.

    Notes
    -----
    The levels tried are halfway between neighbouring peaks of passes and gaps (a selection if there are more than
    `LEVELS`), each with the widths of `WIDTHS` and the one that the background requires. Every pair is run over the
    stretch as a comparator would, and the errors are those of the cost: passes without an onset in their window,
    further onsets in it, and onsets elsewhere. Filter and delays act as in the sensor.

    The fewest errors of a grid look better than they are. So the errors are smoothed over neighbouring levels and
    widths (1:2:1), and the smallest sum is taken; of equal ones the narrowest width, then the level in the middle.

    References
    ----------
    Minimum empirical risk: Devroye, Györfi & Lugosi 1996, *A Probabilistic Theory of Pattern Recognition*,
    ch. 4. The smoothing is this package's own.
    """
    levels = _levels(found)
    if levels.size == 0:
        return None
    apart = max(float(np.median(found.peaks)) - float(np.median(found.gap_peaks)), 0.0)
    widths = np.unique([wanted_width(found)[0], *(share * apart for share in WIDTHS)])
    shown = ShownEvents.of(view, found.sign, np.concatenate([levels, (levels[:, None] - widths).ravel()]))
    errors = np.array([[shown.errors(level, level - width) for width in widths.tolist()] for level in levels.tolist()])
    # Counts over few passes vary strongly, and the smallest is luck. Weights 1 2 1 along both axes prefer a flat place.
    smooth = smoothed(errors)
    best = smooth == smooth.min()
    j = int(np.argmax(best.any(axis=0)))
    rows = np.flatnonzero(best[:, j])
    # The narrowest width that is as good as any; of its levels, the one in the middle.
    i = int(rows[(rows.size - 1) // 2])
    return LeastErrors(float(levels[i]), float(widths[j]), int(errors[i, j]), shown.passes)


def errors_shown(view: TeachView, found: EventStatistics, setting: Setting) -> int:
    """Return the errors of a setting of fixed levels on the events shown, counted as in `least_errors`."""
    ends = setting.on_level, setting.off_level
    level, release = ends if found.sign > 0 else (-ends[1], -ends[0])
    if isinstance(view.events, TabledEvents) and Waits.of(view) == Waits(1, 1):
        return _errors_tabled(view.events, found.sign, least_active(found, level), least_active(found, release))
    return ShownEvents.of(view, found.sign, np.array([level, release])).errors(level, release)


def _errors_tabled(events: TabledEvents, sign: int, level: float, release: float) -> int:
    """Return what `ShownEvents.errors` does without filter and delays, out of the tables of the block."""
    inside, outside = events.seen(sign).onsets(windows_shown(events), level, release)
    hits = int(np.count_nonzero(inside[events.detect]))
    passes = int(np.count_nonzero(events.detect))
    return passes - hits + int(inside.sum() + outside.sum()) - hits


def _levels(found: EventStatistics) -> Heights:
    peaks, gaps = found.peaks, backgrounds(found)
    middle = (np.quantile(gaps, 0.5, method="lower"), np.quantile(peaks, 0.5, method="higher"))
    low, high = min(middle[0], peaks.min()), max(middle[1], gaps.max())
    heights = np.unique(np.concatenate([peaks, gaps]))
    # Below the weakest pass, and above the strongest gap, errors only grow: no best level lies there.
    heights = heights[(heights >= low) & (heights <= high)]
    between: Heights = heights[:-1] + (heights[1:] - heights[:-1]) / 2
    if between.size > LEVELS:
        between = np.unique(np.quantile(between, np.linspace(0, 1, LEVELS), method="nearest"))
    return between


def smoothed(errors: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the sums over neighbours along both axes, weighted 1:2:1; an edge is its own neighbour.

    Examples
    --------
    >>> smoothed(np.array([[4], [0], [0], [1]])).ravel().tolist()
    [48, 16, 4, 12]
    """
    out = errors.astype(np.int64)
    for axis in (0, 1):
        wide = np.pad(out, [(1, 1) if axis == k else (0, 0) for k in (0, 1)], mode="edge")
        n = out.shape[axis]
        before, here, after = (wide.take(range(k, k + n), axis) for k in (0, 1, 2))
        out = before + 2 * here + after
    return out


@dataclass(frozen=True, slots=True, eq=False)
class ShownEvents:
    """The stretch shown, reduced to where the light passes one of the levels that will be needed.

    `levels` (shape (n,), recording units, objects upwards): ascending.
    `rank` (shape (m,)): how many of the levels the light reaches, wherever that changes; a dip reaches a level only
    beyond it.
    `at` (shape (m,), evaluations): where it changes.
    `owner` (shape (evaluations,)): number of the detect pass in whose window an evaluation lies; −1 elsewhere.
    """

    levels: Heights
    rank: Places
    at: Places
    owner: Places
    passes: int
    switching: Switching
    invalid: TwoState
    clock: Clock

    @classmethod
    def of(cls, view: TeachView, sign: int, levels: Heights) -> ShownEvents:
        """Reduce the events of a view."""
        events, levels = view.events, np.unique(levels)
        invalid = np.isnan(events.light)
        validity = Validity()
        validity.push(invalid, invalid.size)
        switching = replace(view.base.switching, polarity=polarity_of(Direction.RISE if sign > 0 else Direction.DIP))
        clock = Clock.of(invalid.size, view.rate_hz, None)
        height = Hold().push(sign * events.light, invalid if invalid.any() else None)
        # Light begins at the level itself; turned upside down, that is the light that has not fallen below it.
        rank = np.searchsorted(levels, height, side="right" if sign > 0 else "left").astype(np.int64)
        at = np.flatnonzero(np.concatenate(([True], rank[1:] != rank[:-1])))
        owner = _owner(events, height.size, switching.consecutive - 1 + clock.delay(switching.holds_back_ms))
        passes = int(np.count_nonzero(events.detect))
        return cls(levels, rank[at], at, owner, passes, switching, validity.state(), clock)

    def errors(self, level: float, release: float) -> int:
        """Return passes without an onset, plus onsets that are not the first of a pass.

        `level`, `release` (recording units, objects upwards): two of the levels: the output is active from where the
        light reaches the first until it no longer reaches the second.
        """
        on, off = np.searchsorted(self.levels, (level, release))
        light = self.rank > on
        decided = light | (self.rank <= off)
        # The first evaluation is light at or above the on-level, else dark: of a dip the on-level is the release.
        decided[:1] = True
        light[:1] = self.rank[:1] > (on if self.switching.light_on else off)
        change = np.flatnonzero(decided)
        state = light[change]
        turn = np.flatnonzero(state[1:] != state[:-1]) + 1
        active = TwoState(bool(state[0]) if state.size else False, self.at[change[turn]])
        size = self.clock.count
        undelayed = consecutive_filter(active, self.invalid, self.switching.consecutive, size)
        onsets = delayed(undelayed, self.switching, self.clock).rises()
        owner = self.owner[onsets]
        hits = np.unique(owner[owner >= 0]).size
        return self.passes - hits + onsets.size - hits


def _owner(events: Events, size: int, lag: int) -> Places:
    truth = Truth.from_arrays(events.start, events.end, detect=events.detect, label=events.label)
    windows = Windows.of(truth, Clock(size, 1.0, 1.0), border=events.guard, lag=lag)
    owner = np.full(size, -1, np.int64)
    for k in np.flatnonzero(events.detect).tolist():
        owner[windows.start[k] : windows.stop[k]] = k
    return owner
