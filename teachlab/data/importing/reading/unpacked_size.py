"""The unpacked size of a packed log, found before it is unpacked: a small file may hold more than memory does."""

from __future__ import annotations

import math
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from typing import Any, BinaryIO

from teachlab.errors import ParameterError, RecordingError
from teachlab.model.memory import allowed_memory, need_memory

SHORTER = "Export a shorter stretch."
CELL_BYTES = 60
"""Bytes for a cell of a sheet: once as a value, once as text."""
SHEET_TIMES = 3.0
"""Memory of a sheet for each byte of its XML."""
MOST_DEFLATED = 1032
"""A byte of deflate never unpacks to more bytes (RFC 1951: 258 bytes from 2 bits)."""
MAT_TIMES, PACKED_VARIABLE = 2.0, 15
"""Memory of variables per byte while they are read; type of a packed element (MAT-file format, level 5)."""
PIECE = 1 << 20


def need_for_batches(source: Any, path: str) -> None:
    """Refuse an Arrow file (Feather) if one of its batches unpacks to more than the allowed memory.

    Parameters
    ----------
    source : file-like
        Read by its footer; every packed buffer begins with its unpacked length (Arrow columnar format, "Compression").
    path : str
        For the message.

    Raises
    ------
    ParameterError
        With the figure.
    RecordingError
        If footer or batches are outside the file.
    """
    try:
        most = max((sum(sizes) for sizes in _batches(source)), default=0)
    except (struct.error, ValueError, IndexError, OverflowError):
        raise RecordingError(
            f"{path}: not a readable Feather (Arrow IPC) file, or cut short. Give the path of a log."
        ) from None
    need_memory(2.0 * most, f"{path}: a batch of rows", SHORTER)


def _batches(source: Any) -> Iterator[list[int]]:
    """Yield the unpacked bytes of every buffer, batch by batch, including dictionaries."""
    size = source.seek(0, 2)
    source.seek(size - 10)
    (length,) = struct.unpack("<i", source.read(4))
    source.seek(size - 10 - length)
    footer = _Table.root(source.read(length))
    for field in (2, 3):  # dictionaries, record batches: (offset, length of metadata, length of body)
        for block in footer.structs(field, 24):
            at, head, _, body = struct.unpack("<qiiq", block)
            source.seek(at)
            message = _Table.root(source.read(head)[8:])
            batch = message.table(2)
            if field == 2:
                batch = batch.table(1)
            sizes = []
            packed = batch.has(3)
            for buffer in batch.structs(2, 16):
                start, held = struct.unpack("<qq", buffer)
                if not (start >= 0 and held >= 0 and start + held <= body):
                    raise ValueError("a buffer outside its batch")
                if packed and held >= 8:
                    source.seek(at + head + start)
                    (told,) = struct.unpack("<q", source.read(8))
                    held = held if told < 0 else told
                sizes.append(held)
            yield sizes


class _Table:
    """A table of a FlatBuffer: fields by number, as the format lays them out."""

    def __init__(self, data: bytes, at: int) -> None:
        (back,) = struct.unpack_from("<i", data, at)
        self._data, self._at, self._fields = data, at, at - back
        if self._fields < 0:
            raise ValueError("a table outside its message")

    @classmethod
    def root(cls, data: bytes) -> _Table:
        return cls(data, struct.unpack_from("<I", data, 0)[0])

    def _place(self, field: int) -> int:
        (size,) = struct.unpack_from("<H", self._data, self._fields)
        place = 4 + 2 * field
        offset = struct.unpack_from("<H", self._data, self._fields + place)[0] if place + 2 <= size else 0
        return self._at + offset if offset else 0

    def has(self, field: int) -> bool:
        return self._place(field) != 0

    def table(self, field: int) -> _Table:
        place = self._place(field)
        if not place:
            raise ValueError("a field is missing")
        return _Table(self._data, place + struct.unpack_from("<I", self._data, place)[0])

    def structs(self, field: int, size: int) -> Iterator[bytes]:
        place = self._place(field)
        if not place:
            return
        first = place + struct.unpack_from("<I", self._data, place)[0]
        (count,) = struct.unpack_from("<I", self._data, first)
        for k in range(count):
            yield struct.unpack_from(f"{size}s", self._data, first + 4 + size * k)[0]


def need_for_workbook(path: str) -> None:
    """Refuse a workbook whose sheets unpack to more than the allowed memory, or whose last cell makes an endless sheet.

    The directory of a ZIP may state false sizes, so members that could unpack to too much are unpacked once, piece by
    piece.
    """
    with open(path, "rb") as file:
        if file.read(4) != b"PK\x03\x04":
            return
        for member in zipfile.ZipFile(file).infolist():
            what = f"{path}: the part '{member.filename[:60]}' of this workbook"
            need_memory(SHEET_TIMES * member.file_size, what, SHORTER)
            name = member.filename
            sheet = (name.startswith("xl/worksheets/") and name.endswith(".xml")) or name == "content.xml"
            if sheet or SHEET_TIMES * MOST_DEFLATED * member.compress_size > allowed_memory():
                _look_through(file, member, what, sheet=sheet)


_CELL = re.compile(rb'\br="([A-Z]{1,3})([0-9]{1,7})"')


def _look_through(file: BinaryIO, member: zipfile.ZipInfo, what: str, *, sheet: bool) -> None:
    """Unpack a part piece by piece; count its bytes, and the cells up to the last one that it names."""
    seen, rows, columns, tail = 0, 1, 1, b""
    with zipfile.ZipFile(file).open(member) as part:
        while piece := part.read(PIECE):
            seen += len(piece)
            need_memory(SHEET_TIMES * seen, what, SHORTER)
            if sheet:
                for letters, row in _CELL.findall(tail + piece):
                    rows = max(rows, int(row))
                    columns = max(columns, _column(letters))
                tail = piece[-40:]
    need_memory(float(CELL_BYTES) * rows * columns, f"{what} of {rows:,} × {columns:,} cells", SHORTER)


def _column(letters: bytes) -> int:
    """Return the number of a column from its letters.

    Examples
    --------
    >>> _column(b"A"), _column(b"AA"), _column(b"XFD")
    (1, 27, 16384)
    """
    return sum((letter - 64) * 26**k for k, letter in enumerate(reversed(letters)))


def need_for_variables(path: str) -> None:
    """Refuse a MAT file whose packed variables unpack to more than the allowed memory: counted, piece by piece."""
    what = f"{path}: the variables of this file"
    with open(path, "rb") as file:
        order = ">" if file.read(128)[126:128] == b"MI" else "<"
        size, unpacked = file.seek(0, 2), 0
        if MAT_TIMES * MOST_DEFLATED * size <= allowed_memory():
            return
        file.seek(128)
        while len(tag := file.read(8)) == 8:
            kind, length = struct.unpack(f"{order}II", tag)
            if kind != PACKED_VARIABLE:
                file.seek(length, 1)
                continue
            part = zlib.decompressobj()
            while length > 0 and (piece := file.read(min(length, PIECE))):
                length -= len(piece)
                while piece:
                    unpacked += len(part.decompress(piece, PIECE))
                    need_memory(MAT_TIMES * unpacked, what, SHORTER)
                    piece = part.unconsumed_tail


def need_for_chunk(path: str, name: str, node: Any) -> None:
    """Refuse an HDF5 data set if one chunk, which is unpacked completely, takes more than the allowed memory."""
    if node.chunks:
        size = 2.0 * math.prod(node.chunks) * node.dtype.itemsize
        need_memory(size, f"{path}: a chunk of '{name[:60]}'", SHORTER)


def need_for_blocks(path: str) -> None:
    """Refuse an MDF file if one packed block (``##DZ``) unpacks to more than the allowed memory."""
    import mmap

    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        at = data.find(b"##DZ")
        while at >= 0 and at + 48 <= len(data):
            (size,) = struct.unpack_from("<Q", data, at + 32)
            try:
                need_memory(3.0 * size, f"{path}: a block of this file", SHORTER)
            except ParameterError:
                (packed,) = struct.unpack_from("<Q", data, at + 40)
                if at + 48 + packed <= len(data):  # else these four letters are samples
                    raise
            at = data.find(b"##DZ", at + 4)
