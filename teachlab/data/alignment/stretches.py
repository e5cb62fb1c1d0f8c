"""Which passes are examined, with the light around them: some runs of neighbours in a long recording, otherwise all."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from teachlab.light.usable_light import LARGEST
from teachlab.model.recording import Block, Recording

Light = NDArray[np.float64]

MOST_PASSES = 512
"""Up to this number of passes, clocks are compared over all; with more passes, over `RUNS` runs of neighbours."""
RUNS = 16
KEPT = 1 << 18
"""Stretches of up to this many samples are read once and kept; longer ones are read again near borders."""
Bin = tuple[int, int, int]
"""From, to and width of bins, samples."""


def runs_of(passes: int) -> list[tuple[int, int]]:
    """Return the runs of passes to examine, as ``[first, stop)``.

    Examples
    --------
    >>> runs_of(400)
    [(0, 400)]
    >>> len(runs_of(5000)), runs_of(5000)[:2]
    (16, [(0, 32), (331, 363)])
    """
    if passes <= MOST_PASSES:
        return [(0, passes)]
    size = MOST_PASSES // RUNS
    firsts = np.linspace(0, passes - size, RUNS).astype(int).tolist()
    return [(a, a + size) for a in firsts]


class Bins:
    """Means of the valid light in bins of equal width, while a recording is read in blocks.

    Parameters
    ----------
    start, stop, width : int, samples
        Bins from `start` on; the last may be shorter.
    """

    def __init__(self, start: int, stop: int, width: int) -> None:
        self._start, self._stop, self._width = start, stop, width
        bins = -(-(stop - start) // width)
        self._total, self._count = np.zeros(bins), np.zeros(bins)

    def push(self, block: Block) -> None:
        """Take consecutive samples."""
        a, b = max(self._start, block.start), min(self._stop, block.start + block.light.size)
        if a >= b:
            return
        part = slice(a - block.start, b - block.start)
        light = block.light[part].astype(np.float64)
        first = (a - self._start) // self._width
        cuts = np.append(0, np.arange(self._start + (first + 1) * self._width, b, self._width) - a)
        rows = slice(first, first + cuts.size)
        invalid = Block(a, light, None if block.invalid is None else block.invalid[part]).invalid_mask()
        if invalid is not None:
            # Summed as 0 and not counted: bins keep their places, so that one reduction serves the whole block.
            light[invalid] = 0.0
            self._count[rows] -= np.add.reduceat(invalid, cuts, dtype=np.float64)
        self._count[rows] += np.diff(np.append(cuts, light.size))
        # Infinite samples of both signs in one bin would have no mean.
        np.clip(light, -LARGEST, LARGEST, out=light)
        self._total[rows] += np.add.reduceat(light, cuts)

    def means(self) -> Light:
        """Return the mean of every bin; NaN without a valid sample."""
        with np.errstate(invalid="ignore"):
            return np.where(self._count > 0, self._total / self._count, np.nan)


class NearLight:
    """The light of stretches of a recording; short stretches are read once.

    Parameters
    ----------
    recording : Recording
    sign : float
        1 if objects raise the light, −1 if they lower it: returned light has objects upwards.
    bins : mapping of (int, int, int) to Bins, optional
        Bins that are already filled.
    """

    def __init__(self, recording: Recording, sign: float, bins: Mapping[Bin, Bins] | None = None) -> None:
        self._recording, self._sign, self._bins = recording, sign, bins or {}
        self._first, self._kept = 0, np.empty(0)

    def upright(self, block: Block) -> Light:
        """Return the light of a block, objects upwards, NaN where it is invalid."""
        return np.clip(self._sign * block.as_float(), -LARGEST, LARGEST)

    def keep(self, start: int, stop: int) -> None:
        """Read a stretch from which pieces will be needed, if it is short."""
        if stop - start <= KEPT and not (self._first <= start and stop <= self._first + self._kept.size):
            self._first, self._kept = start, self.upright(self._recording.read(start, stop))

    def read(self, start: int, stop: int) -> Light:
        """Return the light of ``[start, stop)``, which must lie in the recording."""
        if self._first <= start and stop <= self._first + self._kept.size:
            return self._kept[start - self._first : stop - self._first]
        return self.upright(self._recording.read(start, stop))

    def binned(self, start: int, stop: int, width: int) -> Light:
        """Return the means of the valid samples of bins of `width` samples from `start` on; NaN in bins without any."""
        found = self._bins.get((start, stop, width))
        if found is None:
            found = Bins(start, stop, width)
            for block in self._recording.blocks(start, stop):
                found.push(block)
        return self._sign * found.means()
