"""Passes that need no counting: every release, filter and pair of delays at a level gives the same result."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Flags, Floats
from teachlab.model.truth import Truth
from teachlab.sensor.edges import pieces
from teachlab.teaching.cells.ranked_light import RankedLight

Places = NDArray[np.int64]

WIDER, LITTLE = 2.0, 1 << 12
"""Levels are counted together on up to so many times the light that each needs alone, and on so many evaluations."""
AT_A_TIME = 1 << 20
"""Evaluations looked at together: all of a long stretch would take several times the memory of its light."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlainPasses:
    """For every level, the passes that need no counting, and the light that must be counted.

    A pass is plain at a level if two things hold. The gap before it never reaches the level, and falls below every
    release early enough for every off-delay. The pass stays below the level, and then every cell of the level loses it;
    or it crosses the level once up and once down for longer than every on-delay, and then it is one right switching in
    every cell.

    `once` (shape (passes, levels)): whether a pass is one right switching if it is left out; the others that are left
    out are lost.
    `counted` (shape (passes, levels)): whether the light of a pass is counted: of those that are not plain, and of
    their neighbours.
    `begin`, `stop` (shape (passes,), evaluations): stretch of each pass: the gap before it and the pass. The last
    stretch reaches to the end.
    """

    once: Flags
    counted: Flags
    begin: Places
    stop: Places

    @classmethod
    def of(
        cls, truth: Truth, light: RankedLight, on: Places, releases: Places, *, guard: int, rise: bool,
        consecutive: int, on_delay: int, off_delay: int,
    ) -> PlainPasses:  # fmt: skip
        """Examine every pass once.

        `truth`: passes shown; `guard` (evaluations): how much wider their windows are, on either side.
        `on` (shape (levels,), ascending): marks of the levels, light turned so that objects go up: light begins there.
        `releases` (shape (levels, releases)): marks of the releases of each level, turned: light ends below them.
        `rise`: whether objects raise the light.
        `consecutive`, `on_delay`, `off_delay` (evaluations): the longest filter and delays.

        Notes
        -----
        Why the counts stay exact: a plain pass and the gap before it hold one run, that of the pass. This run is longer
        than the on-delay. It begins later after the run before it than the off-delay lasts. No neighbour cuts its
        window. Passes that are not plain are counted together with their neighbours: the run before an onset decides
        whether an off-delay swallows it, and the light after it decides how long it lasts. So a run that is left out
        changes no run that is counted.
        """
        ranks, size, passes = light.ranks, light.ranks.size, truth.start.size
        first = (truth.start - guard).clip(0, size)
        last = (truth.end + guard).clip(0, size)
        begin = np.append(0, last[:-1])
        wait = consecutive + max(on_delay, off_delay)
        room = first - begin > wait
        # For each gap: its top, and its lowest light early enough for every delay.
        bounds = np.stack((begin, np.where(room, first - wait, begin), first), axis=1).clip(0, size - 1)
        # Light is turned in parts: a turned copy of all would take as much memory again.
        least, most = (np.minimum, np.maximum) if rise else (np.maximum, np.minimum)
        lows = light.turned(least.reduceat(ranks, bounds.ravel()).reshape(passes, 3)[:, 0], rise)
        tops = light.turned(most.reduceat(ranks, bounds[:, ::2].ravel()).reshape(passes, 2)[:, 0], rise)
        possible = room & truth.detect & (last > first)
        if light.invalid is not None:
            missing = np.flatnonzero(light.invalid)
            possible &= np.searchsorted(missing, begin) == np.searchsorted(missing, last)
        # The stretch of the last pass also holds the light after it, which is not examined here.
        possible[-1:] = False
        quiet = possible[:, None] & (tops[:, None] < on) & (lows[:, None] < releases.min(axis=1))
        once = np.zeros((passes, on.size), bool)
        plain = np.zeros_like(once)
        for rows in parts_of(np.flatnonzero(quiet.any(axis=1)), last - first):
            reached, once[rows] = _crossed_once(
                light, rise, first[rows], last[rows], on, releases.max(axis=1), on_delay + consecutive
            )
            plain[rows] = quiet[rows] & (once[rows] | ~reached)
        counted = ~plain
        counted[1:] |= ~plain[:-1]
        counted[:-1] |= ~plain[1:]
        stop = np.append(last[:-1], size)
        return cls(once=once, counted=counted, begin=begin, stop=stop)

    @property
    def share(self) -> Floats:
        """Return the share of the light that is counted, for every level."""
        return (self.stop - self.begin) @ self.counted / max(1, int(self.stop[-1]))

    def groups(self, levels: Places) -> list[Places]:
        """Return levels in groups, which hardly more light must be counted for together than for each alone."""
        lengths, out = self.stop - self.begin, list[Places]()
        alone, together = 0, np.zeros_like(lengths, bool)
        for level in levels.tolist():
            rows = self.counted[:, level]
            wider = np.logical_or(together, rows)
            alone += int(lengths[rows].sum())
            size = len(out[-1]) + 1 if out else 1
            if out and size * int(lengths[wider].sum()) <= WIDER * alone + size * LITTLE:
                out[-1], together = np.append(out[-1], level), wider
            else:
                out.append(np.array([level]))
                alone, together = int(lengths[rows].sum()), rows
        return out

    def stretches(self, levels: Places) -> tuple[Places, Places, Places]:
        """Return where the light that is counted at any of some levels begins and stops, and what is `right` beside.

        Begins and stops are ascending. A plain pass that is counted all the same is no longer left out.
        """
        rows: Flags = np.logical_or.reduce(self.counted[:, levels], axis=1)
        right = np.count_nonzero(self.once[:, levels] & ~rows[:, None], axis=0)
        return self.begin[rows], self.stop[rows], right


def parts_of(rows: Places, lengths: Places) -> list[Places]:
    """Return rows in parts of about `AT_A_TIME` evaluations, at least a row each; none if there are no rows.

    `lengths` (evaluations): of every row that there is.
    """
    part = (np.cumsum(lengths[rows]) - 1).clip(min=0) // AT_A_TIME
    return np.split(rows, np.flatnonzero(np.diff(part)) + 1) if rows.size else []


def _crossed_once(
    shown: RankedLight, rise: bool, first: Places, last: Places, on: Places, nearest: Places, least: int
) -> tuple[Flags, Flags]:
    """Return the levels that each pass reaches, and those that it crosses once up and once down.

    Crossed once: between its first and last evaluation at or above the level, more than `least` apart, the light never
    falls below the `nearest` release.
    """
    lengths = last - first
    light = pieces(shown.ranks, first, last)
    # Where the rank stays as it is, nothing is crossed: of equal ones in a row the first stands for all.
    new = np.append(True, light[1:] != light[:-1])
    new[np.cumsum(lengths) - lengths] = True
    at = np.append(np.flatnonzero(new), light.size)
    light = shown.turned(light[at[:-1]], rise)
    lengths = np.diff(np.searchsorted(at, np.append(0, np.cumsum(lengths))))
    rank = np.searchsorted(on, light, side="right")
    ends = np.cumsum(lengths)
    up = _first_reached(rank, lengths, on.size)
    down = _first_reached(rank[::-1], lengths[::-1], on.size)[::-1]
    # Between the crossings of a level lie those of the next higher level. So one look at each flank serves all levels.
    rising = _lows_between(light, up, light.size - down[:, -1])
    falling = _lows_between(light[::-1], down[::-1], light.size - up[::-1, -1])[::-1]
    lows = np.minimum.accumulate(np.minimum(rising, falling)[:, ::-1], axis=1)[:, ::-1]
    reached = np.maximum.reduceat(rank, ends - lengths)[:, None] > np.arange(on.size)
    crossed = at[light.size - down] - at[up]
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


def _lows_between(light: Places, at: Places, end: Places) -> Places:
    """Return the lowest rank from each place to the next place in its row, and from the last place to `end`."""
    bounds = np.concatenate((at, end[:, None]), axis=1)
    highest = np.iinfo(light.dtype).max
    return np.minimum.reduceat(np.append(light, highest), bounds.ravel()).reshape(bounds.shape)[:, :-1]
