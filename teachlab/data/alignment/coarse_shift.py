"""First estimate of the difference of two clocks: edge trains of truth and light, correlated run by run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from teachlab.data.alignment.shift import MOST_RATE, ClockShift
from teachlab.data.alignment.stretches import MOST_PASSES, RUNS, Bin, NearLight, runs_of
from teachlab.model.arrays import Floats

BINS_PER_PASS = 8
"""Bins per short pass or gap."""
REACH_PASSES = 8
"""In a long recording, shifts of up to this many passes are searched; in a single run, shifts of any size."""
MOST_BINS = 1 << 18
"""About so many bins of each of `RUNS` runs are held: short passes in long gaps get fewer passes, then wider bins."""
LOOPED, BLOCK, MOST_BLOCKS = 2 * 10**8, 32, 1 << 13
"""More sums than these are bounded first, for blocks of slips and lags; at most so many blocks are then summed."""
GROUPS = 16
FEWEST_IN_GROUP, FEWEST_IN_RUN = 16, 4
ALIKE = 0.97
NEAR_PASSES = 2.5
"""Shifts of up to this many passes are searched separately: among thousands of shifts one may fit by chance."""


@dataclass(frozen=True, slots=True, eq=False)
class Train:
    """Correlation of a group of passes with the light, over the shift.

    `at` (samples): middle of the group.
    `first` (bins): the shift of the first element.
    `values`: one per bin.
    """

    at: float
    first: int
    values: Floats


def coarse_shifts(light: NearLight, start: Floats, end: Floats, samples: int) -> list[ClockShift]:
    """Return where the edges of truth and light agree best, to about a bin: within 2.5 passes, anywhere, unshifted."""
    if start.size == 0:
        return [ClockShift(samples)]
    search = _Search.of(start, end)
    width, pitch = search.width, search.pitch or float(samples)
    trains = [train for run in search.runs for train in _trains(light, start, end, samples, search, *run)]
    if not trains:
        return [ClockShift(samples)]
    widest = float(samples) if len(search.runs) == 1 else search.reach * pitch
    near, anywhere = _best(trains, width, samples, (NEAR_PASSES * pitch, widest))
    # Walls of clear objects are edges too and may fit better when shifted: the unshifted truth is always tried.
    asis = [] if near.most <= width * BINS_PER_PASS / 4 else [ClockShift(samples)]
    return [*asis, near] if near == anywhere else [*asis, near, anywhere]


def bins_of(start: Floats, end: Floats, samples: int) -> list[Bin]:
    """Return the bins that the coarse step will need."""
    return [bins for *_, bins in bins_of_runs(start, end, samples)]


def bins_of_runs(start: Floats, end: Floats, samples: int) -> list[tuple[int, int, Bin]]:
    """Return the runs ``[first, stop)`` of passes that the coarse step examines, with the bins about each."""
    if start.size == 0:
        return []
    search = _Search.of(start, end)
    reaches = [(first, stop, *_reach(start, end, samples, search, first, stop)) for first, stop in search.runs]
    return [(first, stop, (low, high, search.width)) for first, stop, low, high, _ in reaches]


class _Search(NamedTuple):
    """What is correlated: runs ``[first, stop)`` of passes, over shifts of `reach` passes, in bins of `width` samples.

    `pitch` (samples): from pass to pass; 0 with one pass.
    """

    runs: list[tuple[int, int]]
    reach: float
    width: int
    pitch: float

    @classmethod
    def of(cls, start: Floats, end: Floats) -> _Search:
        passes, width = start.size, _bin_width(start, end)
        runs, reach = runs_of(passes), float(REACH_PASSES)
        pitch = float(np.median(np.diff(start))) if passes > 1 else 0.0
        span = pitch * sum(stop - first + 2 * reach for first, stop in runs)
        if span <= RUNS * MOST_BINS * width:
            return cls(runs, reach, width, pitch)
        # Short passes in long gaps would take billions of bins: a few passes of each run tell a shift as well.
        few = min(passes, MOST_PASSES // RUNS)
        while few > FEWEST_IN_RUN and (few + 2 * reach) * pitch > MOST_BINS * width:
            few = max(FEWEST_IN_RUN, few // 2)
        if (few + 2 * reach) * pitch > MOST_BINS * width:
            reach = NEAR_PASSES
        runs = [(a, a + few) for a in np.unique(np.linspace(0, passes - few, RUNS).astype(int)).tolist()]
        return cls(runs, reach, max(width, int((few + 2 * reach) * pitch / MOST_BINS)), pitch)


def _bin_width(start: Floats, end: Floats) -> int:
    gaps = start[1:] - end[:-1]
    spans = np.concatenate([end - start, gaps[gaps > 0]])
    return max(1, int(np.quantile(spans, 0.1) / BINS_PER_PASS))


def _reach(
    start: Floats, end: Floats, samples: int, search: _Search, first: int, stop: int
) -> tuple[int, int, float]:  # fmt: skip
    """Return the samples ``[low, high)`` around a run of passes, and the range of shifts that is searched."""
    a, b = float(start[first]), float(end[stop - 1])
    pitch = (b - a) / (stop - first)
    slip = MOST_RATE * max(abs(a - samples / 2), abs(b - samples / 2))
    whole = stop - first == start.size
    margin = float(samples) if whole else search.reach * pitch + slip
    margin = min(margin, max((MOST_BINS * search.width - (b - a)) / 2, search.reach * pitch))
    return max(0, int(a - margin)), min(samples, int(b + margin)), margin


def _trains(
    light: NearLight, start: Floats, end: Floats, samples: int, search: _Search, first: int, stop: int
) -> list[Train]:  # fmt: skip
    (low, high, margin), width = _reach(start, end, samples, search, first, stop), search.width
    if high - low < 2 * width:
        return []
    levels = light.binned(low, high, width)
    known = np.flatnonzero(~np.isnan(levels))
    if known.size < 2:
        return []
    if known.size < levels.size:
        levels = levels[known[np.searchsorted(known, np.arange(levels.size), side="right").clip(1) - 1]]
    change = np.diff(levels)
    # Only as many of the largest changes count in full as there are edges: a spark must not outweigh a pass.
    place = max(0, change.size - 1 - (stop - first))
    change = np.clip(change, -(limit := np.partition(np.abs(change), place)[place]), limit)
    if not limit > 0:
        return []
    count = max(1, min(GROUPS, (stop - first) // FEWEST_IN_GROUP))
    reach = int(margin / width)
    # So long that what is moved out at one end does not come in at the other; and quickly transformed.
    least = change.size + 2 + reach
    long = min(odd << max(0, int(np.ceil(np.log2(least / odd)))) for odd in (1, 3, 5, 9, 15))
    groups = np.array_split(np.arange(first, stop), count)
    trains = np.zeros((count, long))
    row = np.repeat(np.arange(count), [rows.size for rows in groups])
    for places, sign in ((start[first:stop], 1.0), (end[first:stop], -1.0)):
        # A border at p is the change between the two bins beside it.
        at = np.floor((places - low) / width - 0.5).astype(np.int64)
        for beside, weight in ((-1, 0.5), (0, 1.0), (1, 0.5)):
            np.add.at(trains, (row, (at + beside) % long), sign * weight)
    values = np.fft.irfft(np.fft.rfft(change, long) * np.conj(np.fft.rfft(trains)), long) / limit
    return [
        Train(float((start[rows[0]] + end[rows[-1]]) / 2), -reach, np.append(found[long - reach :], found[: reach + 1]))
        for rows, found in zip(groups, values, strict=True)
    ]


def _best(trains: list[Train], width: int, samples: int, most: tuple[float, ...]) -> list[ClockShift]:
    """Add the trains along every difference of rate; return for each the best shift of at most so many samples."""
    far = max(abs(train.at - samples / 2) for train in trains)
    steps = int(MOST_RATE * far / width)
    reach = min(-train.first for train in trains)
    halves = [min(reach, int(limit / width)) for limit in most]
    widest = max(halves)
    # Outside the correlated range nothing agrees: every train is a row, with room for the largest slip on either side.
    rows = np.zeros((len(trains), 2 * (widest + steps) + 1))
    room = min(reach, widest + steps)
    for row, train in zip(rows, trains, strict=True):
        middle = -train.first
        row[widest + steps - room : widest + steps + room + 1] = train.values[middle - room : middle + room + 1]
    share = np.array([(train.at - samples / 2) / far if far else 0.0 for train in trains])
    slips = range(-(steps // 2) * 2, steps + 1, 2)
    # An edge counts in the bins beside its own as well, so that every second slip is enough.
    sums = _all_sums if len(slips) * rows.size <= LOOPED else _largest_sums
    return [_chosen(best, width, samples, far) for best in sums(rows, share, slips, halves, steps)]


def _all_sums(
    rows: Floats, share: Floats, slips: Sequence[int], halves: list[int], steps: int
) -> list[list[tuple[float, int, int]]]:
    """Return for each reach of lags, at every slip, the largest sum of the rows, the slip and the lag."""
    widest = max(halves)
    found: list[list[tuple[float, int, int]]] = [[] for _ in halves]
    for slip in slips:
        begins = steps + np.rint(slip * share).astype(int)
        total = np.zeros(2 * widest + 1)
        for row, begin in zip(rows, begins.tolist(), strict=True):
            total += row[begin : begin + total.size]
        for best, half in zip(found, halves, strict=True):
            near = total[widest - half : widest + half + 1]
            pick = int(np.argmax(near))
            best.append((float(near[pick]), slip, pick - half))
    return found


def _largest_sums(
    rows: Floats, share: Floats, slips: Sequence[int], halves: list[int], steps: int
) -> list[list[tuple[float, int, int]]]:
    """Return what `_all_sums` returns, of slips whose largest sum is at least `ALIKE` times the largest of all.

    Blocks of slips and lags are bounded by the largest values that their rows can meet; then the most promising ones
    are summed, until no other can reach so much.
    """
    from scipy.ndimage import maximum_filter1d

    # At each place the largest value of a block of lags from there on, for slips up to a block away.
    most = maximum_filter1d(rows, 4 * BLOCK + 2, axis=1, origin=-BLOCK, mode="constant", cval=0.0)
    return [_largest_within(rows, most, share, slips, half, steps) for half in halves]


def _largest_within(
    rows: Floats, most: Floats, share: Floats, slips: Sequence[int], half: int, steps: int
) -> list[tuple[float, int, int]]:
    """Return the largest sums of lags up to a half; `most` bounds the rows over a block of lags and slips."""
    widest, lags = (rows.shape[1] - 1) // 2 - steps, 2 * BLOCK
    middles = np.arange(slips[0] + BLOCK, slips[-1] + BLOCK + 1, 2 * BLOCK)
    at = widest - half + np.arange(0, 2 * half + 1, lags)
    bounds = np.zeros((middles.size, at.size))
    for block, middle in zip(bounds, middles.tolist(), strict=True):
        begins = steps + np.rint(middle * share).astype(int)
        for row, begin in zip(most, begins.tolist(), strict=True):
            block += row[(begin + at).clip(0, row.size - 1)]
    order = np.argsort(-bounds, axis=None, kind="stable")[:MOST_BLOCKS]
    best: dict[int, tuple[float, int]] = {}
    top = 0.0
    for k in order.tolist():
        i, j = divmod(k, at.size)
        if bounds[i, j] < ALIKE * top:
            break
        own = np.arange(middles[i] - BLOCK, middles[i] + BLOCK, 2)
        own = own[(own >= slips[0]) & (own <= slips[-1])]
        places = at[j] + np.arange(min(lags, 2 * half + 1 - j * lags))
        shifts = steps + np.rint(own[:, None] * share).astype(int)
        sums = rows[np.arange(len(rows))[:, None], shifts[:, :, None] + places].sum(axis=1)
        for slip, values in zip(own.tolist(), sums, strict=True):
            value, lag = float(values.max()), int(places[int(np.argmax(values))]) - widest
            if slip not in best or value > best[slip][0]:
                best[slip] = value, lag
        top = max(top, float(sums.max(initial=0.0)))
    return [(value, slip, lag) for slip, (value, lag) in sorted(best.items())] or [(0.0, 0, 0)]


def _chosen(best: list[tuple[float, int, int]], width: int, samples: int, far: float) -> ClockShift:
    top = max(value for value, _, _ in best)
    if not top > 0:
        return ClockShift(samples)
    # Rates that agree to a bin are equivalent: take the smallest of them.
    _, slip, lag = min((row for row in best if row[0] >= ALIKE * top), key=lambda row: abs(row[1]))
    return ClockShift(samples, float(lag * width), slip * width / far if far else 0.0)
