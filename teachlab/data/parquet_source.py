"""The samples of a Parquet file, read row group by row group; the file is never completely in memory."""

from __future__ import annotations

import hashlib
import threading
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray
from pyarrow import fs

from teachlab.data.addresses import first_line, is_address, open_at, system_of
from teachlab.data.atomic_files import NO_FILE, ends, read_current
from teachlab.errors import InputError, RecordingError
from teachlab.model.memory import allowed_memory, need_memory
from teachlab.model.printable_text import number_of, printable
from teachlab.model.recording import BLOCK_SAMPLES, Block, Chunk

COLUMN = "light"
OUTPUT = "output"
"""Column of the sensor's own switching output, bool, beside the light."""
NULLS_KEY = "teachlab.nulls"
"""Metadata key of the note that all invalid samples of floating types are null, so none is hidden as NaN."""
WHOLE_GROUP_ROWS = 1 << 20
"""Row groups up to this many rows are decoded at once; larger ones are streamed."""
SMALL_GROUP_ROWS = 1 << 16
"""Neighbouring row groups are read together up to this many rows."""
DECODED_SAMPLES = 1 << 20
"""Row groups up to this many samples together are decoded at a time while a recording is read through."""
STREAM_BUFFER = 1 << 18
DECODERS = 2
"""Number of threads that decode ahead."""


def open_input(location: str | Path, what: str, error: type[InputError]) -> Any:
    """Open a local path or an address (``s3://…``, ``gs://…``, ``https://…``) for random access.

    Raises InputError of the class `error`: nothing there, a folder, or no access.
    """
    try:
        if not is_address(location):
            return read_current(location, _open_local)
        return open_at(*system_of(str(location)))
    except FileNotFoundError:
        # A web server that does not answer, and one that has no such file, raise the same.
        silent = ", or its server does not answer" if str(location).startswith("http") else ""
        raise error(f"{location}: there is no such file{silent}. Give the path of {what}.") from None
    except IsADirectoryError:
        raise error(f"{location}: this is a folder. Give the path of {what}.") from None
    except (OSError, ValueError, pa.ArrowException) as fault:
        told = getattr(fault, "strerror", None) or first_line(fault)
        raise error(f"{location}: cannot be opened: {told}. Give the path of {what}.") from None


def _open_local(place: Path) -> Any:
    """Open a file; a pipe is refused, because it waits for its writer and has no random access."""
    if not ends(place):
        raise OSError(f"{NO_FILE} (import - reads text from a pipe)")
    return open_at(fs.LocalFileSystem(), str(place.absolute()))


LONGEST_TEXT = 1000
"""Longest label, lot or time in a column, in bytes: a file of a few kilobytes can hold gigabytes of text."""
TEXT_HEAD = 400
"""How many bytes show whether a file is text."""
TIMES_HELD = 3.0
"""Memory of text while Arrow and Python hold it, relative to its size."""
SHORTER = "Give a table with shorter labels, or without this column."
SHORTER_ROWS = "Write the file anew, in smaller pages."


def open_parquet(
    location: str | Path,
    what: str,
    error: type[InputError],
    *,
    packed: Sequence[str] = (),
    read: Collection[str] | None = (),
    known: pq.FileMetaData | None = None,
) -> pq.ParquetFile:
    """Open a Parquet file, reading only its footer unless it is known; text of packed columns is read once per value.

    Of the columns that are to be read (None: all) the heads of the pages are looked at, unless they lie elsewhere.
    """
    source = open_input(location, what, error)
    try:
        how = {"pre_buffer": False, "read_dictionary": list(packed) or None, "page_checksum_verification": True}
        file = pq.ParquetFile(source, metadata=known, **how)
        rows = [file.metadata.row_group(i).num_rows for i in range(file.num_row_groups)]
        if max(rows, default=0) > WHOLE_GROUP_ROWS:
            # Without its own buffer, the reader would fetch the whole column of a row group.
            file = pq.ParquetFile(source, metadata=file.metadata, buffer_size=STREAM_BUFFER, **how)
        if (read is None or read) and not is_address(location):
            _look_at_pages(source, file, read, location, error)
    except (pa.ArrowException, OSError, UnicodeDecodeError) as fault:
        log = not str(location).endswith(".parquet") and _begins_as_text(source)
        source.close()
        if log:
            made = "A recording is made from a log by import (teachlab import LOG --column NAME --out NAME.parquet)."
            raise error(
                f"{location}: this is a text file, not a Parquet file. Give the path of {what}."
                + (f" {made}" if what == "a recording" else "")
            ) from None
        reason = first_line(fault)
        if "magic bytes" in reason:
            reason = "its end is missing, or it never was one"
        elif "size is 0 bytes" in reason:
            reason = "it is empty"
        raise error(
            f"{location}: not a readable Parquet file, or cut short: {reason}. Copy it again, or "
            f"give the path of {what}."
        ) from None
    return file


def _begins_as_text(source: Any) -> bool:
    """Return whether a file that is no Parquet file begins with a line of text."""
    try:
        source.seek(0)
        raw: bytes = source.read(TEXT_HEAD)
        head = raw.partition(b"\n")[0].decode("utf-8", "ignore").replace("\t", " ").strip()
    except (pa.ArrowException, OSError):
        return False
    return head != "" and head.isprintable()


MOST_UNPACKED = 1 << 15
"""A byte of Zstandard never unpacks to more (RFC 8878: 128 KiB from 4 bytes), nor does one of gzip, LZ4 and Snappy."""
ALWAYS_LOOKED_AT = 64
"""Row groups; of later ones only those that could unpack to more than may be used, since looking takes time."""
PAGE_HEAD, MOST_HEAD = 1 << 10, 1 << 24
"""Bytes that nearly every head of a page fits in, and those that none exceeds."""


def _look_at_pages(
    source: Any, file: pq.ParquetFile, read: Collection[str] | None, location: str | Path, error: type[InputError]
) -> None:
    """Refuse columns whose pages unpack to more than may be used, or hold other rows than the footer tells.

    The footer may lie, and so may a page about its rows; about its size a page cannot: the decoder holds it to that.
    """
    room, meta = allowed_memory(), file.metadata
    # Not by `meta.schema`: the two would hold each other, and the footer of a long file takes memory.
    kinds = {field.name: field.type for field in file.schema_arrow}
    for k, parts in enumerate(file.reader.column_paths):
        path = ".".join(parts)
        if not (read is None or path in read or parts[0] in read):
            continue
        name, largest = f"column '{printable(path, most=60)}'", 0
        for number in range(meta.num_row_groups):
            group = meta.row_group(number)
            part, rows = group.column(k), 0
            small = number >= ALWAYS_LOOKED_AT and group.num_rows <= WHOLE_GROUP_ROWS and part.compression != "BROTLI"
            most = 1 if part.compression == "UNCOMPRESSED" else MOST_UNPACKED
            if small and 2.0 * most * part.total_compressed_size <= room:
                continue  # whatever its pages tell, they unpack to less
            at = part.dictionary_page_offset if part.has_dictionary_page else part.data_page_offset
            end = at + part.total_compressed_size
            while at < end and rows < group.num_rows:
                head, length = _page_head(source, at)
                if head is None:
                    break  # the decoder says what is wrong
                largest = max(largest, head.get((2,), 0) if part.compression != "UNCOMPRESSED" else 0)
                rows += head.get((5, 1), 0) + head.get((8, 1), 0)
                at += length + max(0, head.get((3,), 0))
            else:
                if path in kinds and not pa.types.is_nested(kinds[path]) and rows != group.num_rows:
                    raise error(
                        f"{location}: {name} holds {number_of(rows, 'row')} where the end of the file tells of "
                        f"{group.num_rows:,}. The file is damaged; copy it again."
                    )
        need_memory(2.0 * largest, f"{location}: a page of {name}", SHORTER_ROWS)


def _page_head(source: Any, at: int) -> tuple[dict[tuple[int, ...], int] | None, int]:
    """Return the whole numbers of a page's head (Thrift, compact protocol) by their path of fields, and its length."""
    for size in (PAGE_HEAD, MOST_HEAD):
        source.seek(at)
        data = source.read(size)
        found: dict[tuple[int, ...], int] = {}
        with suppress(IndexError, ValueError):
            return found, _thrift(data, 0, (), found)
    return None, 0


def _thrift(data: bytes, at: int, path: tuple[int, ...], found: dict[tuple[int, ...], int]) -> int:
    """Read the fields of one structure; return where it ends."""
    field = 0
    while kind := data[at]:
        field, at = field + (kind >> 4), at + 1
        if not kind >> 4:
            field, at = _varint(data, at)
        kind &= 15
        if kind in (4, 5, 6):  # whole numbers, zigzag
            number, at = _varint(data, at)
            found[*path, field] = (number >> 1) ^ -(number & 1)
        elif kind == 8:  # bytes
            length, at = _varint(data, at)
            at += length
        elif kind == 12 and len(path) < 4:
            at = _thrift(data, at, (*path, field), found)
        elif kind not in (1, 2):  # true and false take no bytes; heads of pages hold nothing else
            raise ValueError(kind)
    return at + 1


def _varint(data: bytes, at: int) -> tuple[int, int]:
    number = shift = 0
    while True:
        byte, at = data[at], at + 1
        number |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            return number, at
        if shift > 63:
            raise ValueError(shift)


def text_columns(file: pq.ParquetFile, wanted: Collection[str]) -> list[str]:
    """Return the wanted columns that hold text, after a check of their unpacked size.

    Raises ParameterError if the text of one row group takes more than the allowed memory.
    """
    schema = file.schema_arrow
    names = [f.name for f in schema if f.name in wanted and (_is_text(f.type) or _is_text(_inner(f.type)))]
    for group in range(file.metadata.num_row_groups):
        parts = file.metadata.row_group(group)
        for column in map(parts.column, range(parts.num_columns)):
            if column.path_in_schema in names:
                what = f"text of column '{column.path_in_schema}'"
                need_memory(2.0 * column.total_uncompressed_size, what, SHORTER)
    return names


def _is_text(kind: pa.DataType) -> bool:
    return any(test(kind) for test in (pa.types.is_string, pa.types.is_large_string, pa.types.is_binary))


def _inner(kind: pa.DataType) -> pa.DataType:
    return kind.value_type if pa.types.is_dictionary(kind) else kind


def unpacked(column: Any, name: str, location: str | Path, error: type[InputError]) -> Any:
    """Return a packed text column as plain text, if no value is longer than allowed.

    Raises InputError of the requested class, with the column and the length.
    """
    for piece in column.chunks if isinstance(column, pa.ChunkedArray) else [column]:
        if not pa.types.is_dictionary(piece.type):
            continue
        lengths = pc.binary_length(piece.dictionary)
        whole = pc.sum(lengths.take(piece.indices)).as_py() or 0
        need_memory(TIMES_HELD * whole, f"{location}: text of column '{printable(name, most=60)}'", SHORTER)
        longest = pc.max(lengths).as_py() or 0
        if longest > LONGEST_TEXT:
            raise error(
                f"{location}: column '{printable(name, most=60)}' holds a text of {longest:,} bytes; at most "
                f"{LONGEST_TEXT:,} can be a label, a lot or a time. Leave the column out, or shorten it."
            )
    return column.cast(column.type.value_type) if pa.types.is_dictionary(column.type) else column


class ParquetSource:
    """Column `light` of a Parquet file as a `teachlab.model.recording.LightSource`.

    One file handle is kept and used by one thread at a time. Pickling keeps only the location; the file is opened again
    where it is used.

    `location`: local path or URI.
    Raises RecordingError if the file cannot be read, or has no usable column `light`.
    """

    def __init__(self, location: str | Path) -> None:
        self.location = str(location)
        self._file = open_parquet(location, "a recording", RecordingError, read=(COLUMN, OUTPUT))
        self.dtype = _light_dtype(self._file.schema_arrow, self.location)
        self._groups = _group_starts(self._file)
        if self.samples == 0:
            raise RecordingError(f"{location}: column '{COLUMN}' has no rows. A recording needs at least one sample.")
        self._chunks: list[tuple[Chunk, int, int]] | None = None
        self._lock = threading.Lock()
        self._kept: tuple[tuple[int, int], Block] | None = None
        self._stream: _GroupStream | None = None
        self._spare: list[pq.ParquetFile] = []

    # Worker processes open the file again: handles, locks and kept blocks are not copied.
    def __reduce__(self) -> tuple[type[ParquetSource], tuple[str]]:
        return ParquetSource, (self.location,)

    @property
    def samples(self) -> int:
        """How many samples there are."""
        return int(self._groups[-1])

    @property
    def metadata(self) -> dict[bytes, bytes]:
        """Key-value metadata of the file."""
        return {**(self._file.schema_arrow.metadata or {}), **(self._file.metadata.metadata or {})}

    def footer_digest(self) -> str:
        """Return the SHA-256 of the storage layout of the light: rewritten light has another one."""
        meta, column = self._file.metadata, self._file.schema_arrow.names.index(COLUMN)
        groups = [meta.row_group(i).column(column).to_dict() for i in range(meta.num_row_groups)]
        return hashlib.sha256(repr((meta.num_rows, groups)).encode()).hexdigest()

    def chunks(self) -> Sequence[Chunk]:
        """Return what can be read at once.

        `low` and `high` bound the samples of a chunk. They come from the statistics of whole row groups and exist only
        for columns without nulls: of integers; or of floats if a note that belongs to this file says that it holds no
        NaN, because the statistics of floats ignore NaN.
        """
        return [chunk for chunk, _, _ in self._plan()]

    def read(self, start: int, stop: int) -> Block:
        """Return the samples ``[start, stop)``."""
        parts = list(self._pieces(start, stop))
        return Block.joined(parts) if parts else Block(start, np.empty(0, self.dtype))

    def output(self, start: int, stop: int) -> NDArray[np.bool_]:
        """Return the column `output` over the samples ``[start, stop)``: the sensor's own logged output.

        Raises RecordingError if there is no such column, or a sample is neither true nor false.
        """
        kinds = [self._file.schema_arrow.field(k).type for k in self._file.schema_arrow.get_all_field_indices(OUTPUT)]
        if len(kinds) != 1 or not pa.types.is_boolean(kinds[0]):
            came = "none" if not kinds else ", ".join(map(str, kinds))
            raise RecordingError(
                f"{self.location}: the sensor's own output is one column '{OUTPUT}' of true and false, got {came}."
            )
        first = max(0, bisect_right(self._groups, start) - 1)
        last = int(np.searchsorted(self._groups, stop))
        try:
            with self._lock:
                table = self._file.read_row_groups(range(first, last), columns=[OUTPUT], use_threads=False)
        except (pa.ArrowException, OSError) as fault:
            raise RecordingError(
                f"{self.location}: column '{OUTPUT}' cannot be decoded: {first_line(fault)}."
            ) from None
        column = table.column(OUTPUT)
        if column.null_count:
            row = int(self._groups[first]) + column.is_null().to_pylist().index(True)
            raise RecordingError(
                f"{self.location}: column '{OUTPUT}', row {row}: no value. Every sample needs true or false."
            )
        whole = column.cast(pa.uint8()).to_numpy().astype(bool)
        return np.asarray(whole[start - int(self._groups[first]) :][: stop - start])

    def blocks(self, start: int, stop: int, size: int) -> Iterator[Block]:
        """Iterate over ``[start, stop)``, at most `size` samples each.

        While the caller works on one piece, two threads decode the next ones, each with its own handle.
        """
        # More is decoded at once than is returned: threads that wait for each other take time.
        # Of a quiet log single pieces are asked for, thousands of times: the others are not looked at.
        whole = self._plan()
        first, last = (bisect_left(whole, at, key=key) for at, key in ((start + 1, _stop_of), (stop, _start_of)))
        inside = whole[first:last]
        most = max(size, DECODED_SAMPLES)
        plan = _merged(inside, most)
        # Decoding takes longer than the work on the light, and releases the interpreter: two threads stay ahead.
        if len(inside) <= 1 or any(self._is_giant(group) for _, group, _ in plan):
            for piece in self._pieces(start, stop):
                yield from _cut(piece, size)
            return
        if len(plan) == 1:
            chunk = plan[0][0]
            with self._lock:
                piece = self._decode_now(self._file, *plan[0])
            yield from _cut(piece.part(max(start, chunk.start), min(stop, chunk.stop)), size)
            return
        # The caller waits for the first piece: its first row groups are there sooner.
        rest = inside[1 : bisect_left(inside, plan[0][0].stop, key=_stop_of) + 1]
        plan = [inside[0], *_merged(rest, most), *plan[1:]]
        # A handle is never used by two threads at a time, and is opened only once. They share the footer: one of many
        # row groups takes long to read, and memory.
        known = self._file.metadata
        handles = [
            self._spare.pop()
            if self._spare
            else open_parquet(self.location, "a recording", RecordingError, known=known)
            for _ in range(DECODERS)
        ]
        with ThreadPoolExecutor(DECODERS, "teachlab-decode") as pool:

            def submit(k: int) -> Future[Block]:
                # Pieces k and k + DECODERS share a handle; the second one is requested when the first is done.
                return pool.submit(self._decode_now, handles[k % DECODERS], *plan[k])

            ahead = deque(submit(k) for k in range(min(DECODERS, len(plan))))
            for k, (chunk, _, _) in enumerate(plan):
                piece = ahead.popleft().result()
                if k + DECODERS < len(plan):
                    ahead.append(submit(k + DECODERS))
                yield from _cut(piece.part(max(start, chunk.start), min(stop, chunk.stop)), size)
        self._spare += handles

    def _pieces(self, start: int, stop: int) -> Iterator[Block]:
        if start >= stop:
            return
        plan = self._plan()
        first = bisect_right(plan, start, key=_start_of) - 1
        for chunk, group, groups in plan[first:]:
            if chunk.start >= stop:
                return
            a, b = max(start, chunk.start), min(stop, chunk.stop)
            with self._lock:
                whole = self._decode(chunk, group, groups)
            yield whole.part(a, b)

    def _plan(self) -> list[tuple[Chunk, int, int]]:
        if self._chunks is None:
            self._chunks = _plan_chunks(self._file, self._groups, self.dtype)
        return self._chunks

    def _decode(self, chunk: Chunk, group: int, groups: int) -> Block:
        """Return a whole chunk; the last one is kept for repeated reads."""
        if self._kept is not None and self._kept[0] == (chunk.start, chunk.stop):
            return self._kept[1]
        block = self._decode_now(self._file, chunk, group, groups)
        self._kept = ((chunk.start, chunk.stop), block)
        return block

    def _is_giant(self, group: int) -> bool:
        return bool(self._groups[group + 1] - self._groups[group] > WHOLE_GROUP_ROWS)

    def _decode_now(self, file: pq.ParquetFile, chunk: Chunk, group: int, groups: int) -> Block:
        try:
            if not self._is_giant(group):
                table = file.read_row_groups(range(group, group + groups), columns=[COLUMN], use_threads=False)
                return self._whole(chunk, table.column(COLUMN).chunks)
            stream = self._stream
            # Forwards, a giant group is streamed on from the last position; backwards it must be started again.
            if stream is None or stream.group != group or stream.at > chunk.start:
                stream = self._stream = _GroupStream(file, group, int(self._groups[group]))
            return self._whole(chunk, stream.take(chunk.start, chunk.stop))
        except (pa.ArrowException, OSError) as fault:
            # Of several row groups, the first damaged one is named.
            for one in range(group, group + groups if groups > 1 else group):
                self._decode_now(file, Chunk(*self._groups[one : one + 2].tolist()), one, 1)
            raise RecordingError(
                f"{self.location}: samples {chunk.start} to {chunk.stop - 1} of column '{COLUMN}' cannot be decoded: "
                f"{first_line(fault)}. The file is damaged; copy it again."
            ) from None

    def _whole(self, chunk: Chunk, arrays: list[Any]) -> Block:
        if sum(map(len, arrays)) != chunk.stop - chunk.start:
            raise RecordingError(
                f"{self.location}: column '{COLUMN}' ends before sample {chunk.stop - 1}, of which the end of the file "
                "tells. The file is damaged; copy it again."
            )
        return _to_block(chunk.start, arrays, self.dtype)


class _GroupStream:
    """Batches of one giant row group, in order, on the grid of its chunks."""

    def __init__(self, file: pq.ParquetFile, group: int, start: int) -> None:
        self.group, self.at = group, start
        self._batches = file.iter_batches(
            batch_size=BLOCK_SAMPLES, row_groups=[group], columns=[COLUMN], use_threads=False
        )
        self._rest: Any = None

    def take(self, start: int, stop: int) -> list[Any]:
        out: list[Any] = []
        while self.at < stop:
            if self._rest is None or not len(self._rest):
                following = next(self._batches, None)
                if following is None:
                    break
                self._rest = following.column(COLUMN)
            batch = self._rest
            skip = min(len(batch), max(0, start - self.at))
            used = min(len(batch), stop - self.at)
            if used > skip:
                out.append(batch.slice(skip, used - skip))
            self._rest = batch.slice(used)
            self.at += used
        return out


def _light_dtype(schema: pa.Schema, location: str) -> np.dtype[Any]:
    columns = schema.get_all_field_indices(COLUMN)
    if not columns:
        names = ", ".join(repr(name) for name in schema.names[:12]) or "none"
        raise RecordingError(
            f"{location}: there is no column '{COLUMN}'; the columns are: {names}. "
            "Turn other logs into a recording with `teachlab import`."
        )
    if len(columns) > 1:
        raise RecordingError(f"{location}: column '{COLUMN}' occurs {len(columns)} times. Keep one of them.")
    kind = schema.field(columns[0]).type
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind)):
        raise RecordingError(
            f"{location}: column '{COLUMN}' must be of an integer or floating type, got {kind}. "
            "Convert it to numbers, or use `teachlab import` on the original log."
        )
    found: np.dtype[Any] = np.dtype(kind.to_pandas_dtype())
    return found


def _group_starts(file: pq.ParquetFile) -> np.ndarray[Any, np.dtype[np.int64]]:
    rows = [file.metadata.row_group(i).num_rows for i in range(file.num_row_groups)]
    return np.concatenate([[0], np.cumsum(np.asarray(rows, np.int64))]).astype(np.int64)


def _plan_chunks(file: pq.ParquetFile, starts: Any, dtype: np.dtype[Any]) -> list[tuple[Chunk, int, int]]:
    """Return chunks with their first row group and the number of groups: small groups joined, giant ones divided."""
    bounds = _statistics(file, dtype)
    out: list[tuple[Chunk, int, int]] = []
    group, count = 0, file.num_row_groups
    while group < count:
        a, upto = int(starts[group]), group + 1
        while upto < count and starts[upto + 1] - a <= SMALL_GROUP_ROWS:
            upto += 1
        b = int(starts[upto])
        low, high = _merge([bounds(g) for g in range(group, upto) if starts[g + 1] > starts[g]])
        step = BLOCK_SAMPLES if b - a > WHOLE_GROUP_ROWS else max(1, b - a)
        out += [(Chunk(c, min(c + step, b), low, high), group, upto - group) for c in range(a, b, step)]
        group = upto
    return out


def _start_of(entry: tuple[Chunk, int, int]) -> int:
    return entry[0].start


def _stop_of(entry: tuple[Chunk, int, int]) -> int:
    return entry[0].stop


def _merged(plan: list[tuple[Chunk, int, int]], size: int) -> list[tuple[Chunk, int, int]]:
    """Join neighbouring chunks of whole row groups up to `size` samples: fewer calls decode faster."""
    out: list[tuple[Chunk, int, int]] = []
    for chunk, group, groups in plan:
        if out and out[-1][1] + out[-1][2] == group and chunk.stop - out[-1][0].start <= size:
            before, first, many = out[-1]
            out[-1] = (Chunk(before.start, chunk.stop), first, many + groups)
        else:
            out.append((chunk, group, groups))
    return out


def _merge(pairs: list[tuple[float, float] | None]) -> tuple[float | None, float | None]:
    known = [pair for pair in pairs if pair is not None]
    if not known or len(known) < len(pairs):
        # If one group has no statistics, nothing is known of the whole chunk: it will be read.
        return None, None
    return min(low for low, _ in known), max(high for _, high in known)


def _statistics(file: pq.ParquetFile, dtype: np.dtype[Any]) -> Callable[[int], tuple[float, float] | None]:
    meta = file.metadata
    # The names in the row groups repeat those of the schema, and may be damaged.
    column = file.reader.column_paths.index([COLUMN])
    trusted = dtype.kind in "iu" or (dtype.itemsize >= 4 and _only_nulls(meta))

    def bounds(group: int) -> tuple[float, float] | None:
        if not trusted:
            return None
        found = meta.row_group(group).column(column).statistics
        if found is None or not found.has_min_max or not found.has_null_count or found.null_count != 0:
            return None
        # Samples are compared as float64, and that conversion is monotone.
        return float(found.min), float(found.max)

    return bounds


def nulls_note(layout: Sequence[tuple[int, int]]) -> str:
    """Return the note that every invalid sample is null, tied to the layout of a file.

    `layout`: rows of every row group, and the byte at which it ends. A program that writes other samples and copies the
    note writes another layout, because encoded samples have another size.
    """
    return hashlib.sha256(repr([(int(rows), int(end)) for rows, end in layout]).encode()).hexdigest()


def _only_nulls(meta: pq.FileMetaData) -> bool:
    """Whether a file has the note, and the note belongs to it."""
    note = (meta.metadata or {}).get(NULLS_KEY.encode())
    return note is not None and note.decode(errors="replace") == nulls_note(
        [(group.num_rows, _end(group)) for group in map(meta.row_group, range(meta.num_row_groups))]
    )


def _end(group: pq.RowGroupMetaData) -> int:
    last = group.column(group.num_columns - 1)
    begin = last.dictionary_page_offset if last.has_dictionary_page else last.data_page_offset
    return int(begin + last.total_compressed_size)


def _to_block(start: int, arrays: list[Any], dtype: np.dtype[Any]) -> Block:
    array = arrays[0] if len(arrays) == 1 else pa.concat_arrays(arrays)
    if isinstance(array, pa.ChunkedArray):
        array = array.combine_chunks()
    if array.null_count == 0:
        # `to_numpy` of pyarrow would load pandas, which takes as long as many a command.
        return Block(start, np.from_dlpack(array))
    invalid = array.is_null().to_numpy(zero_copy_only=False)
    # The bytes under a null are arbitrary: give them one value.
    filler = pa.scalar(float("nan") if dtype.kind == "f" else 0, array.type)
    light = array.fill_null(filler).to_numpy(zero_copy_only=True)
    return Block(start, light, invalid)


def _cut(block: Block, size: int) -> Iterator[Block]:
    for start in range(block.start, block.stop, size):
        yield block.part(start, min(start + size, block.stop))
