"""Light that is kept while a recording is read, so that it need not be read again: some stretches, or all of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from teachlab.model.recording import ArraySource, Block, LightSource, Recording, SourceAround

MOST_KEPT = 1 << 23
"""At most this many samples are kept; later ones are read again."""
HELD_BYTES, HELD_BLOCK = 1 << 26, 1 << 20
"""Light of at most this many bytes is held completely if it is needed many times; it is read in blocks of this size."""


class KeptLight:
    """Keeps stretches of a recording while it is read in blocks.

    `stretches` (samples): ``[start, stop)``; they may overlap.
    """

    def __init__(self, recording: Recording, stretches: Sequence[tuple[int, int]]) -> None:
        self._recording = recording
        self._stretches: list[list[int]] = []
        left = MOST_KEPT
        for a, b in sorted(stretches):
            last = self._stretches[-1] if self._stretches else None
            if last is not None and a <= last[1]:
                left -= max(0, b - last[1])
                last[1] = max(last[1], b)
            elif a < b:
                left -= b - a
                self._stretches.append([a, b])
            if left < 0:
                self._stretches[-1][1] += left
                break
        self._next = 0
        self._open: list[Block] = []
        self._blocks: list[Block] = []

    def push(self, block: Block) -> None:
        """Take the next samples."""
        while self._next < len(self._stretches):
            a, b = self._stretches[self._next]
            if a >= block.stop:
                return
            self._open.append(block.part(max(a, block.start), min(b, block.stop)).copy())
            if b > block.stop:
                return
            self._blocks.append(Block.joined(self._open))
            self._open, self._next = [], self._next + 1

    def recording(self) -> Recording:
        """Return the recording; its kept parts are not read again."""
        return replace(self._recording, source=_Kept(self._recording.source, self._blocks))


def held(recording: Recording) -> Recording:
    """Return the recording with its light in memory, read once, if that takes at most `HELD_BYTES`; or unchanged."""
    source = recording.source
    if isinstance(source, ArraySource | _Held) or recording.samples * recording.dtype.itemsize > HELD_BYTES:
        return recording
    whole = Block.gathered(recording.blocks(size=HELD_BLOCK), recording.samples, recording.dtype)
    return replace(recording, source=_Held(source, ArraySource(whole.light, whole.invalid)))


class _Held:
    """A source whose light is in memory; what is known about its chunks is unchanged."""

    def __init__(self, inner: LightSource, light: ArraySource) -> None:
        self._inner, self._light = inner, light
        self.samples, self.dtype = light.samples, light.dtype
        self.read, self.blocks, self.chunks = light.read, light.blocks, inner.chunks


class _Kept(SourceAround):
    """A source that reads kept stretches from memory."""

    def __init__(self, inner: LightSource, blocks: list[Block]) -> None:
        self.inner, self._blocks = inner, blocks
        self._starts = np.array([block.start for block in blocks], np.int64)

    def read(self, start: int, stop: int) -> Block:
        """Return the samples ``[start, stop)``."""
        k = int(np.searchsorted(self._starts, start, side="right")) - 1
        if k >= 0 and stop <= self._blocks[k].stop:
            return self._blocks[k].part(start, stop)
        return self.inner.read(start, stop)
