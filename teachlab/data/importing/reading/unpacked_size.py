"""The unpacked size of a packed log, found before it is unpacked: a small file may hold more than memory does."""

from __future__ import annotations

import math
import re
import zipfile
import zlib
from collections.abc import Iterator
from typing import Any, BinaryIO
from xml.parsers import expat

from teachlab.data.importing.reading.fields import Fields
from teachlab.errors import RecordingError
from teachlab.model.memory import allowed_memory, need_memory
from teachlab.model.printable_text import number_of

SHORTER = "Export a shorter stretch."
CELL_BYTES = 60
"""Bytes for a cell of a sheet: once as a value, once as text."""
SHEET_TIMES = 3.0
"""Memory of a sheet for each byte of its XML."""
MOST_DEFLATED = 1032
"""A byte of deflate never unpacks to more bytes (RFC 1951: 258 bytes from 2 bits)."""
PIECE = 1 << 20
DEFLATE, CHECKSUM, SZIP, NBIT, SCALE_OFFSET, LZF = 1, 3, 4, 5, 6, 32000
MOST_LZF = 88
"""A reference of LZF takes 3 bytes and stands for 264 at most."""


def need_for_batches(source: Any, path: str) -> None:
    """Refuse an Arrow file (Feather) if one of its batches unpacks to more than the allowed memory.

    `source`: read by its footer; every packed buffer begins with its unpacked length (Arrow columnar format,
    "Compression").
    Raises ParameterError with the figure.
    Raises RecordingError if footer or batches are outside the file.
    """
    try:
        most = max((sum(sizes) for sizes in _batches(source)), default=0)
    except (ValueError, OverflowError):
        raise RecordingError(
            f"{path}: not a readable Feather (Arrow IPC) file, or cut short. Give the path of a log."
        ) from None
    need_memory(2.0 * most, f"{path}: a batch of rows", SHORTER)


def _batches(source: Any) -> Iterator[list[int]]:
    """Yield the unpacked bytes of every buffer, batch by batch, including dictionaries."""
    size = source.seek(0, 2)
    source.seek(size - 10)
    length = Fields(source.read(4)).one(0, "i")
    source.seek(size - 10 - length)
    footer = _Table.root(source.read(length))
    for field in (2, 3):  # dictionaries, record batches: (offset, length of metadata, length of body)
        for at, head, body in footer.structs(field, "qi4xq"):
            source.seek(at)
            batch = _Table.root(source.read(head)[8:]).table(2)
            if field == 2:
                batch = batch.table(1)
            sizes = []
            packed = batch.has(3)
            for start, held in batch.structs(2, "qq"):
                if not (start >= 0 and held >= 0 and start + held <= body):
                    raise ValueError("a buffer outside its batch")
                if packed and held >= 8:
                    source.seek(at + head + start)
                    told = Fields(source.read(8)).one(0, "q")
                    held = held if told < 0 else told
                sizes.append(held)
            yield sizes


class _Table:
    """A table of a FlatBuffer: fields by number, as the format lays them out."""

    def __init__(self, data: Fields, at: int) -> None:
        self._data, self._at, self._fields = data, at, at - data.one(at, "i")

    @classmethod
    def root(cls, data: bytes) -> _Table:
        fields = Fields(data)
        return cls(fields, fields.one(0, "I"))

    def _place(self, field: int) -> int:
        place = 4 + 2 * field
        known = place + 2 <= self._data.one(self._fields, "H")
        offset = self._data.one(self._fields + place, "H") if known else 0
        return self._at + offset if offset else 0

    def has(self, field: int) -> bool:
        return self._place(field) != 0

    def table(self, field: int) -> _Table:
        place = self._place(field)
        if not place:
            raise ValueError("a field is missing")
        return _Table(self._data, place + self._data.one(place, "I"))

    def structs(self, field: int, layout: str) -> Iterator[tuple[int, ...]]:
        if place := self._place(field):
            first = place + self._data.one(place, "I")
            yield from self._data.rows(first + 4, layout, self._data.one(first, "I"))


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
    seen, tail = 0, b""
    cells = _OpenSheets() if member.filename == "content.xml" else _Cells()
    with zipfile.ZipFile(file).open(member) as part:
        while piece := part.read(PIECE):
            seen += len(piece)
            need_memory(SHEET_TIMES * seen, what, SHORTER)
            if sheet:
                cells.look(tail, piece)
                tail = piece[-40:]
    size = f"{cells.rows:,} × {cells.columns:,} cells" if cells.rows < 1e15 else "endless rows"
    need_memory(float(CELL_BYTES) * cells.rows * cells.columns, f"{what} of {size}", SHORTER)


class _Cells:
    """The last row and column that a sheet of an Excel workbook names."""

    def __init__(self) -> None:
        self.rows = self.columns = 1

    def look(self, tail: bytes, piece: bytes) -> None:
        for letters, row in _CELL.findall(tail + piece):
            self.rows = max(self.rows, int(row))
            self.columns = max(self.columns, column_number(letters))


class _OpenSheets(_Cells):
    """The same of an OpenDocument, which repeats rows and cells by a number (OpenDocument 1.2, 19.675 and 19.679)."""

    def __init__(self) -> None:
        super().__init__()
        self._row = self._column = 0
        self._parser = expat.ParserCreate()
        self._parser.StartElementHandler = self._begins
        self._parser.EntityDeclHandler = self._refused  # entities multiply, and no program writes them here

    def look(self, tail: bytes, piece: bytes) -> None:
        self._parser.Parse(piece)

    def _begins(self, name: str, attributes: dict[str, str]) -> None:
        name = name.rpartition(":")[2]
        if name == "table":
            self._row = 0
        elif name == "table-row":
            self._row, self._column = self._row + repeated(attributes, "rows"), 0
        elif name in ("table-cell", "covered-table-cell"):
            self._column += repeated(attributes, "columns")
            # What is empty takes room only where something follows it.
            if any("value" in key or "formula" in key for key in attributes):
                self.rows, self.columns = max(self.rows, self._row), max(self.columns, self._column)

    @staticmethod
    def _refused(*given: object) -> None:
        raise ValueError("it declares entities")


def repeated(attributes: dict[str, str], what: str) -> int:
    """Return how many rows or columns an element of an OpenDocument stands for."""
    return next((int(v) for key, v in attributes.items() if key.endswith(f"number-{what}-repeated")), 1)


def column_number(letters: bytes) -> int:
    """Return the number of a column from its letters.

    Examples
    --------
    >>> column_number(b"A"), column_number(b"AA"), column_number(b"XFD")
    (1, 27, 16384)
    """
    return sum((letter - 64) * 26**k for k, letter in enumerate(reversed(letters)))


def need_for_chunk(path: str, name: str, node: Any) -> None:
    """Refuse an HDF5 data set if one chunk, which is unpacked completely, takes more than the allowed memory."""
    if node.chunks:
        size = 2.0 * math.prod(node.chunks) * node.dtype.itemsize
        need_memory(size, f"{path}: a chunk of '{name[:60]}'", SHORTER)


def need_for_stored(path: str, name: str, node: Any) -> None:
    """Refuse an HDF5 data set that tells of more samples than were written, or a chunk that unpacks to more than told.

    What was never written would be read as the filler, without end; and the filter of deflate follows its stream
    however long that is (HDF5 file format 3.0, IV.A.2.l).
    """
    where, stored = f"{path}: '{name[:60]}'", node.id.get_storage_size()
    if not node.chunks:
        if stored < node.size * node.dtype.itemsize:
            raise RecordingError(f"{where} tells of {node.size:,} samples, which were never written. Log it again.")
        return
    chunks: list[Any] = []
    node.id.chunk_iter(chunks.append)
    needed = math.prod(-(-side // chunk) for side, chunk in zip(node.shape, node.chunks, strict=True))
    if len(chunks) < needed:
        raise RecordingError(
            f"{where} tells of {number_of(node.size, 'sample')}; {len(chunks):,} of its {needed:,} chunks were "
            "written. Export the part that was logged."
        )
    _need_for_filters(node, chunks, f"{path}: a chunk of '{name[:60]}'")


def _need_for_filters(node: Any, chunks: list[Any], what: str) -> None:
    """Look at what the filters of a data set make of each chunk; codes as the HDF Group registers them."""
    settings = node.id.get_create_plist()
    filters = [settings.get_filter(k) for k in range(settings.get_nfilters())]
    held = math.prod(node.chunks)
    for k, (code, _, values, _) in enumerate(filters):
        if code in (DEFLATE, LZF) and any(later != CHECKSUM for later, *_ in filters[k + 1 :]):
            raise RecordingError(f"{what} is packed more than once. Export it with one compression.")
        packed = [one for one in chunks if not one.filter_mask & 1 << k]
        if (code in (NBIT, SCALE_OFFSET) and values[2] > held) or (
            code == SZIP and any(_told(node, one) > held * node.dtype.itemsize for one in packed)
        ):
            raise RecordingError(f"{what} tells of more samples than it holds. The file is damaged; copy it again.")
        for one in packed:
            if code == LZF:
                need_memory(2.0 * MOST_LZF * one.size, what, SHORTER)
            elif code == DEFLATE and 2.0 * MOST_DEFLATED * one.size > allowed_memory():
                for unpacked in inflated(zlib.decompressobj(), _stored(node, one)):
                    need_memory(2.0 * unpacked, what, SHORTER)


def _stored(node: Any, chunk: Any) -> bytes:
    found: bytes = node.id.read_direct_chunk(chunk.chunk_offset)[1]
    return found


def _told(node: Any, chunk: Any) -> int:
    """Return the unpacked bytes that a chunk of SZIP tells of in its first four."""
    return int.from_bytes(_stored(node, chunk)[:4], "little")


def inflated(part: Any, piece: bytes) -> Iterator[int]:
    """Yield how many bytes have come of a piece so far, unpacked in small steps and let go."""
    unpacked = 0
    while piece:
        unpacked += len(part.decompress(piece, PIECE))
        yield unpacked
        piece = part.unconsumed_tail
