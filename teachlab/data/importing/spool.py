"""Interpreted rows of a log from a pipe, kept on disk: a pipe is read once."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import IO, Any, Self

import pyarrow as pa
from pyarrow import ipc

from teachlab.data.atomic_files import FULL, disk_full
from teachlab.data.importing.reading.text_layout import Layout
from teachlab.errors import InputError
from teachlab.model.printable_text import number_of

LAYOUT = b"layout"
UNFINISHED = ".unfinished"
_open: dict[str, Spool] = {}
"""Rows that are kept under a name while this process runs."""


class Spool:
    """Batches of rows on disk, in order.

    Each batch is a separate Arrow IPC stream, so a killed run leaves whole batches and at most one broken one. The
    broken one is cut off when the file is opened again.

    `out`: the recording that will be written; the rows are beside it, under a name, so that a later run can continue.

    Examples
    --------
    >>> import tempfile
    >>> with Spool(str(Path(tempfile.mkdtemp()) / "line.parquet")) as spool:
    ...     spool.write({"light": pa.array([1, 2])}, None)
    ...     [batch["light"].to_pylist() for batch in spool.batches()]
    [[1, 2]]
    """

    def __init__(self, out: str) -> None:
        self._out, self.name = out, unfinished_name(out)
        try:
            self._file: IO[bytes] = Path(self.name).open("a+b")  # noqa: SIM115
        except FileNotFoundError:
            folder = Path(out).absolute().parent
            raise InputError(f"cannot write '{out}': there is no folder '{folder}'. Create it first.") from None
        except OSError as fault:
            raise InputError(f"cannot write '{out}': {fault.strerror}. Choose another place.") from None
        self.layout: Layout | None = None
        self.rows = 0
        self._whole = self._sound()
        self._file.truncate(self._whole)
        _open[self.name] = self

    def write(self, columns: dict[str, Any], layout: Layout | None) -> None:
        """Add rows; with `layout`, store the layout of the text."""
        metadata = None if layout is None else {LAYOUT: json.dumps(asdict(layout)).encode()}
        batch = pa.record_batch(
            list(columns.values()),
            schema=pa.schema([pa.field(name, column.type) for name, column in columns.items()], metadata),
        )
        try:
            self._file.seek(0, os.SEEK_END)
            with ipc.new_stream(self._file, batch.schema) as out:
                out.write_batch(batch)
            self._file.flush()
        except OSError as fault:
            if fault.errno not in FULL:
                raise
            if self.rows == 0:
                raise disk_full(self._out, fault) from None
            kept = self.end_here()
            raise InputError(f"cannot write '{self.name}': {fault.strerror}. Free space: {kept}.") from None
        self._whole, self.rows = self._file.tell(), self.rows + batch.num_rows

    def batches(self) -> Iterator[dict[str, Any]]:
        """Iterate over the rows, with one batch in memory at a time."""
        for found, end in self._streams():
            if end == 0:
                yield dict(zip(found.schema.names, found.columns, strict=True))

    def _streams(self) -> Iterator[tuple[Any, int]]:
        """Iterate over batches (with 0), and after each over its schema and its end in the file."""
        self._file.flush()
        size, at = os.fstat(self._file.fileno()).st_size, 0
        while at < size:
            # Read, not mapped: pages of a mapped file count as memory of this process.
            self._file.seek(at)
            reader = ipc.open_stream(pa.PythonFile(self._file, "r"))
            batches = list(reader)
            at = self._file.tell()
            for batch in batches:
                yield batch, 0
            yield reader.schema, at

    def _sound(self) -> int:
        """Return the position up to which the file holds whole batches."""
        end, rows = 0, 0
        try:
            for found, at in self._streams():
                if at == 0:
                    rows += found.num_rows
                    continue
                end, self.rows = at, rows
                stored = (found.metadata or {}).get(LAYOUT)
                if stored is not None:
                    self.layout = layout_from(json.loads(stored))
        except (pa.ArrowException, OSError):
            pass  # the batch that was being written when the run was killed
        return end

    def end_here(self) -> str:
        """Cut off an unfinished batch when the process must end; return what is kept, for people."""
        os.ftruncate(self._file.fileno(), self._whole)
        return (
            f"{number_of(self.rows, 'row is', 'rows are')} kept in {self.name}. Feed the rows after them, and add "
            f"--append"
        )

    def discard(self) -> None:
        """Remove the rows: the recording is written."""
        Path(self.name).unlink(missing_ok=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: object) -> None:
        _open.pop(self.name, None)
        if self.rows == 0:
            self.discard()
        # Bytes that found no space on the disk wait in the file's buffer, and find none again.
        with contextlib.suppress(OSError):
            self._file.close()


def end_all() -> str:
    """Make the rows from a pipe ready for a later run, at once; return what is kept, empty if nothing is."""
    return " ".join(spool.end_here() for spool in list(_open.values()) if spool.rows)


def layout_from(document: dict[str, Any]) -> Layout:
    """Return a layout from its JSON form."""
    values: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in document.items()}
    return Layout(**values)


def unfinished_name(out: str) -> str:
    """Return the name under which the rows of a log from a pipe are kept until it ends."""
    return out + UNFINISHED
