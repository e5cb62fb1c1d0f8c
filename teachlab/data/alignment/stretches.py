"""Which passes are examined, with the light around them: some runs of neighbours in a long recording, otherwise all."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from teachlab.light.usable_light import LARGEST
from teachlab.model.recording import Block, Recording

Light = NDArray[np.float32] | NDArray[np.float64]
Means = NDArray[np.float64]

MOST_PASSES = 512
"""Up to this number of passes, clocks are compared over all; with more passes, over `RUNS` runs of neighbours."""
RUNS = 16
EXAMINED = (4, 8, 16, MOST_PASSES // RUNS)
"""Of each run, so many passes are examined, until these tell the shift well enough: the rest tells no more."""
KEPT = 1 << 18
"""Stretches of up to this many samples are read once and kept; longer ones are read again near borders."""
Bin = tuple[int, int, int]
"""From, to and width of bins, samples."""


def runs_of(passes: int, first: int = 0, stop: int = MOST_PASSES // RUNS) -> list[tuple[int, int]]:
    """Return the runs of passes to examine, as ``[first, stop)``.

    `passes`: of the recording.
    `first`, `stop`: only these passes of each run, if there are several runs.

    Examples
    --------
    >>> runs_of(400)
    [(0, 400)]
    >>> len(runs_of(5000)), runs_of(5000)[:2], runs_of(5000, stop=8)[:2]
    (16, [(0, 32), (331, 363)], [(0, 8), (331, 339)])
    """
    if passes <= MOST_PASSES:
        return [(0, passes)]
    begins = np.linspace(0, passes - MOST_PASSES // RUNS, RUNS).astype(int).tolist()
    return [(a + first, a + stop) for a in begins]


class Bins:
    """Means of the valid light in bins of equal width, while a recording is read in blocks.

    `start`, `stop`, `width` (samples): bins from `start` on; the last may be shorter.
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
        light, invalid = block.light[part], None if block.invalid is None else block.invalid[part]
        first, into = divmod(a - self._start, self._width)
        cuts = np.arange(-into, b - a, self._width)
        cuts[0] = 0
        rows = slice(first, first + cuts.size)
        self._count[rows] += np.diff(cuts, append=light.size)
        with np.errstate(over="ignore", invalid="ignore"):  # extreme light is bounded below
            # The mean of a bin need not be exact, and to make the numbers longer takes most of the time.
            total = np.add.reduceat(light, cuts, dtype=np.float32 if light.dtype == np.float32 else np.float64)
        if block.invalid is not None or not float(np.abs(total).max()) <= LARGEST:
            invalid, light = Block(a, light, invalid).invalid_mask(), light.astype(np.float64)
            if invalid is not None:
                # Summed as 0 and not counted: bins keep their places, so that one reduction serves the whole block.
                light[invalid] = 0.0
                self._count[rows] -= np.add.reduceat(invalid, cuts)
            # Infinite samples of both signs in one bin would have no mean.
            total = np.add.reduceat(np.clip(light, -LARGEST, LARGEST), cuts)
        self._total[rows] += total

    def means(self) -> Means:
        """Return the mean of every bin; NaN without a valid sample."""
        with np.errstate(invalid="ignore"):
            return np.where(self._count > 0, self._total / self._count, np.nan)


class NearLight:
    """The light of stretches of a recording; short stretches are read once.

    `sign`: 1 if objects raise the light, −1 if they lower it: returned light has objects upwards.
    `bins` (mapping of (int, int, int) to Bins): bins that are already filled.
    """

    def __init__(self, recording: Recording, sign: float, bins: Mapping[Bin, Bins] | None = None) -> None:
        self._recording, self._sign, self._bins = recording, sign, bins or {}
        self._first = 0
        self._kept: Light = np.empty(0)

    def upright(self, block: Block) -> Light:
        """Return the light of a block, objects upwards, NaN where it is invalid."""
        short = np.can_cast(block.light.dtype, np.float32)
        kind: type[np.float32 | np.float64] = np.float32 if short else np.float64
        light = np.multiply(block.light, kind(self._sign), dtype=kind)
        if block.invalid is not None:
            light[block.invalid] = np.nan
        most = min(LARGEST, float(np.finfo(kind).max))
        return np.clip(light, -most, most, out=light)

    def keep(self, start: int, stop: int) -> None:
        """Read a stretch from which pieces will be needed, if it is short."""
        if stop - start <= KEPT and not (self._first <= start and stop <= self._first + self._kept.size):
            self._first, self._kept = start, self.upright(self._recording.read(start, stop))

    def read(self, start: int, stop: int) -> Light:
        """Return the light of ``[start, stop)``, which must lie in the recording."""
        if self._first <= start and stop <= self._first + self._kept.size:
            return self._kept[start - self._first : stop - self._first]
        return self.upright(self._recording.read(start, stop))

    def binned(self, start: int, stop: int, width: int) -> Means:
        """Return the means of the valid samples of bins of `width` samples from `start` on; NaN in bins without any."""
        found = self._bins.get((start, stop, width))
        if found is None:
            found = Bins(start, stop, width)
            for block in self._recording.blocks(start, stop):
                found.push(block)
        return self._sign * found.means()
