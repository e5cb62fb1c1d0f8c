"""Passes that need no counting: every release, filter and pair of delays at a level gives the same result."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Flags, Floats
from teachlab.model.teaching import Events
from teachlab.sensor.edges import pieces

Places = NDArray[np.int64]

AT_A_TIME = 1 << 20
"""Evaluations looked at together: all of a long stretch would take several times the memory of its light."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlainPasses:
    """For every level, the passes that need no counting, and the light that must be counted.

    A pass is plain at a level if two things hold. The gap before it never reaches the level, and falls below every
    release early enough for every off-delay. The pass stays below the level, and then every cell of the level loses it;
    or it crosses the level once up and once down for longer than every on-delay, and then it is one right switching in
    every cell.

    `right` (shape (levels,)): number of passes left out that are one right switching; the others that are left out are
    lost.
    `counted` (shape (passes, levels)): whether the light of a pass is counted: of those that are not plain, and of
    their neighbours.
    `begin`, `stop` (shape (passes,), evaluations): stretch of each pass: the gap before it and the pass. The last
    stretch reaches to the end.
    """

    right: Places
    counted: Flags
    begin: Places
    stop: Places

    @classmethod
    def of(
        cls, events: Events, on: Floats, releases: Floats, *, sign: int, consecutive: int, on_delay: int,
        off_delay: int,
    ) -> PlainPasses:  # fmt: skip
        """Examine every pass once.

        `on` (shape (levels,), ascending): levels, turned so that objects go up: light begins at or above them.
        `releases` (shape (levels, releases)): releases of each level, turned: light ends below them.
        `sign`: 1 if objects raise the light, -1 if they lower it.
        `consecutive`, `on_delay`, `off_delay` (evaluations): the longest filter and delays.

        Notes
        -----
        Why the counts stay exact: a plain pass and the gap before it hold one run, that of the pass. This run is longer
        than the on-delay. It begins later after the run before it than the off-delay lasts. No neighbour cuts its
        window. Passes that are not plain are counted together with their neighbours: the run before an onset decides
        whether an off-delay swallows it, and the light after it decides how long it lasts. So a run that is left out
        changes no run that is counted.
        """
        light, size, passes = events.light, events.light.size, events.start.size
        first = (events.start - events.guard).clip(0, size)
        last = (events.end + events.guard).clip(0, size)
        begin = np.append(0, last[:-1])
        wait = consecutive + max(on_delay, off_delay)
        room = first - begin > wait
        # For each gap: its top, and its lowest light early enough for every delay.
        bounds = np.stack((begin, np.where(room, first - wait, begin), first), axis=1).clip(0, size - 1)
        # Light is turned in parts: a turned copy of all would take as much memory again.
        least, most = (np.minimum, np.maximum) if sign > 0 else (np.maximum, np.minimum)
        lows = sign * least.reduceat(light, bounds.ravel()).reshape(passes, 3)[:, 0]
        tops = sign * most.reduceat(light, bounds[:, ::2].ravel()).reshape(passes, 2)[:, 0]
        possible = room & events.detect & (last > first)
        # The stretch of the last pass also holds the light after it, which is not examined here.
        possible[-1:] = False
        quiet = possible[:, None] & (tops[:, None] < on) & (lows[:, None] < releases.min(axis=1))
        once = np.zeros((passes, on.size), bool)
        plain = np.zeros_like(once)
        for rows in parts_of(np.flatnonzero(quiet.any(axis=1)), last - first):
            reached, once[rows] = _crossed_once(
                light, sign, first[rows], last[rows], on, releases.max(axis=1), on_delay + consecutive
            )
            plain[rows] = quiet[rows] & (once[rows] | ~reached)
        counted = ~plain
        counted[1:] |= ~plain[:-1]
        counted[:-1] |= ~plain[1:]
        stop = np.append(last[:-1], size)
        return cls(right=np.count_nonzero(once & ~counted, axis=0), counted=counted, begin=begin, stop=stop)

    @property
    def share(self) -> Floats:
        """Return the share of the light that is counted, for every level."""
        return (self.stop - self.begin) @ self.counted / max(1, int(self.stop[-1]))

    def stretches(self, level: int) -> tuple[Places, Places]:
        """Return where the light that is counted at a level begins and stops, ascending."""
        rows = self.counted[:, level]
        return self.begin[rows], self.stop[rows]


def parts_of(rows: Places, lengths: Places) -> list[Places]:
    """Return rows in parts of about `AT_A_TIME` evaluations, at least a row each; none if there are no rows.

    `lengths` (evaluations): of every row that there is.
    """
    part = (np.cumsum(lengths[rows]) - 1).clip(min=0) // AT_A_TIME
    return np.split(rows, np.flatnonzero(np.diff(part)) + 1) if rows.size else []


def _crossed_once(
    shown: Floats, sign: int, first: Places, last: Places, on: Floats, nearest: Floats, least: int
) -> tuple[Flags, Flags]:
    """Return the levels that each pass reaches, and those that it crosses once up and once down.

    Crossed once: between its first and last evaluation at or above the level, more than `least` apart, the light never
    falls below the `nearest` release.
    """
    lengths = last - first
    light = sign * pieces(shown, first, last)
    rank = np.searchsorted(on, light, side="right")
    ends = np.cumsum(lengths)
    up = _first_reached(rank, lengths, on.size)
    down = _first_reached(rank[::-1], lengths[::-1], on.size)[::-1]
    # Between the crossings of a level lie those of the next higher level. So one look at each flank serves all levels.
    rising = _lows_between(light, up, light.size - down[:, -1])
    falling = _lows_between(light[::-1], down[::-1], light.size - up[::-1, -1])[::-1]
    lows = np.minimum.accumulate(np.minimum(rising, falling)[:, ::-1], axis=1)[:, ::-1]
    reached = np.maximum.reduceat(rank, ends - lengths)[:, None] > np.arange(on.size)
    crossed = light.size - down - up
    return reached, reached & (lows >= nearest) & (crossed > least)


def _first_reached(rank: Places, lengths: Places, levels: int) -> Places:
    """Return where each pass first reaches each level, else where it is highest; shape (passes, levels)."""
    passes = np.arange(lengths.size)
    key = np.maximum.accumulate(rank + np.repeat((levels + 1) * passes, lengths))
    records = np.append(0, np.flatnonzero(key[1:] > key[:-1]) + 1)
    of = key[records]
    at = np.searchsorted(of, (levels + 1) * passes[:, None] + np.arange(1, levels + 1))
    highest = np.searchsorted(of, key[np.cumsum(lengths) - 1])
    return records[np.minimum(at, highest[:, None])]


def _lows_between(light: Floats, at: Places, end: Places) -> Floats:
    """Return the lowest light from each place to the next place in its row, and from the last place to `end`."""
    bounds = np.concatenate((at, end[:, None]), axis=1)
    return np.minimum.reduceat(np.append(light, np.inf), bounds.ravel()).reshape(bounds.shape)[:, :-1]
