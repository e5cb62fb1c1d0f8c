"""Recordings in and out: Parquet with the column `light` and its metadata."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from itertools import chain
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from pydantic import Field

from teachlab.data.addresses import stem_of
from teachlab.data.atomic_files import write_aside
from teachlab.data.parquet_source import COLUMN, NULLS_KEY, OUTPUT, ParquetSource, nulls_note
from teachlab.data.strict_json import StrictModel, check, model_of, parse_json, schema_of
from teachlab.errors import RecordingError
from teachlab.model.json_values import plain
from teachlab.model.printable_text import typed_again
from teachlab.model.recording import (
    Block,
    Light,
    LoggedOutput,
    Recording,
    RecordingInfo,
)

METADATA_KEY = "teachlab.recording"
PANDAS_KEY = b"PANDAS_ATTRS"
SCHEMA_KEY = b"ARROW:schema"
"""Where Arrow keeps the types of the columns and the metadata of a table, in every file that it writes."""
TIME = "time"
GROUP_ROWS = 1 << 16
_NO_SAMPLE = np.array(np.nan, "<f8").tobytes()


# The JSON under `teachlab.recording`; null means the default everywhere.
_SCHEMAS: dict[int, type[StrictModel]] = {
    1: model_of(
        RecordingInfo, without=frozenset(("began", "output", "digest")), null_is_default=True,
        schema_=(Literal[1], Field(default=1, alias="schema")),
    ),
    2: model_of(RecordingInfo, null_is_default=True, schema_=(Literal[2], Field(alias="schema"))),
}  # fmt: skip


def read_recording(location: str | Path) -> Recording:
    """Open a recording; its samples are read when they are needed.

    Parameters
    ----------
    location : str or Path
        A local path, or an address, such as ``s3://bucket/line-3.parquet`` or ``https://host/line-3.parquet``.

    Returns
    -------
    Recording
        A handle that can be pickled; it opens the file again where it is used.

    Raises
    ------
    RecordingError
        If the file, its column `light` or its metadata violate the file format.

    Examples
    --------
    >>> from teachlab.data.shipped import datasets_root
    >>> tubs = read_recording(datasets_root() / "demo_tubs.parquet")
    >>> tubs.samples, tubs.info.unit
    (167668, 'counts')
    """
    source = ParquetSource(location)
    info = info_from_metadata(source.metadata, str(location))
    return Recording(info, source, stem_of(location))


def info_from_metadata(metadata: dict[bytes, bytes], where: str) -> RecordingInfo:
    """Return what the key-value metadata of a file state about the recording."""
    found = document_in(metadata, METADATA_KEY, where, RecordingError)
    if found is None:
        raise RecordingError(
            f"{where}: the sample rate and the unit are missing: the file has no metadata key '{METADATA_KEY}' "
            f"(nor pandas attrs of that name). Write it with teachlab, or run "
            f"`teachlab import {typed_again(where)} --rate HZ --column {COLUMN} --unit UNIT --out NEW.parquet`."
        )
    return info_from_document(found, f"{where}, metadata key '{METADATA_KEY}'")


def info_from_document(values: object, where: str) -> RecordingInfo:
    """Return the metadata of a recording from its parsed JSON; all faults are in one message."""
    document = check(schema_of(values, _SCHEMAS, where, RecordingError), values, where, RecordingError)
    given = {k: v for k, v in document.model_dump(exclude={"schema_"}).items() if v is not None}
    output = given.pop("output", None)
    try:
        return RecordingInfo(**given, output=None if output is None else LoggedOutput(**output))
    except RecordingError as fault:
        raise RecordingError(f"{where}: {fault}") from None


def info_document(info: RecordingInfo) -> dict[str, Any]:
    """Return the plain JSON form of a recording's metadata, schema 2."""
    began = None if info.began is None else info.began.isoformat()
    return {"schema": 2, **plain(info), "sample_rate_hz": float(info.sample_rate_hz), "began": began}


def document_in(metadata: dict[bytes, bytes], key: str, where: str, error: type[RecordingError] | Any) -> Any:
    """Return the JSON under a metadata key, otherwise the one in the attrs of pandas, otherwise None."""
    raw = metadata.get(key.encode())
    if raw is not None:
        return parse_json(raw, f"{where}, metadata key '{key}'", error)
    attrs = metadata.get(PANDAS_KEY)
    if attrs is None:
        return None
    values = parse_json(attrs, f"{where}, pandas attrs", error)
    found = values.get(key) if isinstance(values, dict) else None
    return parse_json(found, f"{where}, pandas attrs '{key}'", error) if isinstance(found, str) else found


def metadata_for(key: str, document: dict[str, Any]) -> dict[bytes, bytes]:
    """Return file metadata that hold a document twice: under its key, and where pandas keeps it."""
    text = json.dumps(document, allow_nan=False, ensure_ascii=False)
    attrs = json.dumps({key: document}, allow_nan=False, ensure_ascii=False)
    return {key.encode(): text.encode(), PANDAS_KEY: attrs.encode()}


class LightDigest:
    """SHA-256 of samples that come piece by piece; it does not depend on how they are stored and divided.

    Notes
    -----
    Of the samples as little-endian float64, with one NaN for every invalid sample and 0 for -0; of one byte per sample
    that is 1 if it is valid; and of the rate.
    """

    def __init__(self) -> None:
        self._values, self._valid = hashlib.sha256(), hashlib.sha256()

    def update(self, light: Light, invalid: NDArray[np.bool_] | None) -> None:
        """Add samples; NaN, and those flagged in `invalid`, have no value."""
        missing = np.isnan(light) if light.dtype.kind == "f" else np.zeros(light.size, bool)
        if invalid is not None:
            missing |= invalid
        values, valid = light.astype("<f8"), ~missing
        values += 0.0
        if missing.any():
            values[missing] = np.frombuffer(_NO_SAMPLE, "<f8")
        self._values.update(values.data)
        self._valid.update(valid.data)

    def finish(self, sample_rate_hz: float) -> str:
        """Return the digest of all samples added, at this rate."""
        whole = f"{self._values.hexdigest()} {self._valid.hexdigest()} {float(sample_rate_hz)!r}"
        return hashlib.sha256(whole.encode()).hexdigest()


class RecordingWriter:
    """Write a recording piece by piece, in bounded memory.

    The file appears when the writer is closed; if the ``with`` block is left by an exception, nothing is left. The
    bytes depend on the samples and the metadata only, not on how the samples were divided.
    `dtype`: the stored type: any integer or floating type.
    `time`: type of a column `time` (timestamp or duration, ns), if the log had one; scoring does not read it.
    `about`: further metadata of the file.
    `dtype`: the stored type, in the byte order of this machine.
    `aside`: where the recording lies until it appears under its name.
    `samples`: number written so far.
    `digest`: digest of the samples, after the writer is closed; passes are tied to it.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "line.parquet"
    >>> with RecordingWriter(path, RecordingInfo(sample_rate_hz=1000, unit="counts"), np.uint16) as out:
    ...     out.append(np.array([5, 7, 6], np.uint16))
    >>> read_recording(path).light[0:3].tolist()
    [5, 7, 6]
    """

    def __init__(
        self,
        path: str | Path,
        info: RecordingInfo,
        dtype: Any,
        *,
        time: Any = None,
        about: dict[bytes, bytes] | None = None,
    ) -> None:
        self.dtype = np.dtype(dtype).newbyteorder("=")
        if self.dtype.kind not in "iuf" or self.dtype.itemsize > 8:
            raise RecordingError(f"light must be of an integer or floating type of at most 64 bits, got {self.dtype}.")
        self._path = path
        self._pieces: list[Any] = []
        self._layout: list[tuple[int, int]] = []
        self._waiting = 0
        self._light_digest = LightDigest()
        self._info, self._about = replace(info, digest=None), about or {}
        self.samples = 0
        self.digest: str | None = None
        fields = [pa.field(COLUMN, pa.from_numpy_dtype(self.dtype))]
        if info.output is not None:
            fields.append(pa.field(OUTPUT, pa.bool_()))
        if time is not None:
            fields.append(pa.field(TIME, time))
        self._schema = pa.schema(fields)
        self._done = False
        with ExitStack() as building:
            self.aside = building.enter_context(write_aside(path))
            self._sink = building.enter_context(pa.OSFile(str(self.aside), "wb"))
            self._writer = building.enter_context(
                pq.ParquetWriter(
                    self._sink,
                    self._schema,
                    compression="zstd",
                    use_dictionary=False,
                    write_page_checksum=True,
                    column_encoding={COLUMN: "BYTE_STREAM_SPLIT"}
                    | ({} if time is None else {TIME: "DELTA_BINARY_PACKED"}),
                )
            )
            self._stack = building.pop_all()

    def append(
        self,
        light: Light,
        invalid: NDArray[np.bool_] | None = None,
        output: NDArray[np.bool_] | None = None,
        time: NDArray[np.int64] | None = None,
    ) -> None:
        """Add samples; masked elements, NaN and those flagged in `invalid` are written as null.

        If the metadata mention the sensor's own output, every piece needs it, one value per sample. The same holds for
        `time`, ns, in which the smallest number means "none".
        """
        if isinstance(light, np.ma.MaskedArray):
            mask = np.ma.getmaskarray(light)
            invalid = mask if invalid is None else mask | invalid
            light = light.data
        if light.ndim != 1 or light.dtype.newbyteorder("=") != self.dtype:
            raise RecordingError(
                f"samples appended must be a one-dimensional array of {self.dtype}, "
                f"got {light.dtype} of shape {light.shape}."
            )
        values = light.astype(self.dtype)  # a copy: the caller may use its buffer again
        if values.dtype.kind == "f" and (nan := np.isnan(values)).any():
            invalid = nan if invalid is None else nan | invalid
        if (output is None) != (self._info.output is None) or (output is not None and output.shape != values.shape):
            raise RecordingError(
                "the sensor's own output comes with every piece, one value a sample, where `info.output` tells of it, "
                "and else with none."
            )
        self._light_digest.update(values, invalid)
        columns = [pa.array(values, mask=invalid if invalid is not None and invalid.any() else None)]
        if output is not None:
            columns.append(pa.array(output.astype(bool)))
        if time is not None:
            none = time == np.iinfo(np.int64).min
            columns.append(pa.array(time, mask=none if none.any() else None).cast(self._schema.field(TIME).type))
        self._pieces.append(pa.table(columns, schema=self._schema))
        self._waiting += values.size
        self.samples += values.size
        if self._waiting >= GROUP_ROWS:
            self._flush(self._waiting - self._waiting % GROUP_ROWS)

    def tell(self, info: RecordingInfo) -> None:
        """Replace the metadata, but for whether there is an output: a log tells its rate by its last row only."""
        self._info = replace(info, digest=None)

    def _flush(self, rows: int) -> None:
        table = pa.concat_tables(self._pieces).combine_chunks()
        for first in range(0, rows, GROUP_ROWS):
            size = min(GROUP_ROWS, rows - first)
            self._writer.write_table(table.slice(first, size))
            self._layout.append((size, self._sink.tell()))
        self._pieces = [table.slice(rows)] if rows < table.num_rows else []
        self._waiting = table.num_rows - rows

    def close(self) -> None:
        """Finish the file and give it its name."""
        if self._done:
            return
        try:
            if self.samples == 0:
                raise RecordingError(f"{self._path}: nothing was recorded; a recording needs at least one sample.")
            if self._waiting:
                self._flush(self._waiting)
            self.digest = self._light_digest.finish(self._info.sample_rate_hz)
            document = info_document(replace(self._info, digest=self.digest))
            # The copy for pandas holds no digest: it would remain when the samples change.
            own = {**metadata_for(METADATA_KEY, info_document(self._info)), **self._about}
            told = {
                METADATA_KEY.encode(): json.dumps(document, allow_nan=False).encode(),
                NULLS_KEY.encode(): nulls_note(self._layout).encode(),
            }
            schema = base64.b64encode(self._schema.with_metadata(own).serialize())
            self._writer.add_key_value_metadata(told | {**own, **told, SCHEMA_KEY: schema})
        except BaseException as fault:
            self._leave(fault)
            raise
        self._done = True
        self._stack.close()

    def abort(self) -> None:
        """Give up and leave no file."""
        self._leave(RecordingError("abandoned"))

    def _leave(self, fault: BaseException) -> None:
        if not self._done:
            self._done = True
            self._stack.__exit__(type(fault), fault, fault.__traceback__)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if fault is None:
            self.close()
        else:
            self._leave(fault)


def write_recording(
    path: str | Path, recording: Recording | Iterable[Block | Light], info: RecordingInfo | None = None, *,
    progress: Callable[[float], None] | None = None,
) -> str | None:  # fmt: skip
    """Write a recording, or a stream of blocks or arrays, in bounded memory.

    Parameters
    ----------
    path : str or Path
        The file to write; it appears only when it is complete.
    recording : Recording, or iterable of Block or ndarray
        The samples; the type of the first piece is the stored type.
    info : RecordingInfo, optional
        The metadata; by default the recording's own.
    progress : callable, optional
        Called with the share done of a recording.

    Returns
    -------
    str or None
        Digest of the samples, to which passes are tied.

    Raises
    ------
    RecordingError
        If there are no samples, or blocks come without `info`.
    """
    logged: Any = None
    if isinstance(recording, Recording):
        if info is None:
            info = recording.info
        if info.output is not None and hasattr(recording.source, "output"):
            logged = recording.source
        elif info.output is not None:
            info = replace(info, output=None)  # a source that has no column for it
        pieces: Iterator[Block | Light] = iter(recording.blocks())
    else:
        pieces = iter(recording)
    if info is None:
        raise RecordingError("a stream of blocks needs `info`: its sample rate and unit.")
    first = next(pieces, None)
    if first is None:
        raise RecordingError(f"{path}: nothing was recorded; a recording needs at least one sample.")
    dtype = first.light.dtype if isinstance(first, Block) else first.dtype
    with RecordingWriter(path, info, dtype) as out:
        for piece in chain([first], pieces):
            if isinstance(piece, Block):
                stop = piece.stop
                out.append(piece.light, piece.invalid, None if logged is None else logged.output(piece.start, stop))
                if progress is not None and isinstance(recording, Recording):
                    progress(stop / recording.samples)
            else:
                out.append(piece)
    return out.digest
