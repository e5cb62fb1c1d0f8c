"""A log as columns in memory or on disk, of a binary format."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pyarrow as pa

from teachlab.data.addresses import is_address
from teachlab.errors import InputError, ParameterError, RecordingError

BATCH_ROWS = 1 << 17
SINCE = datetime(1970, 1, 1, tzinfo=UTC)

# SciPy's readers follow the sizes and offsets of a header without checking: a damaged header may end in any of these,
# also in names that were never bound (NameError).
DAMAGED = (
    *(ValueError, TypeError, LookupError, NameError, AttributeError, ArithmeticError),
    *(OSError, EOFError, MemoryError, struct.error, zlib.error),
)


def since_1970(when: datetime) -> int:
    """Return nanoseconds since 1970, to the microsecond; of a clock without a zone, as it showed them."""
    return (when.replace(tzinfo=when.tzinfo or UTC) - SINCE) // timedelta(microseconds=1) * 1000


@dataclass(frozen=True, slots=True)
class HeadBegin:
    """When a log began, as its head tells.

    `at_ns`: since 1970: in UTC if `aware`, else as a clock without a zone showed it.
    `of_times`: whether the times of the log count from it; else it is the time of the first row.
    """

    at_ns: int
    aware: bool
    of_times: bool


@dataclass(slots=True)
class ArrowLog:
    """Columns of a binary format.

    `reader`: a function of the wanted columns that iterates over batches of their rows.
    `rate_hz`: sample rate, if the format states it.
    `rates`: or the rate of each column, if the format states them apart.
    `units`: units of the columns, empty if unknown.
    `time_of`: the time column of each column, if the format states it.
    `begins`: from when a column of times counts, or else when a column of samples began, if the format states it.
    `file`: an object that has to be closed at the end.
    `rows`: about so many; 0 if unknown.
    `tables`: what the rows of each column are, equal for columns that may be read together; empty if all are of one
    table.
    `share`: how much of it was read; 0 if `rows` is unknown.
    """

    path: str
    columns: tuple[str, ...]
    reader: Callable[[Sequence[int]], Iterator[list[Any]]] = field(repr=False)
    rate_hz: float | None = None
    units: tuple[str, ...] = ()
    time_of: dict[int, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    delimiter: str | None = None
    rate_hint: str = ""
    decimal_comma: bool | None = None
    file: Any = None
    rows: int = 0
    share: float = 0.0
    is_sheet: bool = False
    tables: tuple[Any, ...] = ()
    rates: tuple[float | None, ...] = ()
    begins: dict[int, HeadBegin] = field(default_factory=dict)

    def close(self) -> None:
        """Close the file."""
        if self.file is not None:
            self.file.close()

    def batches(
        self, chosen: Sequence[int], text: Collection[int] = (), beside: Collection[int] = ()
    ) -> Iterator[list[Any]]:
        """Iterate over the rows of some columns, as Arrow arrays of equal length; each comes in its own type."""
        read = 0
        try:
            for batch in self.reader(chosen):
                read += len(batch[0])
                self.share = min(1.0, read / self.rows) if self.rows else 0.0
                yield batch
        except InputError:
            raise
        except Exception as fault:  # noqa: BLE001 - what a foreign reader raises at a damaged file is not known
            raise RecordingError(
                f"{self.path}: cannot be decoded: {told(fault)}. The file is damaged; copy it again."
            ) from None

    def numbers_again(self, column: int) -> None:
        """Change nothing: a column keeps its type."""

    def take_comma(self) -> None:
        """Read numbers in text with a decimal comma from now on."""
        self.decimal_comma = True

    def place(self, row: int) -> str:
        """Return the row, counted from 0."""
        return f"row {row}"


def told(fault: Exception) -> str:
    """Return the first line of a reader's message; its class if there is none, or if it names internal objects."""
    if isinstance(fault, NameError) or not str(fault).strip():
        return type(fault).__name__
    return str(fault).strip().splitlines()[0][:200].rstrip(".")


def refuse_address(path: object, name: str) -> None:
    """Refuse an address: the reader of this format opens files itself."""
    if is_address(path):
        raise RecordingError(f"{path}: {name} files are read from local folders only. Copy it first.")


class Part:
    """A column of a larger data set, read in slices."""

    def __init__(self, read: Callable[[int, int], Any], size: int, dtype: Any) -> None:
        self._read, self.size, self.dtype = read, size, dtype

    def __len__(self) -> int:
        return self.size

    def __getitem__(self, rows: slice) -> Any:
        return self._read(rows.start, min(rows.stop, self.size))


def slices(columns: list[Any], path: object) -> Callable[[Sequence[int]], Iterator[list[Any]]]:
    """Return a reader of columns that can be sliced, in batches of `BATCH_ROWS`."""

    def read(chosen: Sequence[int]) -> Iterator[list[Any]]:
        sizes = {len(columns[k]) for k in chosen}
        if len(sizes) > 1:
            listed = " and ".join(f"{size:,}" for size in sorted(sizes))
            raise ParameterError(
                f"{path}: the columns chosen differ in length: {listed} rows. Choose columns of one length, or give "
                "--rate with --no-time if only the times are of another."
            )
        for a in range(0, max(sizes), BATCH_ROWS):
            parts = [np.asanyarray(columns[k][a : a + BATCH_ROWS]) for k in chosen]
            yield [_arrow(part) for part in parts]

    return read


def _arrow(part: Any) -> Any:
    if part.dtype.kind == "S":
        part = np.char.decode(part, "utf-8", "replace")
    if part.dtype.kind in "OU":
        return pa.array([v.decode() if isinstance(v, bytes) else None if v is None else str(v) for v in part.tolist()])
    native = np.ascontiguousarray(part.astype(part.dtype.newbyteorder("=")))
    return pa.array(native, mask=np.ma.getmaskarray(part) if isinstance(part, np.ma.MaskedArray) else None)
