"""Stretches of light that repeat another one sample for sample: copies, which no sensor makes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Recording

TELLING_STEPS = 32
"""Steps other than 0 that a stretch must hold: shorter or flatter ones may be alike by chance."""


def repeated_stretches(
    recording: Recording, start: NDArray[np.int64], stop: NDArray[np.int64]
) -> list[tuple[int, int]]:
    """Return the stretches that repeat an earlier one sample for sample, each with the one it repeats.

    Parameters
    ----------
    recording : Recording
    start, stop : ndarray of int64, shape (n,), samples
        In time order.

    Notes
    -----
    Looked at are stretches without an invalid or saturated sample in which the light changes at least `TELLING_STEPS`
    times. White noise of ±1 step alone would repeat over that many in fewer than one of 10¹⁵ pairs.
    """
    full, seen, out = recording.info.full_scale, dict[tuple[int, int], int](), list[tuple[int, int]]()
    for k, light in enumerate(_stretches(recording, start, stop)):
        if light is None or np.count_nonzero(light[1:] != light[:-1]) < TELLING_STEPS:
            continue
        if full is not None and ((light >= full) | (light <= 0)).any():
            continue
        key = light.size, hash(light.tobytes())
        if key in seen:
            out.append((k, seen[key]))
        else:
            seen[key] = k
    return out


def _stretches(
    recording: Recording, start: NDArray[np.int64], stop: NDArray[np.int64]
) -> Iterable[NDArray[Any] | None]:
    """Yield the light of every stretch; None where a sample of it is invalid."""
    for a, b in zip(start.tolist(), stop.tolist(), strict=True):
        block = recording.read(a, b)
        yield None if block.invalid_mask() is not None else block.light
