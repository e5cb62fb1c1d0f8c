"""Which passes are looked at, and the light about them: some runs of neighbours in a long recording, else all."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from teachlab.light.usable_light import LARGEST
from teachlab.model.recording import Block, Recording

Light = NDArray[np.float64]

MOST_PASSES = 1024
"""Clocks of up to so many passes are compared as a whole; of more, `RUNS` runs of neighbours are."""
RUNS = 16
KEPT = 1 << 22
"""Stretches of up to so many samples are read once and kept; longer ones are read again near borders."""


def runs_of(passes: int) -> list[tuple[int, int]]:
    """Return the runs of passes to look at, as ``[first, stop)``.

    Examples
    --------
    >>> runs_of(400)
    [(0, 400)]
    >>> len(runs_of(5000)), runs_of(5000)[:2]
    (16, [(0, 64), (329, 393)])
    """
    if passes <= MOST_PASSES:
        return [(0, passes)]
    size = MOST_PASSES // RUNS
    firsts = np.linspace(0, passes - size, RUNS).astype(int).tolist()
    return [(a, a + size) for a in firsts]


class NearLight:
    """The light of stretches of a recording; short stretches are read once.

    Parameters
    ----------
    recording : Recording
    sign : float
        1 where objects raise the light, −1 where they lower it: what is handed out has objects upwards.
    """

    def __init__(self, recording: Recording, sign: float) -> None:
        self._recording, self._sign = recording, sign
        self._first, self._kept = 0, np.empty(0)

    def upright(self, block: Block) -> Light:
        """Return the light of a block, objects upwards, NaN where it is invalid."""
        return np.clip(self._sign * block.as_float(), -LARGEST, LARGEST)

    def keep(self, start: int, stop: int) -> None:
        """Read a stretch that pieces will be asked from, if it is short."""
        if stop - start <= KEPT and not (self._first <= start and stop <= self._first + self._kept.size):
            self._first, self._kept = start, self.upright(self._recording.read(start, stop))

    def read(self, start: int, stop: int) -> Light:
        """Return the light of ``[start, stop)``, which must lie in the recording."""
        if self._first <= start and stop <= self._first + self._kept.size:
            return self._kept[start - self._first : stop - self._first]
        return self.upright(self._recording.read(start, stop))

    def binned(self, start: int, stop: int, width: int) -> Light:
        """Return the means of the valid samples of bins of `width` samples from `start` on; NaN in bins without any."""
        bins = -(-(stop - start) // width)
        total, count = np.zeros(bins), np.zeros(bins)
        self.keep(start, stop)
        if stop - start <= KEPT:
            pieces = [(start, self.read(start, stop))]
        else:
            pieces = ((b.start, self.upright(b)) for b in self._recording.blocks(start, stop))  # type: ignore[assignment]
        for first, light in pieces:
            valid = ~np.isnan(light)
            at = (np.arange(first, first + light.size) - start) // width
            total += np.bincount(at, np.where(valid, light, 0.0), bins)
            count += np.bincount(at, valid, bins)
        with np.errstate(invalid="ignore"):
            return np.where(count > 0, total / count, np.nan)
