"""Light for statistics: which numbers can be calculated with is decided here, for every command.

Switching compares any light as it is, infinite or not: an infinite sample lies above, or below, every level. Means,
variances and fits need numbers whose squares can be summed. So where light is measured,

- an infinite sample counts as the largest number of its type, at most `LARGEST`: it stays beyond every level, and is
  left out where noise, contrast or drift is estimated from samples;
- a finite sample beyond `LARGEST` is refused: the unit of such a recording is wrong.

A strategy that would be shown either abstains (`teachlab.teaching.block`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from teachlab.errors import UnmeasurableError
from teachlab.model.recording import Block, Chunk, LightSource, Recording, SourceAround

LARGEST = 1e60
"""Largest light for calculations: its fourth power is a number, in units of noise too; no float32 reaches it."""


def bounded_recording(recording: Recording) -> Recording:
    """Return a recording whose blocks hold only numbers that can be calculated with.

    `recording`: integers are passed on unchanged.

    Reading it raises `UnmeasurableError` at a finite sample beyond `LARGEST`.
    """
    if recording.dtype.kind != "f" or isinstance(recording.source, _Bounded):
        return recording
    return replace(recording, source=_Bounded(recording.source, recording.name))


def largest(dtype: np.dtype[Any]) -> float:
    """Return the largest light of a type that can be calculated with."""
    return min(LARGEST, float(np.finfo(dtype).max)) if dtype.kind == "f" else np.inf


def bounded(block: Block, name: str) -> Block:
    """Return a block in which infinite light is replaced by the largest number of its type.

    Raises UnmeasurableError at a finite sample beyond `LARGEST`.

    Examples
    --------
    >>> bounded(Block(0, np.array([1.0, np.inf, -np.inf])), "log").light.tolist()
    [1.0, 1e+60, -1e+60]
    """
    light = block.light
    if light.dtype.kind != "f" or light.size == 0:
        return block
    limit = largest(light.dtype)
    # NaN compares as beyond, so the usual block takes two reductions.
    if -limit <= light.min() and light.max() <= limit:
        return block
    beyond = np.abs(light) > limit
    if block.invalid is not None:
        beyond &= ~block.invalid
    if not beyond.any():
        return block
    wrong = np.flatnonzero(beyond & np.isfinite(light))
    if wrong.size:
        at = int(wrong[0])
        raise UnmeasurableError(
            f"{name}: column 'light', sample {block.start + at}: light must be at most {LARGEST:g} in either direction "
            f"to be measured, got {light[at]:.6g}. Import the log in a larger unit, or leave such values empty."
        )
    return Block(block.start, np.where(beyond, np.copysign(light.dtype.type(limit), light), light), block.invalid)


@dataclass(slots=True)
class _Bounded(SourceAround):
    """A source whose blocks are bounded as they are read; once all were seen to lie within the limit, no more."""

    inner: LightSource
    name: str
    within: bool = False

    def chunks(self) -> Sequence[Chunk]:
        """Return what can be read at once; known extremes belong to the unbounded light, so they are not given."""
        return [replace(chunk, low=None, high=None) for chunk in self.inner.chunks()]

    def read(self, start: int, stop: int) -> Block:
        """Return the samples ``[start, stop)``."""
        block = self.inner.read(start, stop)
        return block if self.within else bounded(block, self.name)

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        """Iterate over ``[start, stop)``, at most `size` samples each."""
        within = self.within or (start == 0 and stop >= self.samples)
        for block in self.inner.blocks(start, stop, size):
            found = block if self.within else bounded(block, self.name)
            within &= found is block
            yield found
        self.within = within
