"""A recording: one received-light signal at a fixed sample rate, as a handle to its samples."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from functools import cache
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from teachlab.errors import RecordingError
from teachlab.model.bounds import LARGEST_LEVEL, hold_bounds, hold_choice, hold_levels
from teachlab.model.printable_text import in_figures

Light = NDArray[Any]
"""Received light in the stored type: any integer or floating dtype, shape (n,), recording units."""

BLOCK_SAMPLES = 1 << 17
"""Default number of samples that `Recording.blocks` returns at a time."""
HEEDED = (1 << 25) - (1 << 16)
"""Bytes of the largest array whose release the GNU allocator learns from: just under 32 MiB."""

DIGEST = r"^[0-9a-f]{64}$"
"""Form of a SHA-256."""


@cache
def keep_freed_memory() -> None:
    """Have this process use memory that arrays gave back for the next arrays, instead of returning it to the system.

    Memory that is touched for the first time takes longer than most work on it. The GNU allocator returns what exceeds
    twice the largest array that was freed so far, at most 64 MiB. Other allocators are not affected.

    References
    ----------
    `mallopt(3)` of the Linux manual, on the dynamic threshold of `M_MMAP_THRESHOLD`.
    """
    np.empty(HEEDED, np.uint8)  # never touched, so it takes no memory itself


class Direction(StrEnum):
    """What an object does to the received light."""

    RISE = "rise"
    DIP = "dip"


class Sensing(StrEnum):
    """The sensing principle of the sensor that was logged."""

    DIFFUSE = "diffuse"
    THROUGH_BEAM = "through-beam"
    RETROREFLECTIVE = "retroreflective"
    BACKGROUND_SUPPRESSED = "background-suppressed"
    OTHER = "other"


class Origin(StrEnum):
    """Whether the light was logged on a line or generated."""

    RECORDED = "recorded"
    SYNTHETIC = "synthetic"


class OutputWhen(StrEnum):
    """What the logged output of the sensor means where the column is true."""

    HIGH = "high"
    LOW = "low"


@dataclass(frozen=True, slots=True)
class LoggedOutput:
    """Facts about the sensor's own switching output, logged beside the light in a column `output`.

    `active`: ``high``: the output is active where the column is true; ``low``: where it is false.
    `lag_samples` (int, samples): how much later than the light the output was logged; negative if it was earlier.
    """

    active: OutputWhen = field(default=OutputWhen.HIGH, metadata={"stated": True})
    lag_samples: int = 0

    def __post_init__(self) -> None:
        hold_choice(self, "active", OutputWhen, RecordingError)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingInfo:
    """What the file of a recording states about its samples.

    Parameters
    ----------
    sample_rate_hz : float, Hz
        Samples per second, above 0.
    unit : str
        Unit of the light and of every level: counts, mV, percent of full scale and so on.
    full_scale : float, recording units, optional
        Level at and above which the receiver is saturated.
    dark_level : float, recording units
        Level without any light; percent and ratio rules act on light above it.
    sensing, direction, origin
        See the enums; `direction` is None when it is not known.
    title, notes : str
        For people.
    line_speed_m_s : float, m/s, optional
        Speed of the line, if known.
    began : datetime, optional
        Date and time of the first sample, with its zone where the log told one.
    output : LoggedOutput, optional
        Facts about the column `output`, the sensor's own; None if there is no such column.
    digest : str, optional
        SHA-256 of values, validity and rate, as the file carries it; passes are tied to it. It takes no part in
        comparisons, because it is computed again whenever a recording is written.

    Raises
    ------
    RecordingError
        If a value is outside its range.
    """

    sample_rate_hz: float = field(
        metadata={"gt": 0, "advice": "Give the rate at which the log was written, in samples per second."}
    )
    unit: str = field(metadata={"min_length": 1})
    full_scale: float | None = None
    dark_level: float = 0.0
    sensing: Sensing = Sensing.OTHER
    direction: Direction | None = None
    origin: Origin = Origin.RECORDED
    title: str = ""
    line_speed_m_s: float | None = field(
        default=None, metadata={"gt": 0, "unit": "m/s", "advice": "Leave it out if it is not known."}
    )
    notes: str = ""
    began: datetime | None = None
    output: LoggedOutput | None = None
    digest: str | None = field(default=None, compare=False, metadata={"pattern": DIGEST})

    def __post_init__(self) -> None:
        hold_bounds(self, RecordingError)
        hold_choice(self, "sensing", Sensing, RecordingError)
        hold_choice(self, "origin", Origin, RecordingError)
        if self.direction is not None:
            hold_choice(self, "direction", Direction, RecordingError)
        if not self.unit.strip():
            raise RecordingError("unit must not be empty. Name the unit of the light: counts, mV, percent …")
        hold_levels(self, ("dark_level",), RecordingError)
        if self.full_scale is not None and not self.dark_level < self.full_scale <= LARGEST_LEVEL:
            raise RecordingError(
                f"full_scale must be a finite number above dark_level ({self.dark_level:g} {self.unit}), at most "
                f"{in_figures(LARGEST_LEVEL)}, got {in_figures(self.full_scale)}. Leave it out if it is not known."
            )


@dataclass(frozen=True, slots=True)
class Block:
    """A stretch of consecutive samples in the stored type.

    `start`: sample index of the first element.
    `light` (shape (n,), recording units): the stored values; the value of an invalid sample means nothing.
    `invalid` (shape (n,)): true where the file has no value (null). NaN in `light` is invalid too, with or without this
    flag.
    """

    start: int
    light: Light
    invalid: NDArray[np.bool_] | None = None

    @property
    def stop(self) -> int:
        """Sample index after the last element."""
        return self.start + self.light.size

    def part(self, start: int, stop: int) -> Block:
        """Return the samples ``[start, stop)`` of the recording, which lie in this block, without copying."""
        own = slice(start - self.start, stop - self.start)
        return Block(start, self.light[own], None if self.invalid is None else self.invalid[own])

    def copy(self) -> Block:
        """Return the same samples in memory of their own."""
        return Block(self.start, self.light.copy(), None if self.invalid is None else self.invalid.copy())

    @classmethod
    def joined(cls, parts: Sequence[Block]) -> Block:
        """Return consecutive blocks as one."""
        if len(parts) == 1:
            return parts[0]
        light = np.concatenate([part.light for part in parts])
        if all(part.invalid is None for part in parts):
            return cls(parts[0].start, light)
        masks = [np.zeros(part.light.size, bool) if part.invalid is None else part.invalid for part in parts]
        return cls(parts[0].start, light, np.concatenate(masks))

    @classmethod
    def gathered(cls, blocks: Iterable[Block], size: int, dtype: np.dtype[Any]) -> Block:
        """Return all `size` samples of a recording as one block; each of its blocks is held only until it is copied."""
        light, invalid = np.empty(size, dtype), None
        for block in blocks:
            own = slice(block.start, block.stop)
            light[own] = block.light
            if block.invalid is not None:
                invalid = np.zeros(size, bool) if invalid is None else invalid
                invalid[own] = block.invalid
        return cls(0, light, invalid)

    def invalid_mask(self) -> NDArray[np.bool_] | None:
        """Return the invalid samples, nulls and NaN together; None if there are none."""
        mask = self.invalid
        if self.light.dtype.kind == "f":
            nan = np.isnan(self.light)
            mask = nan if mask is None else nan | mask
        return mask if mask is not None and mask.any() else None

    def as_float(self) -> NDArray[np.float64]:
        """Return the light as float64 with NaN for every invalid sample."""
        # Always a new array: the caller may write into it.
        values = self.light.astype(np.float64)
        if self.invalid is not None:
            values[self.invalid] = np.nan
        return values


@dataclass(frozen=True, slots=True)
class Chunk:
    """What a source reads at once, and what it knows about it without reading.

    `start`, `stop`: sample range ``[start, stop)``.
    `low`, `high` (recording units): extremes of the chunk; given only if they can be trusted *and* no sample is
    invalid.
    """

    start: int
    stop: int
    low: float | None = None
    high: float | None = None


class LightSource(Protocol):
    """Where the samples of a recording come from."""

    @property
    def samples(self) -> int:
        """How many samples there are."""
        ...

    @property
    def dtype(self) -> np.dtype[Any]:
        """The stored type."""
        ...

    def chunks(self) -> Sequence[Chunk]:
        """Return what can be read at once, in time order, covering every sample once."""
        ...

    def read(self, start: int, stop: int) -> Block:
        """Return the samples ``[start, stop)``."""
        ...

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        """Iterate over ``[start, stop)`` in time order, at most `size` samples each."""
        ...


class ArraySource:
    """Samples held in memory, with the sensor's own output if it was logged."""

    def __init__(
        self, light: Light, invalid: NDArray[np.bool_] | None = None, output: NDArray[np.bool_] | None = None
    ) -> None:
        if light.ndim != 1:
            raise RecordingError(f"light must be one-dimensional, got shape {light.shape}.")
        if light.dtype.kind not in "iuf":
            raise RecordingError(
                f"light must be of an integer or floating type, got {light.dtype}. Convert the column first."
            )
        self._light = light.view()
        self._light.flags.writeable = False
        self.samples, self.dtype = int(light.size), light.dtype
        self._invalid = invalid
        if output is not None and output.shape != light.shape:
            raise RecordingError(f"output holds one value a sample: {light.size} were due, got {output.size}.")
        self._output = output

    def output(self, start: int, stop: int) -> NDArray[np.bool_]:
        """Return the logged output over the samples ``[start, stop)``."""
        if self._output is None:
            raise RecordingError("this recording in memory holds no output of the sensor.")
        return self._output[start:stop]

    def chunks(self) -> Sequence[Chunk]:
        """Return the block grid."""
        return [Chunk(a, min(a + BLOCK_SAMPLES, self.samples)) for a in range(0, self.samples, BLOCK_SAMPLES)]

    def read(self, start: int, stop: int) -> Block:
        """Return the samples ``[start, stop)`` without copying."""
        invalid = None if self._invalid is None else self._invalid[start:stop]
        return Block(start, self._light[start:stop], invalid)

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        """Iterate over ``[start, stop)``, at most `size` samples each."""
        for a in range(start, stop, size):
            yield self.read(a, min(a + size, stop))


class SourceAround:
    """A base for sources of the same samples as an inner one; each overrides what differs."""

    __slots__ = ()
    inner: LightSource

    @property
    def samples(self) -> int:
        """How many samples there are."""
        return self.inner.samples

    @property
    def dtype(self) -> np.dtype[Any]:
        """The stored type."""
        return self.inner.dtype

    def chunks(self) -> Sequence[Chunk]:
        """Return what can be read at once."""
        return self.inner.chunks()

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        """Iterate over ``[start, stop)``, at most `size` samples each."""
        return self.inner.blocks(start, stop, size)


@dataclass(frozen=True, slots=True)
class _Part(SourceAround):
    """The samples ``[start, stop)`` of a source, counted from the first of them."""

    inner: LightSource
    start: int
    stop: int

    @property
    def samples(self) -> int:
        return self.stop - self.start

    def chunks(self) -> Sequence[Chunk]:
        out = []
        for one in self.inner.chunks():
            a, b = max(one.start, self.start), min(one.stop, self.stop)
            if a < b:
                # The extremes of a chunk are no longer valid if it is cut.
                kept = (one.low, one.high) if (a, b) == (one.start, one.stop) else (None, None)
                out.append(Chunk(a - self.start, b - self.start, *kept))
        return out

    def read(self, start: int, stop: int) -> Block:
        return self._moved(self.inner.read(self.start + start, min(self.start + stop, self.stop)))

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        return map(self._moved, self.inner.blocks(self.start + start, min(self.start + stop, self.stop), size))

    def output(self, start: int, stop: int) -> NDArray[np.bool_]:
        """Return the sensor's own logged output, where the whole source has it."""
        out: NDArray[np.bool_] = self.inner.output(self.start + start, self.start + stop)  # type: ignore[attr-defined]
        return out

    def _moved(self, block: Block) -> Block:
        return Block(block.start - self.start, block.light, block.invalid)


@dataclass(frozen=True, slots=True)
class LightView:
    """Slicing access to the samples: ``recording.light[a:b]``."""

    source: LightSource

    def __len__(self) -> int:
        return self.source.samples

    def __getitem__(self, where: slice) -> Light:
        """Return the stored values of a slice; invalid integers come as a masked array, floats as NaN."""
        start, stop, step = where.indices(self.source.samples)
        if step != 1:
            raise RecordingError(f"light is sliced in steps of 1, got {step}.")
        block = self.source.read(start, max(start, stop))
        if block.invalid is None or not block.invalid.any():
            return block.light
        if block.light.dtype.kind == "f":
            return np.where(block.invalid, np.array(np.nan, block.light.dtype), block.light)
        return np.ma.masked_array(block.light, block.invalid)


@dataclass(frozen=True, slots=True)
class Recording:
    """A handle to one recording: its metadata and access to its samples.

    Positions are sample indices; there is no time column. The samples may be in memory, in a file or in an object
    store, and are returned in blocks in the stored type.

    Examples
    --------
    >>> import numpy as np
    >>> r = Recording.from_array(np.array([5, 7, 6], np.uint16), RecordingInfo(sample_rate_hz=1000, unit="counts"))
    >>> r.samples, r.seconds, r.light[1:3].tolist()
    (3, 0.003, [7, 6])
    """

    info: RecordingInfo
    source: LightSource
    name: str = "recording"

    @classmethod
    def from_array(
        cls,
        light: Light,
        info: RecordingInfo,
        *,
        name: str = "array",
        invalid: NDArray[np.bool_] | None = None,
        output: NDArray[np.bool_] | None = None,
    ) -> Recording:
        """Wrap an array in memory; masked elements and NaN are invalid samples.

        `output` is the sensor's own output, one value per sample, if `info.output` describes it.
        """
        if isinstance(light, np.ma.MaskedArray):
            mask = np.ma.getmaskarray(light)
            invalid = mask if invalid is None else mask | invalid
            light = np.asarray(light.data)
        # The light is new: the digest of a file does not hold for it.
        info = replace(info, digest=None, output=None if output is None else info.output or LoggedOutput())
        return cls(info, ArraySource(np.asarray(light), invalid, output), name)

    @property
    def samples(self) -> int:
        """How many samples there are."""
        return self.source.samples

    @property
    def seconds(self) -> float:
        """Span of the recording in seconds."""
        return self.samples / self.info.sample_rate_hz

    @property
    def dtype(self) -> np.dtype[Any]:
        """The stored type of the light."""
        return self.source.dtype

    @property
    def whole_step(self) -> float | None:
        """Smallest step of light that is stored in whole numbers; None for other light."""
        return 1.0 if self.dtype.kind in "iu" else None

    @property
    def light(self) -> LightView:
        """Slicing access to the samples."""
        return LightView(self.source)

    def until(self, stop: int) -> Recording:
        """Return the recording as if it had ended before a sample; no sample is read.

        Examples
        --------
        >>> r = Recording.from_array(np.array([5, 7, 6], np.uint16), RecordingInfo(sample_rate_hz=1000, unit="counts"))
        >>> r.until(2).read(0, 9).light.tolist()
        [5, 7]
        """
        return self if stop >= self.samples else self.part(0, stop)

    def part(self, start: int, stop: int) -> Recording:
        """Return the samples ``[start, stop)`` as a recording of their own; no sample is read.

        Examples
        --------
        >>> r = Recording.from_array(np.array([5, 7, 6], np.uint16), RecordingInfo(sample_rate_hz=1000, unit="counts"))
        >>> r.part(1, 3).read(0, 9).light.tolist()
        [7, 6]
        """
        began = self.info.began and self.info.began + timedelta(seconds=start / self.info.sample_rate_hz)
        output = self.info.output if hasattr(self.source, "output") else None
        info = replace(self.info, digest=None, began=began, output=output)
        return replace(self, info=info, source=_Part(self.source, start, stop))

    def between(self, start: int, stop: int) -> Recording:
        """Return the samples ``[start, stop)`` as `part` does, but in memory and without an output."""
        block, info = self.read(start, stop), replace(self.part(start, stop).info, output=None)
        return Recording.from_array(block.light, info, name=self.name, invalid=block.invalid)

    def blocks(self, start: int = 0, stop: int | None = None, size: int = BLOCK_SAMPLES) -> Iterator[Block]:
        """Iterate over the samples ``[start, stop)`` in time order, at most `size` at a time."""
        keep_freed_memory()
        return self.source.blocks(start, self.samples if stop is None else min(stop, self.samples), size)

    def read(self, start: int, stop: int) -> Block:
        """Return the samples ``[start, stop)``, clipped to the recording."""
        start = max(0, start)
        return self.source.read(start, max(start, min(stop, self.samples)))
