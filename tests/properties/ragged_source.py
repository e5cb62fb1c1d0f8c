"""A source whose samples come in stretches of odd lengths."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from teachlab.model.recording import Block, Chunk


@dataclass
class RaggedSource:
    """Samples that come in stretches of odd lengths, some with their extremes known beforehand."""

    light: np.ndarray[Any, Any]
    null: np.ndarray[Any, Any]
    lengths: Sequence[int]

    @property
    def samples(self) -> int:
        return int(self.light.size)

    @property
    def dtype(self) -> np.dtype[Any]:
        return self.light.dtype

    def chunks(self) -> list[Chunk]:
        found = []
        at = k = 0
        while at < self.samples:
            stop = min(self.samples, at + self.lengths[k % len(self.lengths)])
            values = self.light[at:stop].astype(np.float64)
            sound = not (self.null[at:stop].any() or np.isnan(values).any())
            known = sound and k % 3 != 2
            found.append(Chunk(at, stop, *((float(values.min()), float(values.max())) if known else ())))
            at, k = stop, k + 1
        return found

    def read(self, start: int, stop: int) -> Block:
        null = self.null[start:stop]
        return Block(start, self.light[start:stop], null if null.any() else None)

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        k = 0
        while start < stop:
            end = min(stop, start + min(size, self.lengths[k % len(self.lengths)]))
            yield self.read(start, end)
            start, k = end, k + 1
