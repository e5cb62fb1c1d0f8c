"""Whether the light of passes lies above that of the gaps beside them, where its edges are lost in noise."""

from __future__ import annotations

import numpy as np
from scipy.special import bdtrc

from teachlab.data.alignment.coarse_shift import BINS_PER_PASS, bins_of_runs
from teachlab.data.alignment.stretches import NearLight
from teachlab.model.arrays import Floats

NEAR = BINS_PER_PASS // 4
"""Bins by which passes that lie where the light is may seem to be shifted: a quarter of a short pass."""
MOST_TRIED = 64
"""Shifts to either side that are tried, up to one pitch."""


def shown_by_means(light: NearLight, start: Floats, end: Floats, samples: int, least: float) -> bool:
    """Tell whether the means of the light show the passes where they lie.

    `start`, `end` (shape (n,), samples): passes, in time order.
    `least` (nats): evidence against chance that it takes.

    Notes
    -----
    Of light that does not show a pass, the mean over it is above that of as much of its gaps as often as below. How
    many passes lie above is counted for every shift up to a pitch. The largest count must be unlikely by chance and
    lie within a quarter of a short pass.
    """
    counts: dict[int, int] = {}
    known = 0
    for first, stop, (low, high, width) in bins_of_runs(start, end, samples):
        levels = light.binned(low, high, width)
        pitch = (start[stop - 1] - start[first]) / max(1, stop - first - 1) / width
        step = max(1, min(NEAR, int(pitch / MOST_TRIED)))
        reach = int(pitch / step)
        if levels.size == 0 or not reach:
            continue
        begins, ends = ((side[first:stop] - low) / width for side in (start, end))
        above, seen = _above(levels, begins, ends, step * reach, step)
        known += seen
        for lag, count in above.items():
            counts[lag] = counts.get(lag, 0) + count
    if not known:
        return False
    best = max(counts.values())
    near = max((count for lag, count in counts.items() if abs(lag) <= NEAR), default=0)
    return near == best and float(bdtrc(best - 1, known, 0.5)) * len(counts) <= np.exp(-least)


def _above(levels: Floats, start: Floats, end: Floats, reach: int, step: int) -> tuple[dict[int, int], int]:
    """Count for every shift the passes whose light is above that of the gaps beside them, of how many.

    `levels`: means of bins; `start`, `end`, `reach`, `step`: in bins.
    """
    sums = np.concatenate(([0.0], np.cumsum(np.nan_to_num(levels))))
    held = np.concatenate(([0], np.cumsum(~np.isnan(levels))))
    a, b = np.ceil(start).astype(int), np.floor(end).astype(int)
    # As much of the gaps as of the pass: then sparks fall into either as often.
    half = -(-(b - a) // 2) + 1
    before, after = a - half, b + half
    before[1:] = np.maximum(before[1:], np.ceil(end[:-1]).astype(int))
    after[:-1] = np.minimum(after[:-1], np.floor(start[1:]).astype(int))

    def mean(first: np.ndarray, stop: np.ndarray) -> tuple[Floats, Floats]:
        first, stop = first.clip(0, levels.size), stop.clip(0, levels.size)
        stop = np.maximum(first, stop)
        return sums[stop] - sums[first], (held[stop] - held[first]).astype(np.float64)

    above: dict[int, int] = {}
    for lag in range(-reach, reach + 1, step):
        own, of = mean(a + lag, b + lag)
        left, right = mean(before + lag, a - 1 + lag), mean(b + 1 + lag, after + lag)
        gaps, beside = left[0] + right[0], left[1] + right[1]
        with np.errstate(invalid="ignore", divide="ignore"):
            above[lag] = int(np.count_nonzero(own / of > gaps / beside))
    return above, int(start.size)
