"""Delimited text as a log, block by block from a file, a compressed file or standard input."""

from __future__ import annotations

import codecs
import io
import os
import re
import select
import sys
import time
from collections import deque
from collections.abc import Callable, Collection, Generator, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv as pacsv

from teachlab.data.importing.reading.arrow_log import ArrowLog, HeadBegin
from teachlab.data.importing.reading.cells import (
    is_number,
    is_timestamp,
    pointed_thousands,
    refuse_points,
    refuse_powers,
)
from teachlab.data.importing.reading.place import Place
from teachlab.data.importing.reading.text_layout import (
    COMMENT,
    DELIMITERS,
    SPACES,
    Layout,
    TextOptions,
    cut,
    find_layout,
)
from teachlab.data.parquet_source import open_input
from teachlab.data.strict_json import shown
from teachlab.errors import ParameterError, RecordingError
from teachlab.model.printable_text import number_of

__all__ = ["Log", "TextLog", "TextOptions"]

HEAD_BYTES = 1 << 16
BLOCK_BYTES = 1 << 23
PARSED_BYTES = 1 << 20
"""Size of the pieces of a block that are parsed in parallel."""
MOST_LINE_BYTES = 1 << 24
"""A few packed bytes can hold gigabytes of text without the end of a line."""
MOST_COLUMNS = 100_000
SUMMARY_ROWS = 20
MARKS = tuple(f"{quote}{mark}".encode() for quote in ("", '"') for mark in ("#", "%", "//", "!"))
SHEET_ERROR = re.compile(r"#(N/A|DIV/0!|REF!|VALUE!|NUM!|NAME\?|NULL!)")
WORD = re.compile(r"[^\W\d_]{2}")
LIVE_SECONDS = 0.5
"""Text from a pipe is processed at least this often."""
STANDARD_INPUT = "-"
NULLS = tuple(pacsv.ConvertOptions().null_values)
"""Words for no value; after a divider a blank may stand."""
PACKED = ((b"\x1f\x8b", "gzip"), (b"BZh", "bz2"), (b"\x28\xb5\x2f\xfd", "zstd"), (b"\x04\x22\x4d\x18", "lz4"))
"""First bytes of compressed files."""


class TextLog:
    """A delimited text. Columns of numbers come as numbers, all others as text.

    `path`: ``-`` for standard input, which can be read once.
    `blocks`: whole lines, the first row first.
    `taken`: its last number is the share that was read of the source, as far as that is known.
    """

    rate_hz: float | None = None
    is_sheet: bool = False
    tables: tuple[Any, ...] = ()
    rates: tuple[float | None, ...] = ()

    def __init__(
        self,
        path: str,
        layout: Layout,
        encoding: str,
        blocks: Iterator[bytes],
        options: TextOptions,
        source: Generator[bytes, None, None],
        taken: Sequence[float],
    ) -> None:
        self.path, self.columns = path, layout.names
        self.delimiter: str | None = layout.delimiter
        self.units, self.notes, self.rate_hint = layout.units, list(layout.notes), layout.rate_hint
        self._source, self._taken = source, taken
        self.layout, self._encoding, self._blocks, self._options = layout, encoding, blocks, options
        self.decimal_comma = options.decimal_comma
        self.time_of: dict[int, int] = {}
        self.begins: dict[int, HeadBegin] = {}
        # A number that stands for no value may be a time: it is looked for where it is one.
        words = (*NULLS, *(word for word in options.missing if not is_number(word)))
        self._nulls = [blank + word for word in words for blank in ("", " ")]
        self._kinds: dict[int, Any] = {}
        self._telling: set[int] = set()
        self._comments: list[int] = []
        self._unsure: list[Callable[[], None]] = []
        self._ends = (b"", b"")
        self._rows = 0

    @classmethod
    def open(cls, path: str | Path, options: TextOptions, *, layout: Layout | None = None) -> TextLog:
        """Read the first lines of a text and find its layout, unless it is known."""
        taken = [0.0]
        source = _standard_input() if str(path) == STANDARD_INPUT else _file(path, taken)
        return cls.of_pieces(str(path), source, options, layout=layout, taken=taken)

    @classmethod
    def of_pieces(
        cls,
        path: str,
        source: Generator[bytes, None, None],
        options: TextOptions,
        *,
        layout: Layout | None = None,
        taken: Sequence[float] = (0.0,),
    ) -> TextLog:
        """Build the log of a text that comes in pieces."""
        head = b""
        for piece in source:
            head += piece
            wide = (
                head.count(b"\n") + head.count(b"\r") < 3 and len(head) < MOST_LINE_BYTES
            )  # names longer than the head
            if (len(head) >= HEAD_BYTES and not wide) or (path == STANDARD_INPUT and head.count(b"\n") > 100):
                break
        packed = next((codec for mark, codec in PACKED if path == STANDARD_INPUT and head.startswith(mark)), None)
        if packed is not None:
            raise RecordingError(
                f"{path}: this is packed by {packed}. Give the file itself, or unpack it before the pipe."
            )
        encoding = options.encoding or _encoding(head)
        lines = _lines(path, head, encoding)
        if (most := max((line.count(mark) for line in lines for mark in f"{DELIMITERS} "), default=0)) > MOST_COLUMNS:
            raise RecordingError(
                f"{path}: a line has {most:,} dividers, more than the {MOST_COLUMNS:,} columns that a table may have. "
                "Write one row of light a line."
            )
        if layout is None:
            found = find_layout(lines, options)
            if found is None:
                raise RecordingError(f"{path}: there are no rows. Give the path of a log.")
            skip = found.skip_lines
        else:
            # The rest of a log has no names, unless its source writes them again.
            found, again = layout, find_layout(lines[: layout.skip_lines + 5], options)
            skip = again.skip_lines if again is not None and again.names == layout.names else 0
        blocks = _whole_lines(_as_utf8(chain([head], source), encoding, path), skip, path)
        return cls(path, found, encoding, blocks, options, source, taken)

    def batches(
        self, chosen: Sequence[int], text: Collection[int] = (), beside: Collection[int] = ()
    ) -> Iterator[list[Any]]:
        """Iterate over the rows of some columns; empty cells and the usual words for "no value" are null.

        `text`: columns that are left as text.
        `beside`: those of them whose cells may be anything, so that they do not tell whether a row is a sample.
        """
        self._telling = {*chosen} - {*beside}
        # Whole numbers first, the narrowest kind: long stamps keep all their digits. The first cell that does not fit
        # makes its column wider, from that block on.
        for column in chosen:
            self._kinds.setdefault(column, pa.string() if column in text else pa.int64())
        for table in self._tables(chosen):
            if table is not None and table.num_rows:
                yield [table.column(f"c{k}").combine_chunks() for k in chosen]
                self._rows += table.num_rows
        if 0 not in self._telling:
            self._refuse_summary()

    def _refuse_summary(self) -> None:
        """Refuse last rows that begin with a word where the first rows begin with numbers or times: they sum it up."""
        first, last = (self._first_cells(block) for block in self._ends)
        if not first or not all(cell and (is_number(cell) or is_timestamp(cell)) for cell in first[:SUMMARY_ROWS]):
            return
        words = [k for k, cell in enumerate(last[::-1][:SUMMARY_ROWS]) if WORD.match(cell) and cell not in NULLS]
        if words:
            back = max(words)
            place = Place(self.path, self.columns[0], self.place)
            raise RecordingError(
                f"{place(self._rows - 1 - back)}: {shown(last[-1 - back])}, and the rows before begin with numbers or "
                f"times: a summary at the end is no sample. Take {number_of(back + 1, 'row')} out."
            )

    def _first_cells(self, block: bytes) -> list[str]:
        lines = block.decode(errors="replace").splitlines()
        few = lines if len(lines) <= 2 * SUMMARY_ROWS else [*lines[:SUMMARY_ROWS], *lines[-SUMMARY_ROWS:]]
        return [cut(line, self.layout.character)[0] for line in few if line.strip() and not COMMENT.match(line)]

    def _watched(self, blocks: Iterator[bytes]) -> Iterator[bytes]:
        """Yield blocks, and keep the first and the last one."""
        for block in blocks:
            self._ends = (self._ends[0] or block, block)
            yield block

    def _tables(self, chosen: Sequence[int]) -> Iterator[Any]:
        """Parse block by block; while the caller works on one block, the next is parsed, unless it comes by a pipe."""
        if self.path == STANDARD_INPUT:
            for block in self._watched(self._blocks):
                yield self._table(self._narrow(block), chosen, None)
            return
        with ThreadPoolExecutor(1, "teachlab-parse") as pool:
            ahead: deque[tuple[bytes, Future[Any]]] = deque()
            for block in self._watched(map(self._narrow, self._blocks)):
                ahead.append((block, pool.submit(self._parsed, block, chosen)))
                if len(ahead) > 1:
                    yield self._table(ahead[0][0], chosen, ahead.popleft()[1])
            for block, parsed in ahead:
                yield self._table(block, chosen, parsed)

    def _narrow(self, block: bytes) -> bytes:
        """Return a block in which every run of dividing blanks is one blank, and no blank is before a quote."""
        if self.delimiter != SPACES:
            mark = re.escape(self.layout.character.encode())
            # The parser takes a quote for one only at the beginning of a cell.
            return re.sub(rb"(?<=%b) +(?=\")" % mark, b"", block) if b'"' in block and b' "' in block else block
        return re.sub(rb"[ \t]+", b" ", re.sub(rb"(?m)^[ \t]+|[ \t]+(?=\r?$)", b"", block))

    def _table(self, block: bytes, chosen: Sequence[int], parsed: Future[Any] | None) -> Any:
        if 0 not in self._telling and any(block.startswith(mark) or b"\n" + mark in block for mark in MARKS):
            self._refuse_full_comments(block)
        # The parser stops at the first thing it cannot take and names that alone: it is mended, and the block is parsed
        # again, until nothing is left to mend.
        while True:
            try:
                if parsed is not None:
                    return parsed.result()
                return self._parsed(block, chosen)
            except pa.ArrowInvalid as fault:
                told = str(fault)
            if parsed is not None:  # perhaps only for a type that has become a wider one in the meantime
                parsed = None
                continue
            column = re.search(r"In CSV column #(\d+)", told)
            if column is not None and "conversion error" in told:
                self._widen(chosen, told, block)
            elif "Empty CSV" in told:
                return None
            elif "invalid UTF8" in told:
                raise self._not_encoded()
            else:
                block = self._without_comments(block, told)

    def _parsed(self, block: bytes, chosen: Sequence[int]) -> Any:
        inner = [f"c{k}" for k in range(len(self.columns))]
        return pacsv.read_csv(
            pa.py_buffer(block),
            pacsv.ReadOptions(column_names=inner, block_size=PARSED_BYTES),
            # With one column, an empty line is an empty cell and must keep its position in time.
            pacsv.ParseOptions(delimiter=self.layout.character, ignore_empty_lines=len(inner) > 1),
            pacsv.ConvertOptions(
                column_types={f"c{k}": kind for k, kind in self._kinds.items()},
                include_columns=[f"c{k}" for k in dict.fromkeys(chosen)],
                strings_can_be_null=True,
                null_values=self._nulls,
                decimal_point="," if self.decimal_comma else ".",
            ),
        )

    def _widen(self, chosen: Sequence[int], told: str, block: bytes) -> None:
        """Give the column whose cells do not fit the next wider type: whole, fraction, text."""
        wider = {pa.int64(): pa.float64(), pa.float64(): pa.string()}
        at = int(re.search(r"In CSV column #(\d+)", told)[1])  # type: ignore[index]
        if self._kinds.get(at) not in wider:  # some versions count the columns that were asked for
            at = list(dict.fromkeys(chosen))[at]
        if self._kinds[at] not in wider:
            raise self._not_encoded()
        was, self._kinds[at] = self._kinds[at], pa.string()
        if was == pa.int64():
            self._check_points(at, block)
        self._kinds[at] = wider[was]

    def _check_points(self, at: int, block: bytes) -> None:
        """Look at the cells of a column before they become fractions: their points may divide thousands."""
        try:
            cells = self._parsed(block, [at]).column(0).combine_chunks()
        except pa.ArrowInvalid:  # the block has another fault, which is told next
            return
        place = Place(self.path, self.columns[at], self.place)
        refuse_powers(cells, place, self._rows)
        check = partial(refuse_points, cells, place, self._rows, whole_before=self._rows > 0)
        check(decimal_comma=self.decimal_comma)
        unstated = self._options.decimal is None and self.delimiter != ","
        if unstated and (first := pointed_thousands(cells)) is not None:
            self.notes.append(
                f"Numbers of column '{self.columns[at]}' are read as fractions, such as {shown(cells[first].as_py())}; "
                "if the point divides thousands, take it out of the file (state it with --decimal point)."
            )
        if self.decimal_comma is None:
            self._unsure.append(partial(check, decimal_comma=True))

    def take_comma(self) -> None:
        """Read numbers with a decimal comma from the next block on; refuse points that then divide thousands."""
        self.decimal_comma = True
        for check in self._unsure:
            check()

    def numbers_again(self, column: int) -> None:
        """Read the column as numbers again from the next block on: one wrong cell does not make a column of text."""
        self._kinds[column] = pa.float64()

    def _without_comments(self, block: bytes, told: str) -> bytes:
        """Return a block without its comment lines; raise if another line has a different number of cells."""
        width = len(self.columns)
        kept, row, dropped = [], self._rows, False
        for line in re.findall(r"[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+$", block.decode(errors="replace")):
            if COMMENT.match(line):
                self._comments.append(row)
                dropped = True
                continue
            if not line.strip() and width > 1:
                dropped = True
                continue
            kept.append(line)
            cells = cut(line, self.layout.character)
            if len(cells) != width:
                divided = {"\t": "tab", " ": "space", SPACES: "blanks"}.get(
                    self.layout.delimiter, f"'{self.delimiter}'"
                )
                raise RecordingError(
                    f"{self.path}, {self.place(row)}: every row must have the {width} columns of its first line "
                    f"(divided by {divided}), got {len(cells)}: {shown(line.strip()[:60])}. Correct the row or take "
                    "it out, or give the layout with --delimiter, --skip and --no-header."
                )
            row += 1
        if not dropped:
            raise RecordingError(
                f"{self.path}, from {self.place(self._rows)} on: the rows cannot be read: {told.splitlines()[0]}. "
                "Correct them, or give the layout with --delimiter, --skip and --no-header."
            )
        return "".join(kept).encode()

    def _refuse_full_comments(self, block: bytes) -> None:
        """Refuse a comment with as many cells as a row, where the first is not read: the others would be a sample."""
        row = self._rows
        for line in block.decode(errors="replace").split("\n"):
            cells = cut(line, self.layout.character)
            if not COMMENT.match(line):
                row += bool(line.strip())
            elif len(cells) == len(self.columns) and cells[0] not in NULLS and not SHEET_ERROR.match(cells[0]):
                raise RecordingError(
                    f"{self.path}, {self.place(row)}: {shown(line.strip()[:60])} begins as a comment and has the "
                    "columns of a row. Take it out, or the mark before it."
                )

    def _not_encoded(self) -> RecordingError:
        return RecordingError(
            f"{self.path}: the text is not {self._encoding}. Name its encoding: --encoding latin-1, for example."
        )

    def close(self) -> None:
        """Close the file."""
        self._source.close()

    def place(self, row: int) -> str:
        """Return the row, counted from 0, and its line, counted from 1."""
        comments = sum(at <= row for at in self._comments)
        return f"row {row} (line {row + self.layout.skip_lines + comments + 1})"

    @property
    def share(self) -> float:
        """How much of the text was read, as far as that is known."""
        return self._taken[-1]

    @property
    def comments(self) -> int:
        """Number of comment lines among the rows."""
        return len(self._comments)


Log = ArrowLog | TextLog
"""The table of one log file: what every reader returns."""


def _file(path: str | Path, taken: list[float]) -> Generator[bytes, None, None]:
    with open_input(path, "a log", RecordingError) as source:
        start = bytes(source.read(4))
        source.seek(0)
        codec = next((name for mark, name in PACKED if start.startswith(mark)), None)
        stream = source if codec is None else pa.CompressedInputStream(source, codec)
        size = HEAD_BYTES  # the first piece is looked at more than once
        while True:
            try:
                piece = bytes(stream.read(size))
            except (OSError, EOFError, pa.ArrowException) as fault:
                raise RecordingError(f"{path}: cannot be read to its end: {fault}. Copy it again.") from None
            if not piece:
                return
            taken[-1] = source.tell() / source.size()
            yield piece
            size = BLOCK_BYTES


def _standard_input() -> Generator[bytes, None, None]:
    """Read input as soon as it arrives, but in pieces that are worth the work."""
    buffer: Any = getattr(sys.stdin, "buffer", sys.stdin)
    try:
        number = buffer.fileno()
    except (OSError, AttributeError, io.UnsupportedOperation):  # a stand-in without a file behind it
        while piece := buffer.read1(BLOCK_BYTES):
            yield piece
        return
    waiting, since = bytearray(), time.monotonic()
    while True:
        # Nothing waits: as long as it takes. Something waits: no longer than a person who watches would.
        left = LIVE_SECONDS - (time.monotonic() - since) if waiting else None
        ready, _, _ = select.select([number], [], [], None if left is None else max(0.0, left))
        piece = os.read(number, PARSED_BYTES) if ready else b""
        if ready and not waiting:
            since = time.monotonic()
        waiting += piece
        ended = bool(ready) and not piece
        if waiting and (ended or len(waiting) >= BLOCK_BYTES or time.monotonic() - since >= LIVE_SECONDS):
            yield bytes(waiting)
            waiting, since = bytearray(), time.monotonic()
        if ended:
            return


def _as_utf8(pieces: Iterator[bytes], encoding: str, path: str) -> Iterator[bytes]:
    if encoding == "utf8":
        first = next(pieces, b"")
        yield first.removeprefix(codecs.BOM_UTF8)
        yield from pieces
        return
    decoder = codecs.getincrementaldecoder(encoding)()
    try:
        for piece in pieces:
            yield decoder.decode(piece).encode()
        yield decoder.decode(b"", final=True).encode()
    except UnicodeError as fault:
        raise RecordingError(f"{path}: cannot be read to its end as {encoding}: {fault}. Name its encoding.") from None


def _whole_lines(pieces: Iterator[bytes], skip: int, path: str) -> Iterator[bytes]:
    """Divide at ends of lines, and leave out the first lines."""
    rest = b""
    old, twice = None, False
    for piece in pieces:
        rest += piece
        if old is None and rest:
            old = b"\n" not in rest and b"\r" in rest  # lines end as they did decades ago
            twice = b"\r\r\n" in rest  # line ends that were made of line ends: between them would be empty rows
        if old:
            rest = rest.replace(b"\r", b"\n")
        elif twice:
            rest = rest.replace(b"\r\r\n", b"\n")
        while skip and (at := rest.find(b"\n")) >= 0:
            rest, skip = rest[at + 1 :], skip - 1
        at = rest.rfind(b"\n") + 1
        if not skip and at:
            yield from _cut(rest[:at])
            rest = rest[at:]
        if len(rest) > MOST_LINE_BYTES:
            raise RecordingError(
                f"{path}: a line is longer than {MOST_LINE_BYTES >> 20} MB: this is no log in lines. Export it again."
            )
    if rest and not skip:
        yield rest


def _cut(lines: bytes) -> Iterator[bytes]:
    a = 0
    while a < len(lines):
        b = len(lines) if len(lines) - a <= BLOCK_BYTES else lines.find(b"\n", a + BLOCK_BYTES) + 1
        b = b or len(lines)
        yield lines[a:b]
        a = b


def _encoding(head: bytes) -> str:
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return "utf8"


def _lines(path: str | Path, head: bytes, encoding: str) -> list[str]:
    try:
        "".encode(encoding)  # refuses what Python knows but is no encoding of text: rot13, base64
        decoder = codecs.getincrementaldecoder("utf-8-sig" if encoding == "utf8" else encoding)()
        text = decoder.decode(head)
    except LookupError:
        raise ParameterError(f"--encoding '{encoding}' is not known. Try utf-8, utf-16 or latin-1.") from None
    except UnicodeError as fault:
        byte = f" (byte {fault.start})" if isinstance(fault, UnicodeDecodeError) else ""
        raise RecordingError(
            f"{path}: the text is not {encoding}{byte}. Name its encoding: --encoding latin-1, for example."
        ) from None
    if "\0" in text:
        for half, name in ((head[1::2], "utf-16-le"), (head[::2], "utf-16-be")):
            if 2 * half.count(0) > len(half):
                raise RecordingError(f"{path}: the text has two bytes a letter. Name its encoding: --encoding {name}.")
        if "\0" not in (bare := text.rstrip("\0")):
            raise RecordingError(
                f"{path}: the text ends in {number_of(len(text) - len(bare), 'zero byte')}, as after a power cut. Cut "
                "them off and import the rest."
            )
        raise RecordingError(
            f"{path}: this is not text, nor a format that is read. Save the light as CSV, Parquet, Feather, WAV, MAT, "
            "HDF5, TDMS, MDF or Excel and import that."
        )
    # Other marks that Python takes for the end of a line (form feed, U+0085 …) end none.
    lines = text.split("\n" if "\n" in text else "\r")
    lines = lines[:-1] if lines and not lines[-1] else lines
    # The last line may be cut by the end of the examined text.
    return lines[:-1] if len(head) >= HEAD_BYTES and len(lines) > 1 else lines
