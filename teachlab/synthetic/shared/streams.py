"""Seeded streams: every effect has its own stream, and every chunk of it.

A number that is drawn for an effect depends only on the seed, the name of the effect and the index of the chunk: not on
block sizes, and not on which other effects are present.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from teachlab.model.arrays import Floats32

CHUNK = 1 << 16
"""Samples (or belt nodes) generated at a time."""

EVENTS = 1 << 12
"""Passes, lots and so on whose random numbers are drawn at a time."""

WARM_UP = 1 << 12
"""Values of the previous chunk from which a correlated track starts; ``rho^WARM_UP < 1e-13`` must hold."""

SMALLEST_STEP = 1 / 64
"""Finest step of a correlated track, in correlation lengths."""


def stream(seed: int, effect: str, index: int) -> np.random.Generator:
    """Return the stream of one chunk of one effect (SFC64, seeded by `numpy.random.SeedSequence`)."""
    # Named, not numbered: an effect that is added later draws from its own stream and changes no other.
    key = (crc32(effect.encode()), index)
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence(seed, spawn_key=key)))


@dataclass(frozen=True, slots=True)
class Drawn:
    """One random value per event, drawn in chunks: any range of events can be asked for.

    `draw` (callable (generator, size) -> ndarray): draws one chunk.
    """

    seed: int
    effect: str
    draw: Callable[[np.random.Generator, int], NDArray[np.float64]]

    def take(self, first: int, stop: int) -> NDArray[np.float64]:
        """Return the values of the events ``[first, stop)``."""
        chunks = range(first // EVENTS, -(-stop // EVENTS))
        if not chunks:
            return np.empty(0)
        values = np.concatenate([self.draw(stream(self.seed, self.effect, c), EVENTS) for c in chunks])
        offset = chunks[0] * EVENTS
        return values[first - offset : stop - offset]


class Track:
    """A unit-variance first-order autoregressive sequence, in chunks that can be asked for in any order.

    ``y[i] = rho · y[i−1] + sqrt(1 − rho²) · e[i]`` with standard normal e, so that ``corr(y[i], y[i+k]) = rho^k``. The
    value before a chunk is that of the chunk before, started from zero `WARM_UP` values earlier: earlier values have a
    weight below 1e-13 in it.

    `rho`: lag-one correlation, from 0 to ``exp(−SMALLEST_STEP)``.
    """

    def __init__(self, seed: int, effect: str, rho: float) -> None:
        self._seed, self._effect, self._rho = seed, effect, rho
        self._scale = np.float32(math.sqrt(1.0 - rho * rho))
        self._tail: tuple[int, Floats32] | None = None

    def chunk(self, index: int) -> Floats32:
        """Return values ``[index · CHUNK, (index + 1) · CHUNK)``, float32."""
        drive = self._drive(index)
        if self._rho == 0.0:
            return drive
        before = self._before(index)
        self._tail = (index, drive[-WARM_UP:].copy())
        return self._filter(drive, before)

    def _drive(self, index: int) -> Floats32:
        drive: Floats32 = stream(self._seed, self._effect, index).standard_normal(CHUNK, np.float32)
        return drive

    def _before(self, index: int) -> np.float32:
        if index == 0:
            return np.float32(stream(self._seed, f"{self._effect}/before", 0).standard_normal())
        kept = self._tail
        # A chunk can be made without those before it: a correlated track does not depend on more than the last values,
        # to the last digit. So recordings are the same whether they are made in order, in parts, or continued.
        tail = kept[1] if kept is not None and kept[0] == index - 1 else self._drive(index - 1)[-WARM_UP:]
        return np.float32(self._filter(tail, np.float32(0.0))[-1])

    def _filter(self, drive: Floats32, before: np.float32) -> Floats32:
        from scipy.signal import lfilter

        rho = np.float32(self._rho)
        start = np.array([rho * before], np.float32)
        a = np.array([1.0, -rho], np.float32)
        out, _ = lfilter(np.array([self._scale]), a, drive, zi=start)
        result: Floats32 = out
        return result


class BeltTrack:
    """A unit-variance texture along the belt with correlation ``exp(−|Δu| / length)``.

    The belt carries nodes one nominal sample step apart, or 1/64 of the correlation length if that is coarser. Between
    nodes the texture is interpolated linearly, which lowers its variance between two nodes by at most 0.8 %.

    `length_mm`: correlation length.
    `step_mm`: travel per sample at nominal speed.
    `uniform`: whether sample i is always at ``i · step_mm``.
    """

    def __init__(self, seed: int, effect: str, length_mm: float, step_mm: float, *, uniform: bool) -> None:
        self._node_mm = max(step_mm, SMALLEST_STEP * length_mm)
        self._on_nodes = uniform and self._node_mm == step_mm
        self._track = Track(seed, effect, math.exp(-self._node_mm / length_mm))
        self._kept: dict[int, Floats32] = {}

    def at(self, index: int, position_mm: NDArray[np.float64]) -> Floats32:
        """Return the texture at the samples of chunk `index`, whose belt positions ascend."""
        if self._on_nodes:
            return self._track.chunk(index)
        node = position_mm * (1.0 / self._node_mm)
        below = node.astype(np.int64)
        first, last = int(below[0]) // CHUNK, (int(below[-1]) + 1) // CHUNK
        nodes = np.concatenate([self._nodes(c) for c in range(first, last + 1)])
        self._kept = {c: v for c, v in self._kept.items() if c >= last}
        weight = (node - below).astype(np.float32)
        below -= first * CHUNK
        # Linear between nodes that are much closer than the texture is long: fast, and smooth enough for any beam.
        low = nodes[below]
        between: Floats32 = low + weight * (nodes[below + 1] - low)
        return between

    def _nodes(self, index: int) -> Floats32:
        if index not in self._kept:
            self._kept[index] = self._track.chunk(index)
        return self._kept[index]
