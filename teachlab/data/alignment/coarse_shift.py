"""First estimate of the difference of two clocks: edge trains of truth and light, correlated run by run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from teachlab.data.alignment.shift import MOST_RATE, ClockShift
from teachlab.data.alignment.stretches import MOST_PASSES, Bin, NearLight, runs_of

Floats = NDArray[np.float64]

BINS_PER_PASS = 8
"""Bins per short pass or gap."""
REACH_PASSES = 8
"""In a long recording, shifts of up to this many passes are searched; in a single run, shifts of any size."""
MOST_BINS = 1 << 18
GROUPS = 16
FEWEST_IN_GROUP = 16
ALIKE = 0.97
NEAR_PASSES = 2.5
"""Shifts of up to this many passes are searched separately: among thousands of shifts one may fit by chance."""


@dataclass(frozen=True, slots=True, eq=False)
class Train:
    """Correlation of a group of passes with the light, over the shift.

    `at` (float, samples): middle of the group.
    `first` (int, bins): the shift of the first element.
    `values` (ndarray of float64): one per bin.
    """

    at: float
    first: int
    values: Floats


def coarse_shifts(light: NearLight, start: Floats, end: Floats, samples: int) -> list[ClockShift]:
    """Return where the edges of truth and light agree best, to about a bin: within 2.5 passes, anywhere, unshifted."""
    if start.size == 0:
        return [ClockShift(samples)]
    width = _bin_width(start, end)
    trains = [
        train
        for first, stop in runs_of(start.size)
        for train in _trains(light, start, end, samples, width, first, stop)
    ]
    if not trains:
        return [ClockShift(samples)]
    pitch = float(np.median(np.diff(start))) if start.size > 1 else float(samples)
    widest = float(samples) if start.size <= MOST_PASSES else REACH_PASSES * pitch
    near, anywhere = _best(trains, width, samples, (NEAR_PASSES * pitch, widest))
    # Walls of clear objects are edges too and may fit better when shifted: the unshifted truth is always tried.
    asis = [] if near.most <= width * BINS_PER_PASS / 4 else [ClockShift(samples)]
    return [*asis, near] if near == anywhere else [*asis, near, anywhere]


def bins_of(start: Floats, end: Floats, samples: int) -> list[Bin]:
    """Return the bins that the coarse step will need."""
    if start.size == 0:
        return []
    width = _bin_width(start, end)
    reaches = (_reach(start, end, samples, width, *run) for run in runs_of(start.size))
    return [(low, high, width) for low, high, _ in reaches]


def _bin_width(start: Floats, end: Floats) -> int:
    gaps = start[1:] - end[:-1]
    spans = np.concatenate([end - start, gaps[gaps > 0]])
    return max(1, int(np.quantile(spans, 0.1) / BINS_PER_PASS))


def _reach(
    start: Floats, end: Floats, samples: int, width: int, first: int, stop: int
) -> tuple[int, int, float]:  # fmt: skip
    """Return the samples ``[low, high)`` around a run of passes, and the range of shifts that is searched."""
    a, b = float(start[first]), float(end[stop - 1])
    pitch = (b - a) / (stop - first)
    slip = MOST_RATE * max(abs(a - samples / 2), abs(b - samples / 2))
    whole = stop - first == start.size
    margin = float(samples) if whole else REACH_PASSES * pitch + slip
    margin = min(margin, max((MOST_BINS * width - (b - a)) / 2, REACH_PASSES * pitch))
    return max(0, int(a - margin)), min(samples, int(b + margin)), margin


def _trains(
    light: NearLight, start: Floats, end: Floats, samples: int, width: int, first: int, stop: int
) -> list[Train]:  # fmt: skip
    low, high, margin = _reach(start, end, samples, width, first, stop)
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
    found: list[list[tuple[float, int, int]]] = [[] for _ in most]
    # An edge counts in the bins beside its own as well, so that every second slip is enough.
    for slip in range(-(steps // 2) * 2, steps + 1, 2):
        begins = steps + np.rint(slip * share).astype(int)
        total = np.zeros(2 * widest + 1)
        for row, begin in zip(rows, begins.tolist(), strict=True):
            total += row[begin : begin + total.size]
        for best, half in zip(found, halves, strict=True):
            near = total[widest - half : widest + half + 1]
            pick = int(np.argmax(near))
            best.append((float(near[pick]), slip, pick - half))
    return [_chosen(best, width, samples, far) for best in found]


def _chosen(best: list[tuple[float, int, int]], width: int, samples: int, far: float) -> ClockShift:
    top = max(value for value, _, _ in best)
    if not top > 0:
        return ClockShift(samples)
    # Rates that agree to a bin are equivalent: take the smallest of them.
    _, slip, lag = min((row for row in best if row[0] >= ALIKE * top), key=lambda row: abs(row[1]))
    return ClockShift(samples, float(lag * width), slip * width / far if far else 0.0)
