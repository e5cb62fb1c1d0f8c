"""The light of the page: all of it, or the extremes of blocks with the light itself where it matters."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.truth import joined
from teachlab.page.packing import PackedArray, whole_numbers

if TYPE_CHECKING:
    from teachlab.model.recording import Block, Recording
    from teachlab.sensor.clock import Clock

MOST_RAW = 5_000_000
"""Up to this many samples the light itself travels in the page."""
FOLDED, MOST_BLOCKS = 256, 1 << 19
"""Samples of a block of which only the extremes travel where the light itself does not: more if there were more blocks
than the other number."""
MOST_PIECES = 8_000_000
"""Characters that the light around errors may take in the page."""
READ = 1 << 20
SAFE = 2**53


def packed_light(
    recording: Recording, clock: Clock, places: Iterable[tuple[int, int]] = ()
) -> tuple[dict[str, PackedArray], dict[str, Any]]:
    """Return the light for the page, and how it is held.

    `places` (samples): stretches whose light matters most, the most important first: where not all light travels,
    theirs does, up to `MOST_PIECES`.
    """
    if recording.samples <= MOST_RAW and max(clock.numerator, clock.denominator) < SAFE:
        return _packed(recording.read(0, recording.samples)), {"raw": True}
    size = FOLDED * -(-recording.samples // (FOLDED * MOST_BLOCKS))
    low, high = extremes(recording, 0, recording.samples, size)
    arrays = {"low": PackedArray.of(low), "high": PackedArray.of(high)}
    pieces = _pieces(recording, places)
    return arrays | pieces, {"raw": False, "block": size, "pieces": bool(pieces)}


def extremes(recording: Recording, start: int, stop: int, size: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return lowest and highest valid light of blocks of `size` samples from `start` on; NaN where none is valid."""
    blocks = -(-(stop - start) // size)
    low, high = np.full(blocks, np.nan, np.float32), np.full(blocks, np.nan, np.float32)
    step = max(1, READ // size)
    for k in range(0, blocks, step):
        begin = start + k * size
        light = recording.read(begin, min(begin + step * size, stop)).as_float()
        padded = np.full(-(-light.size // size) * size, np.nan)
        padded[: light.size] = light
        rows = padded.reshape(-1, size)
        some = ~np.isnan(rows).all(axis=1)
        at = slice(k, k + rows.shape[0])
        low[at][some], high[at][some] = np.nanmin(rows[some], axis=1), np.nanmax(rows[some], axis=1)
    return low, high


def _pieces(recording: Recording, places: Iterable[tuple[int, int]]) -> dict[str, PackedArray]:
    """Return the light of the first places that fit, in time order, with where each begins and ends."""
    taken: list[tuple[int, int]] = []
    samples, most = 0, MOST_PIECES // recording.dtype.itemsize
    for start, stop in places:
        if samples + stop - start > most:
            break
        taken.append((max(start, 0), min(stop, recording.samples)))
        samples += stop - start
    while taken:
        kept = np.array(joined(taken))
        arrays: dict[str, list[NDArray[Any]]] = {"light": [], "invalid": []}
        for start, stop in kept.tolist():
            block = recording.read(start, stop)
            invalid = block.invalid_mask()
            arrays["light"].append(_light_of(block))
            arrays["invalid"].append(np.zeros(stop - start, np.uint8) if invalid is None else invalid.astype(np.uint8))
        whole = {name: np.concatenate(parts) for name, parts in arrays.items()}
        packed = {
            "piece_start": PackedArray.of(whole_numbers(kept[:, 0]), differences=1),
            "piece_end": PackedArray.of(whole_numbers(kept[:, 1]), differences=1),
            "piece_light": PackedArray.of(whole["light"], differences=int(whole["light"].dtype.kind in "iu")),
            "piece_invalid": PackedArray.of(whole["invalid"]),
        }
        size = sum(len(one.text) for one in packed.values())
        if size <= MOST_PIECES:
            return packed
        taken = taken[: int(len(taken) * 0.95 * MOST_PIECES / size)]
    return {}


def _light_of(block: Block) -> NDArray[Any]:
    light = block.light
    if light.dtype == np.float16:
        return light.astype(np.float32)
    if light.dtype.kind == "b" or light.dtype.itemsize == 8:
        # Light is compared as float64 values, so nothing is lost that a comparison would see.
        return light.astype(np.float64)
    return light


def _packed(block: Block) -> dict[str, PackedArray]:
    light = _light_of(block)
    out = {"light": PackedArray.of(light, differences=int(light.dtype.kind in "iu"))}
    invalid = block.invalid_mask()
    if invalid is not None and invalid.any():
        out["invalid"] = PackedArray.of(invalid.astype(np.uint8))
    return out
