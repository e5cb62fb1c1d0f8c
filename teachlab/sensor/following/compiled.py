"""Following settings as in `row_by_row`, and turning points, compiled by numba: for the extra ``fast``.

Imported only for long recordings. The arithmetic is the same in the same order, without fused operations.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.model.following_and_window import Follow, FollowingSetting
from teachlab.sensor.compiling import compiled
from teachlab.sensor.following.turning_walk import walk

if TYPE_CHECKING:
    from teachlab.sensor.edges import Edges
    from teachlab.sensor.following.row_by_row import Follower
    from teachlab.sensor.following.rows import Rows

ULPS = 8 * np.finfo(np.float64).eps
"""Rounding allowed where light is compared with a share of the turning point, as a share of all light involved."""
TINY = np.finfo(np.float64).tiny
_walk = compiled(walk)


@compiled
def walk_turning_points(
    light: Any, low: Any, high: Any, stretch: int, begin: int, now: Any, share: float, taught: float, back: float,
    dark: float, edges: Any,
) -> Any:  # fmt: skip
    """Return what `walk` does, but pass over stretches whose extremes show that they hold no switch.

    `low`, `high`: extremes of every `stretch` evaluations; NaN where none is valid.
    """
    found = 0
    for k in range(low.size):
        seen, bottom, top, distance = now
        if seen:
            bottom = low[k] if low[k] < bottom else bottom
            quiet = not high[k] - bottom >= back * distance
        else:
            before = top
            top = high[k] if high[k] > top else top
            quiet = not top - low[k] > taught
            if share == share:
                # M − κ(M − dark) rises with M, except for rounding: the highest M of a stretch decides for all of it.
                slack = ULPS * (abs(top) + abs(dark) + abs(low[k])) + TINY
                quiet = (quiet or before > dark) and low[k] >= top - share * (top - dark) + slack
        if quiet:
            now = seen, bottom, top, distance
            continue
        at = k * stretch
        now, more = _walk(light[at : at + stretch], begin + at, now, share, taught, back, dark, edges[found:])
        found += more
    return now, found


@compiled
def _levels(levels: Any, gain: bool, light_on: bool, value: float) -> Any:
    """Return on-level, off-level and the distance within which light counts; as `Reference.place`."""
    on, off, taught, dark, guard = levels[0], levels[1], levels[2], levels[3], levels[4]
    if value != taught:
        if gain:
            ratio = (value - dark) / (taught - dark)
            on = dark + (on - dark) * ratio
            off = dark + (off - dark) * ratio
        else:
            moved = value - taught
            on = on + moved
            off = off + moved
    near = guard
    if guard < math.inf:
        near = guard * abs((on if light_on else off) - value)
    return on, off, near


@compiled
def _run(
    start: int, light: Any, low: Any, high: Any, total: Any, present: Any, sound: Any, levels: Any, gain: bool,
    light_on: bool, freeze: bool, hold: int, patience: int, now: Any, state: bool, alarm: bool, free_from: int,
    waited: int, edges: Any, alarms: Any, releases: Any,
) -> Any:  # fmt: skip
    """Go through intervals; `now` holds value, lowest and highest, and is changed in place."""
    every = light.shape[1]
    low_limit, high_limit, constant, slew = levels[5], levels[6], levels[7], levels[8]
    value = now[0]
    on, off, near = _levels(levels, gain, light_on, value)
    found = rung = set_anew = 0
    for k in range(light.shape[0]):
        begin = start + k * every
        stop = begin + every
        counted = every
        summed = total[k]
        # Light that reaches neither level does not change the state: the interval is then decided by its extremes and
        # its sum, a few numbers in place of every evaluation.
        whole = sound[k] and not (low[k] < off if state else high[k] >= on)
        if whole and freeze:
            if state == light_on:
                free_from = stop + hold
                counted = 0
            elif free_from >= stop:
                counted = 0
            elif free_from > begin:
                # Released within the interval: only a part of it counts.
                whole = False
        if whole and counted > 0:
            whole = high[k] - value < near and value - low[k] < near
        if not whole:
            counted = 0
            summed = 0.0
            for i in range(every):
                x = light[k, i]
                if math.isnan(x):
                    continue
                if x < off if state else x >= on:
                    state = not state
                    edges[found] = begin + i
                    found += 1
                if freeze and state == light_on:
                    free_from = begin + i + 1 + hold
                if math.isinf(x) or (freeze and begin + i < free_from):
                    continue
                if abs(x - value) < near:
                    counted += 1
                    summed += x
        if counted > 0:
            waited = 0
            step = (summed / counted - value) * (counted / (counted + constant))
            # Written out as Python's min and max treat equal values and NaN, so that results equal row by row to the
            # last bit.
            step = -slew if -slew > step else step
            wanted = value + (slew if slew < step else step)
        else:
            waited += every
            if present[k] == 0 or patience < 0 or waited < patience:
                continue
            waited = 0
            releases[set_anew] = stop
            set_anew += 1
            wanted = total[k] / present[k]
        if not math.isfinite(wanted):
            continue
        held = low_limit if low_limit > wanted else wanted
        held = high_limit if high_limit < held else held
        # Only changes are kept: the alarm is active while a limit holds the reference.
        if (held != wanted) != alarm:
            alarm = not alarm
            alarms[rung] = stop
            rung += 1
        if held != value:
            value = held
            now[1] = min(now[1], value)
            now[2] = max(now[2], value)
            on, off, near = _levels(levels, gain, light_on, value)
    now[0] = value
    return state, alarm, free_from, waited, found, rung, set_anew


class CompiledFollowers:
    """Runs followers through intervals, one follower at a time.

    `settings`: of one family.
    `followers`: of these settings; all must have started when `run` is called.
    """

    def __init__(self, settings: list[FollowingSetting], followers: list[Follower]) -> None:
        first, reference = settings[0], followers[0].reference
        self._followers = followers
        self._same = first.follow is Follow.GAIN, first.light_on, first.freeze, followers[0].hold
        self._patience = -1 if reference.patience is None else reference.patience
        self._levels = np.array(
            [
                (
                    s.on_level, s.off_level, s.reference, s.dark_level, np.inf if s.guard is None else s.guard,
                    s.low_limit, s.high_limit, reference.constant, reference.slew,
                )
                for s in settings
            ],
            np.float64,
        )  # fmt: skip
        self._edges = np.empty(0, np.int64)

    def run(self, rows: Rows, group: Edges) -> None:
        """Run the followers with these numbers through whole intervals."""
        if self._edges.size < rows.evaluations:
            self._edges = np.empty(rows.evaluations, np.int64)
        alarms, releases = np.empty(rows.count, np.int64), np.empty(rows.count, np.int64)
        for k in group.tolist():
            follower, levels = self._followers[k], self._levels[k]
            reference = follower.reference
            now = np.array([reference.value, reference.lowest, reference.highest])
            state, reference.alarm, follower.free_from, reference.waited, found, rung, set_anew = _run(
                rows.start, rows.light, rows.low, rows.high, rows.total, rows.present, rows.sound, levels,
                *self._same, self._patience, now, follower.state, reference.alarm, follower.free_from,
                reference.waited, self._edges, alarms, releases,
            )  # fmt: skip
            reference.value, reference.lowest, reference.highest = now.tolist()
            reference.place()
            reference.alarm_edges.extend(alarms[:rung].tolist())
            reference.releases.extend(releases[:set_anew].tolist())
            follower.take(self._edges[:found].copy(), state)
