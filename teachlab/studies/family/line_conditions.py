"""Named conditions of a line: results of settings taught on the recorded light with less light, or more."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Block, Chunk, LightSource, Recording, SourceAround
from teachlab.questions.feasibility.windows import AS_RECORDED
from teachlab.questions.stress.light import Receiver, Stress
from teachlab.questions.surface.values.levels import read_first


@dataclass(frozen=True, slots=True, kw_only=True)
class LineCondition:
    """A condition under which settings are tried, as `stress` maps the light.

    `gain`: share of the light above dark that is left, at least 0.
    `ambient` (recording units): light that is added.
    `pedestal` (recording units): backscatter of a completely dirty window.
    """

    name: str = AS_RECORDED
    gain: float = 1.0
    ambient: float = 0.0
    pedestal: float = 0.0

    def __post_init__(self) -> None:
        Stress(self.gain, self.ambient, self.pedestal)  # refuses what is out of range

    @property
    def changes_light(self) -> bool:
        """Whether the light differs from the recorded light."""
        return (self.gain, self.ambient) != (1.0, 0.0)

    def of(self, recording: Recording) -> Recording:
        """Return the recording with its light under this condition, float64."""
        if not self.changes_light:
            return recording
        reading = read_first(recording, None, inner_range=False)
        receiver = Receiver.of(recording, reading.low, reading.high)
        stress = Stress(self.gain, self.ambient, self.pedestal, receiver)
        return Recording(
            replace(recording.info, digest=None), _StressedSource(recording.source, stress), recording.name
        )


@dataclass(frozen=True, slots=True)
class _StressedSource(SourceAround):
    """A source whose light is stressed as it is read."""

    inner: LightSource
    stress: Stress

    @property
    def dtype(self) -> np.dtype[Any]:
        """The type of stressed light."""
        return np.dtype(np.float64)

    def chunks(self) -> Sequence[Chunk]:
        """Return what can be read at once; the map is increasing, so known extremes are mapped too."""
        return [replace(c, low=self._moved(c.low), high=self._moved(c.high)) for c in self.inner.chunks()]

    def read(self, start: int, stop: int) -> Block:
        """Return the samples ``[start, stop)``."""
        return self._stressed(self.inner.read(start, stop))

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        """Iterate over ``[start, stop)``, at most `size` samples each."""
        for block in self.inner.blocks(start, stop, size):
            yield self._stressed(block)

    def _stressed(self, block: Block) -> Block:
        light: NDArray[np.float64] = block.light.astype(np.float64)
        return Block(block.start, self.stress.apply(light), block.invalid)

    def _moved(self, level: float | None) -> float | None:
        return None if level is None else float(self.stress.apply(np.array([level], np.float64))[0])
