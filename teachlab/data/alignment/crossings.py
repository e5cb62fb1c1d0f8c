"""Where the light crosses half of its step near the borders of passes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from teachlab.data.alignment.stretches import KEPT, NearLight, runs_of
from teachlab.light.noise import SIGMA, median

Light = NDArray[np.float32] | NDArray[np.float64]
Places = NDArray[np.float64]

REACH = 1 << 14
"""Samples; a crossing is searched no further than this from a border."""
NEAR = 64
"""Samples; passes within this distance of their expected place are searched in the kept light."""
FEWEST_SAMPLES = 2
"""At least this many samples are needed on either side of a border."""
CLEAR = 4.0
"""The step at a border must be at least this many times the spread of the light before it."""
STEADY = 0.08
"""Light is averaged until its spread is this share of the step."""
TOGETHER = 1 << 17
"""About this many samples are searched at once."""
BOUNCE = 0.25
"""Crossings that follow each other within this share of half a pass or gap are one: light that bounces at a border
crosses several times, and the nearest of them would prove any guess right."""
BACK = 0.35
"""A crossing counts where the light rose from below this share of the step to above the rest."""


@dataclass(frozen=True, slots=True, eq=False)
class Crossings:
    """Crossings of half the local step, in time order; a crossing lies between two samples, as a border does.

    `begins`, `ends` (shape (n,) and (m,), samples): where objects begin, and where they end.
    `edges` (shape (k,), samples): 10–90 % times of the edges nearest to borders.
    `passes`: how many passes were examined.
    """

    begins: Places
    ends: Places
    edges: Places
    passes: int

    @property
    def edge(self) -> float:
        """Median 10–90 % time; NaN if there are no edges, samples."""
        return float(np.median(self.edges)) if self.edges.size else float("nan")

    @classmethod
    def joined(cls, some: Sequence[Crossings]) -> Crossings:
        """Return the crossings beside several groups of passes."""
        begins, ends, edges = (
            np.concatenate([getattr(one, name) for one in some]) for name in ("begins", "ends", "edges")
        )
        return cls(np.unique(begins), np.unique(ends), edges, sum(one.passes for one in some))


@dataclass(frozen=True, slots=True, eq=False)
class Reaches:
    """How far from every border its crossing may be: half of the gap outside, half of the pass inside.

    `before`, `inside`, `after` (shape (passes,), samples): before the start, between start and end, after the end.
    """

    before: Places
    inside: Places
    after: Places

    @classmethod
    def of(cls, start: Places, end: Places, samples: int) -> Reaches:
        """Measure passes ``[start, end)`` of a recording."""
        gap = np.concatenate((start[:1], start[1:] - end[:-1], samples - end[-1:])).clip(min=0)
        # The gaps at the ends of the record are not shared with a neighbour.
        half = gap / 2
        if gap.size > 1:
            half[[0, -1]] = gap[[0, -1]]
        return cls(*(np.minimum(part, REACH) for part in (half[:-1], (end - start) / 2, half[1:])))

    def of_rows(self, rows: NDArray[np.int64]) -> Reaches:
        """Return the reaches of some passes."""
        return Reaches(self.before[rows], self.inside[rows], self.after[rows])


class _Border(NamedTuple):
    """Light around a border, turned upwards; where the border is in it, and where its first sample is."""

    light: Light
    at: int
    origin: int
    way: int


def crossings_beside(
    light: NearLight, start: Places, end: Places, reach: Reaches, samples: int, runs: Sequence[tuple[int, int]]
) -> Crossings:  # fmt: skip
    """Return all crossings within reach of the borders of the passes of some runs.

    `start`, `end` (shape (passes,), samples): passes ``[start, end)``, on the clock of the light.
    `reach`: of all passes.
    `samples`: length of the recording.
    `runs`: passes ``[first, stop)`` that are examined.
    """
    begins: list[Places] = []
    ends: list[Places] = []
    edges: list[float] = []

    def taken(together: list[_Border]) -> None:
        found = rises([(one.light, one.at) for one in together])
        for one, (places, edge) in zip(together, found, strict=True):
            middles = _middles(places, BOUNCE * min(one.at, one.light.size - one.at))
            (begins if one.way > 0 else ends).append(one.origin + one.way * middles)
            if places.size:
                edges.append(edge)

    together: list[_Border] = []
    for k in (k for run in runs for k in _reading(light, run, start, end, samples)):
        for border, out, into, way in (
            (float(start[k]), float(reach.before[k]), float(reach.inside[k]), 1),
            (float(end[k]), float(reach.after[k]), float(reach.inside[k]), -1),
        ):
            back, forth = (out, into) if way > 0 else (into, out)
            a, b = max(0, round(border - back)), min(samples, round(border + forth))
            middle = min(max(round(border), a), b)
            origin = a if way > 0 else b
            together.append(_Border(light.read(a, b)[::way], way * (middle - origin), origin, way))
        if sum(one.light.size for one in together) > TOGETHER:
            taken(together)
            together = []
    taken(together)
    known = np.array([edge for edge in edges if edge == edge])
    passes = sum(stop - first for first, stop in runs)
    first, last = (np.unique(np.concatenate([*side, np.empty(0)])) for side in (begins, ends))
    return Crossings(first, last, known, passes)


def _middles(places: Places, near: float) -> Places:
    """Return the places of crossings; of those that follow each other within `near`, the middle.

    Examples
    --------
    >>> _middles(np.array([3.0, 4.0, 6.0, 40.0]), 2).tolist()
    [4.5, 40.0]
    """
    if places.size < 2:
        return places
    first = np.concatenate(([True], np.diff(places) > near))
    middles: Places = (places[first] + places[np.append(first[1:], True)]) / 2
    return middles


def stretches_of(start: Places, end: Places, samples: int) -> list[tuple[int, int]]:
    """Return the samples ``[first, stop)`` in which crossings will be searched if the passes are where expected."""
    reach, found = Reaches.of(start, end, samples), []
    for first, stop in runs_of(start.size):
        if first >= stop:
            continue
        a, b = max(0, int(start[first]) - REACH), min(samples, int(end[stop - 1]) + REACH)
        if b - a <= KEPT:
            found.append((a, b))
            continue
        for at, out, into in ((start, reach.before, reach.inside), (end, reach.inside, reach.after)):
            low, high = at[first:stop] - out[first:stop] - NEAR, at[first:stop] + into[first:stop] + NEAR
            found += zip(low.clip(min=0).astype(int).tolist(), high.clip(max=samples).astype(int).tolist(), strict=True)
    return found


def _reading(light: NearLight, run: tuple[int, int], start: Places, end: Places, samples: int) -> range:
    """Have the light around a run read at once, and return its passes."""
    first, stop = run
    if first < stop:
        light.keep(max(0, int(start[first]) - REACH), min(samples, int(end[stop - 1]) + REACH))
    return range(first, stop)


def rises(borders: Sequence[tuple[Light, int]]) -> list[tuple[Places, float]]:
    """Return for each border where light rises through half of its step, and the 10–90 % time of the nearest rise.

    `borders`: light, shape (n,), recording units, NaN where invalid, turned so that the object is up and after the
    border; and the first sample after it.
    Places are on the scale of borders: 3.5 is the middle of sample 3, so light that is at half of the step at
    sample 3 has its border there. The time is NaN if the rise has no foot or no top.

    Notes
    -----
    The step goes from the median before the border to the median after it; if that median is less than half as high as
    the largest level there, to this level: clear objects only have walls. Noisy light is first averaged over an odd
    number of samples, at most an eighth of the shorter side; this moves no crossing of an edge between two levels. If
    the step is then less than four times the spread of the light before it, the border has no crossing.

    Examples
    --------
    >>> [(places, edge)] = rises([(np.array([0, 0, 0, 0, 4, 8, 8, 8, 8.0]), 4)])
    >>> places.tolist(), round(edge, 9)
    ([4.5], 1.6)
    """
    out = []
    with np.errstate(over="ignore", invalid="ignore"):  # a step next to nothing, or light at the end of all numbers
        steps = [_step_of(light, border) for light, border in borders]
        found = iter(_crossings([step for step in steps if step is not None]))
        for step, (_, border) in zip(steps, borders, strict=True):
            places, tops = (np.empty(0), np.empty(0, np.int64)) if step is None else next(found)
            edge = float("nan")
            if step is not None and places.size:
                edge = _edge(*step, int(tops[np.abs(places - border).argmin()]))
            out.append((places, edge))
    return out


def _step_of(light: Light, border: int) -> tuple[Light, float, float] | None:
    """Return light, averaged where it is noisy, with the level before a border and the step; None without a step."""
    outside, behind = light[:border], light[border:]
    if holes := bool(np.isnan(light).any()):
        outside, behind = (side[~np.isnan(side)] for side in (outside, behind))
    if min(outside.size, behind.size) < FEWEST_SAMPLES or 2 * (outside.size + behind.size) < light.size:
        return None
    base, step = _step(outside, behind)
    if not step > 0:
        return None
    if holes:
        valid = ~np.isnan(light)
        light = light[np.maximum.accumulate(np.where(valid, np.arange(light.size), np.argmax(valid)))]
    if not _is_steady(outside, base, step):
        light = light.astype(np.float64)
        share = min(_spread(outside, base) / step / STEADY, 1e4)
        width = min(int(share**2), min(border, light.size - border) // 8) // 2 * 2 + 1
        if width > 1:
            light = np.convolve(np.pad(light, width // 2, mode="edge"), np.full(width, 1 / width), "valid")
            outside = light[:border]
            base, step = _step(outside, light[border:])
        if not step > CLEAR * _spread(outside, base) or step <= 0:
            return None
    return light, base, step


def _step(outside: Light, behind: Light) -> tuple[float, float]:
    """Return the level before a border, and the step behind it."""
    base, middle, peak = median(outside), median(behind), float(behind.max())
    return base, (middle if 2 * (middle - base) >= peak - base else peak) - base


def _spread(outside: Light, base: float) -> float:
    """Return the spread of light about its median, as a standard deviation."""
    return SIGMA * median(np.abs(outside.astype(np.float64) - base))


def _is_steady(outside: Light, base: float, step: float) -> bool:
    """Whether the spread is at most `STEADY` of the step: counted, since a median takes several times as long."""
    near = STEADY * step / SIGMA
    return bool(2 * np.count_nonzero((outside >= base - near) & (outside <= base + near)) > outside.size)


def _crossings(some: Sequence[tuple[Light, float, float]]) -> list[tuple[Places, NDArray[np.int64]]]:
    """Return where light rises through half of a step from below `BACK` to above the rest, and the sample after.

    Many pieces of light, each with base and step, are searched at once: of short ones the calls take most of the time.
    """
    if not some:
        return []
    stop = np.cumsum([light.size for light, _, _ in some])
    start = np.append(0, stop[:-1])
    low, high, above = np.empty((3, int(stop[-1])), bool)
    for (one, level, height), a, b in zip(some, start.tolist(), stop.tolist(), strict=True):
        np.less(one, level + BACK * height, out=low[a:b])
        np.greater_equal(one, level + (1 - BACK) * height, out=high[a:b])
        np.greater_equal(one, level + 0.5 * height, out=above[a:b])
    state = high.view(np.int8) - low.view(np.int8)
    # Before a piece nothing is known: no rise ends at its first sample, and none begins there in the middle of a step.
    first = state[start]
    first[first == 0] = 1
    state[start] = first
    # Only where the state becomes another one a rise may end, and of what lies between nothing need be known.
    new = np.empty(state.size, bool)
    np.not_equal(state[1:], state[:-1], out=new[1:])
    new[start] = True
    known = new.nonzero()[0]
    value = state[known]
    decided = value.nonzero()[0]
    known, value = known[decided], value[decided]
    turns = known[1:][(value[1:] > 0) & (value[:-1] < 0)]
    turns = turns[start[start.searchsorted(turns, side="right") - 1] != turns]
    # The last rise through a half before the top.
    up = (above[1:] > above[:-1]).nonzero()[0] + 1
    at = up[up.searchsorted(turns, side="right") - 1] if turns.size else turns
    piece = start.searchsorted(at, side="right") - 1
    light, base, step = np.concatenate([one for one, _, _ in some]), *np.array([one[1:] for one in some]).T
    under, over = ((light[k].astype(np.float64) - base[piece]) / step[piece] for k in (at - 1, at))
    share = (0.5 - under) / (over - under)
    share[np.isnan(share)] = 0.5
    at -= start[piece]
    cuts = piece.searchsorted(np.arange(1, len(some)))
    return [*zip(np.split(at - 1 + share + 0.5, cuts), np.split(at, cuts), strict=True)]


def _edge(light: Light, base: float, step: float, at: int) -> float:
    """Return how long the rise through sample `at` takes from its last 10 % to its first 90 %."""
    foot, top = light[:at][::-1] <= base + 0.1 * step, light[at:] >= base + 0.9 * step
    a, b = at - 1 - int(foot.argmax()), at + int(top.argmax())
    if not (foot[at - 1 - a] and top[b - at]):
        return float("nan")
    foot_, after, before, top_ = ((float(light[k]) - base) / step for k in (a, a + 1, b - 1, b))
    return b - (top_ - 0.9) / (top_ - before) - (a + (0.1 - foot_) / (after - foot_))
