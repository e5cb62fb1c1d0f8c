"""Stretches of light that repeat another one sample for sample: copies, which no sensor makes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Block, Recording

TELLING_STEPS = 32
"""Steps other than 0 that a stretch must hold: shorter or flatter ones may be alike by chance."""


LOOKED_AT = 32
"""So many samples of a stretch are compared first, spread evenly over it; stretches alike in these are read again."""


class Repeats:
    """Looks for stretches that repeat an earlier one while a recording is read.

    Parameters
    ----------
    start, stop : ndarray of int64, shape (n,), samples
        In time order, not overlapping.
    """

    def __init__(self, start: NDArray[np.int64], stop: NDArray[np.int64]) -> None:
        self._start, self._stop = start, stop
        self._key = np.zeros(start.size, np.uint64)

    def push(self, block: Block) -> None:
        """Take the next samples."""
        a = int(np.searchsorted(self._stop, block.start, side="right"))
        b = int(np.searchsorted(self._start, block.start + block.light.size))
        if a >= b:
            return
        size = (self._stop - self._start)[a:b, None]
        at = (self._start[a:b, None] - block.start) + size * np.arange(LOOKED_AT) // LOOKED_AT
        inside = (at >= 0) & (at < block.light.size)
        # As float64 every stored type is told apart well enough: what is alike is read again.
        bits = block.light[at.clip(0, block.light.size - 1)].astype(np.float64).view(np.uint64)
        with np.errstate(over="ignore"):
            self._key[a:b] += ((bits ^ (bits >> np.uint64(29))) * WEIGHTS * inside).sum(axis=1, dtype=np.uint64)

    def found(self, recording: Recording, first: int = 0) -> list[tuple[int, int]]:
        """Return the stretches from row `first` on that repeat an earlier one of these, each with the one it repeats.

        Parameters
        ----------
        recording : Recording
            Of which the stretches that may be alike are read again.
        first : int

        Notes
        -----
        Looked at are stretches without an invalid or saturated sample in which the light changes at least
        `TELLING_STEPS` times. White noise of ±1 step alone would repeat over that many in fewer than one of 10¹⁵ pairs.
        """
        start, stop = self._start[first:], self._stop[first:]
        alike = np.stack((self._key[first:], (stop - start).astype(np.uint64)), axis=1)
        _, where, often = np.unique(alike, axis=0, return_inverse=True, return_counts=True)
        full, seen, out = recording.info.full_scale, dict[tuple[int, int], int](), list[tuple[int, int]]()
        for k in np.flatnonzero(often[where.reshape(-1)] > 1).tolist():
            block = recording.read(int(start[k]), int(stop[k]))
            light = block.light
            if block.invalid_mask() is not None or np.count_nonzero(light[1:] != light[:-1]) < TELLING_STEPS:
                continue
            if full is not None and ((light >= full) | (light <= 0)).any():
                continue
            key = light.size, hash(light.tobytes())
            if key in seen:
                out.append((k, seen[key]))
            else:
                seen[key] = k
        return out


WEIGHTS = (np.random.default_rng(7).integers(1 << 62, 1 << 63, LOOKED_AT, np.uint64) << np.uint64(1)) | np.uint64(1)


def repeated_stretches(
    recording: Recording, start: NDArray[np.int64], stop: NDArray[np.int64]
) -> list[tuple[int, int]]:
    """Return the stretches that repeat an earlier one sample for sample, each with the one it repeats.

    Parameters
    ----------
    recording : Recording
    start, stop : ndarray of int64, shape (n,), samples
        In time order.
    """
    reading = Repeats(start, stop)
    for block in recording.blocks():
        reading.push(block)
    return reading.found(recording)
