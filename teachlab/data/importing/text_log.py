"""Delimited text as a log: what divides its columns, whether it has a header, in batches of text."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv as pacsv

from teachlab.data.importing.cells import is_number, is_timestamp
from teachlab.data.parquet_source import open_input
from teachlab.errors import ParameterError, RecordingError

DELIMITERS = "\t;|,"
NAMED = {"comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t", "space": " ", "pipe": "|"}
HEAD_BYTES = 1 << 16
BLOCK_BYTES = 1 << 22


@dataclass(frozen=True, slots=True, kw_only=True)
class TextOptions:
    """How a text log is laid out; None is found from its first lines.

    Parameters
    ----------
    delimiter : str, optional
        One character, or comma, semicolon, tab, space, pipe.
    decimal : str, optional
        ``.`` or ``,`` (also: point, comma).
    header : bool, optional
        Whether the first line names the columns.
    skip : int
        Lines to skip before it; lines that begin with # are skipped anyway.
    encoding : str, optional
        Of the text; UTF-8, or UTF-16 with its mark.
    """

    delimiter: str | None = None
    decimal: str | None = None
    header: bool | None = None
    skip: int = 0
    encoding: str | None = None

    def __post_init__(self) -> None:
        if self.delimiter is not None and len(NAMED.get(self.delimiter, self.delimiter)) != 1:
            raise ParameterError(
                f"--delimiter takes one character or one of {', '.join(sorted(NAMED))}, got '{self.delimiter}'."
            )
        if self.decimal not in (None, ".", ",", "point", "comma"):
            raise ParameterError(f"--decimal must be point or comma, got '{self.decimal}'.")
        if self.skip < 0:
            raise ParameterError(f"--skip must be at least 0 lines, got {self.skip}.")

    @property
    def decimal_comma(self) -> bool | None:
        """Whether a comma stands before the fraction; None if not told."""
        return None if self.decimal is None else self.decimal in (",", "comma")


@dataclass(frozen=True, slots=True)
class TextLog:
    """A delimited text; all columns come as text.

    Parameters
    ----------
    path : str
    columns : tuple of str
        From the header, else 1, 2, 3 …
    delimiter : str
    skip_lines : int
        Lines before the first row.
    encoding : str
    """

    path: str
    columns: tuple[str, ...]
    delimiter: str
    skip_lines: int
    encoding: str
    rate_hz: float | None = None

    @classmethod
    def open(cls, path: str | Path, options: TextOptions) -> TextLog:
        """Look at the first lines of a text and find how it is laid out."""
        with _stream(path) as source:
            head = bytes(source.read(HEAD_BYTES))
        encoding = options.encoding or _encoding(head)
        lines = _lines(path, head, encoding)
        skip = options.skip
        while skip < len(lines) and (not lines[skip].strip() or lines[skip].lstrip().startswith("#")):
            skip += 1
        body = lines[skip:]
        if not body:
            raise RecordingError(f"{path}: there are no rows. Give the path of a log.")
        given = options.delimiter
        delimiter = _delimiter(body, options.decimal_comma) if given is None else NAMED.get(given, given)
        first = [cell.strip() for cell in next(csv.reader([body[0]], delimiter=delimiter))]
        header = options.header
        if header is None:
            header = not all(is_number(cell) or is_timestamp(cell) for cell in first)
        names = first if header else [str(k + 1) for k in range(len(first))]
        return cls(str(path), tuple(names), delimiter, skip + header, encoding)

    def batches(self, chosen: Sequence[int]) -> Iterator[list[Any]]:
        """Iterate over the rows of some columns, as text; empty cells and the usual words for none are null."""
        inner = [f"c{k}" for k in range(len(self.columns))]
        wanted = [inner[k] for k in chosen]
        with _stream(self.path) as source:
            try:
                reader = pacsv.open_csv(
                    source,
                    pacsv.ReadOptions(
                        column_names=inner,
                        skip_rows=self.skip_lines,
                        block_size=BLOCK_BYTES,
                        encoding=self.encoding,
                        use_threads=False,
                    ),
                    # With one column, an empty line is an empty cell and must keep its place in time.
                    pacsv.ParseOptions(delimiter=self.delimiter, ignore_empty_lines=len(inner) > 1),
                    pacsv.ConvertOptions(
                        column_types=dict.fromkeys(inner, pa.string()),
                        include_columns=list(dict.fromkeys(wanted)),
                        strings_can_be_null=True,
                    ),
                )
                for batch in reader:
                    yield [batch.column(name) for name in wanted]
            except pa.ArrowInvalid as fault:
                raise RecordingError(self._fault(str(fault))) from None
            except (OSError, EOFError, UnicodeError) as fault:
                raise RecordingError(f"{self.path}: cannot be read to its end: {fault}. Copy it again.") from None

    def _fault(self, message: str) -> str:
        if "Empty CSV" in message:
            return f"{self.path}: there are no rows below the header. Give a log with samples."
        if "invalid UTF8" in message:
            return f"{self.path}: the text is not {self.encoding}. Name its encoding: --encoding latin-1, for example."
        shown = {"\t": "tab", " ": "space"}.get(self.delimiter, f"'{self.delimiter}'")
        return (
            f"{self.path}: every row must have the {len(self.columns)} columns of its first line (divided by {shown}): "
            f"{message.splitlines()[0]}. Correct the row, or tell the layout with --delimiter, --skip and --no-header."
        )

    def place(self, row: int) -> str:
        """Return the row, counted from 0, and its line, counted from 1."""
        return f"row {row} (line {row + self.skip_lines + 1})"


def _stream(path: str | Path) -> Any:
    source = open_input(path, "a log", RecordingError)
    name = str(path).lower()
    for ending, codec in ((".gz", "gzip"), (".bz2", "bz2"), (".zst", "zstd")):
        if name.endswith(ending):
            return pa.CompressedInputStream(source, codec)
    return source


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
        raise RecordingError(f"{path}: this is not text. Logs are read from CSV, Parquet, Feather, WAV and MAT files.")
    lines = text.splitlines()
    # The last line may have been cut by the end of what was looked at.
    return lines[:-1] if len(head) == HEAD_BYTES and len(lines) > 1 else lines


def _delimiter(body: list[str], decimal_comma: bool | None) -> str:
    """Return the first candidate that divides every line into as many columns."""
    looked = [line for line in body[:50] if line.strip()]
    for candidate in DELIMITERS:
        if candidate == "," and decimal_comma and not any('"' in line for line in looked):
            continue  # bare commas are fractions; quoted cells may still be divided by them
        counts = {len(cells) for cells in csv.reader(looked, delimiter=candidate)}
        if len(counts) == 1 and counts.pop() > 1:
            return candidate
    return "," if not decimal_comma else ";"
