"""Tables of passes in and out: Parquet and CSV beside a recording."""

from __future__ import annotations

import codecs
import csv
import difflib
import io
import json
import re
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
from pydantic import Field

from teachlab.data.addresses import divided, ending_of, exists, is_address
from teachlab.data.atomic_files import current, write_aside
from teachlab.data.border_doubt import BorderDoubt
from teachlab.data.parquet_source import open_input, open_parquet, text_columns, unpacked
from teachlab.data.recording_files import document_in, metadata_for
from teachlab.data.strict_json import check, model_of, parse_json, schema_of, shown
from teachlab.errors import TruthError
from teachlab.model.memory import need_memory
from teachlab.model.printable_text import printable
from teachlab.model.truth import Aligned, Expect, Truth, TruthSource

METADATA_KEY = "teachlab.passes"
HISTORY_KEY = "teachlab.history"
"""History of the passes, stored beside them: the table they come from, and every change."""
OPTIONAL = ("label", "expect", "lot")
ToSamples = Callable[[Any, str, str], Any]
"""A function of a column, its name and the file, that returns int64 sample indices."""
Doubting = Callable[[Truth], float]
"""A function of passes without a stated uncertainty, that returns it in samples."""
WHAT = "a table of passes (.passes.parquet or .passes.csv)"
DELIMITERS = ",;\t"
EMPTY = DELIMITERS + ' "\r\n'
"""A row of these alone is one that a spreadsheet has emptied."""
LONG = re.compile(r"\s*[+-]?(\d{16,}([.,]0*)?|[\d.]+e\+\d+)\s*")
DIVIDED = re.compile(r"\s*[+]?[1-9]\d{0,2}([., '\u2019\u00a0\u202f]\d{3})+\s*")
LENGTH = re.compile(r"(duration|length|width|dauer|l(ä|ae)nge)([\s_\[(/.].*)?$", re.IGNORECASE)
"""Columns that tell how long a pass lasts, not where it ends."""
FORMULA = ("=", "+", "-", "@")
"""Characters that a spreadsheet takes for the start of a formula."""
PASS_BYTES = 500
"""Memory of a pass with its names, in bytes."""
CSV_BYTES = 30
"""Memory for a byte of a CSV: its text, its cells, its passes."""


_COLUMNS = frozenset(("start", "end", "detect", "label", "lot"))
_STRETCHES = list[Annotated[list[int], Field(min_length=2, max_length=2)]]
_SCHEMAS = {
    1: model_of(
        Truth, without=_COLUMNS | {"recording_digest", "aligned", "except_"}, null_is_default=True,
        schema_=(Literal[1], Field(default=1, alias="schema")),
    ),
    2: model_of(
        Truth, without=_COLUMNS, null_is_default=True, schema_=(Literal[2], Field(alias="schema")),
        except_=(_STRETCHES | None, Field(default=None, alias="except")),
    ),
}  # fmt: skip


def read_truth(path: str | Path, *, samples: int | None = None) -> Truth:
    """Read a table of passes.

    Parameters
    ----------
    path : str or Path
        ``NAME.passes.parquet`` or ``NAME.passes.csv``, also as a URI. A CSV has a header; its metadata are in a line
        ``# teachlab.passes: {…}`` before it. A table without metadata counts as independent. The uncertainty of its
        borders is then the step that its positions share, at least 1 sample.
    samples : int, optional
        Length of the recording; passes must lie inside.

    Raises
    ------
    TruthError
        With file, column, row (counted from 0 below the header) and value.
    """
    truth, _ = read_passes(path)
    if samples is not None:
        try:
            truth.check_inside(samples)
        except TruthError as fault:
            raise TruthError(f"{path}: {fault}") from None
    return truth


def doubt_of_positions(truth: Truth) -> float:
    """Return the uncertainty of borders that are known as sample indices only, samples."""
    return BorderDoubt.of_positions(truth.start.astype(np.float64), truth.end.astype(np.float64)).samples


def read_passes(
    path: str | Path, *, start: str = "start", end: str = "end", convert: ToSamples | None = None,
    doubt: Doubting = doubt_of_positions, known: tuple[pa.Table, Any] | None = None,
) -> tuple[Truth, list[str]]:  # fmt: skip
    """Read a table of passes whose columns have other names, or whose positions are not sample indices.

    Returned with the columns that are not read, where kind or lot could be among those of another program.

    `convert`: converts a column of positions to sample indices; by default they are whole sample indices already.
    `doubt`: returns how far borders may be wrong, if the table does not state it.
    `known`: the table, if `read_table` has read it.
    """
    where = str(path)
    convert = whole_positions if convert is None else convert
    table, document = read_table(path) if known is None else known
    facts = {} if document is None else _facts(document, f"{where}, '{METADATA_KEY}'")
    stated = facts.pop("uncertainty_samples", None)
    proposed = {"doubt", "reason"} <= set(table.column_names)
    if document is None and proposed:
        facts["source"] = TruthSource.SELF_LABELLED  # proposed by `label`; its first line was lost
    _check_columns(table.column_names, (start, end), where)
    columns = {name: table.column(name) for name in OPTIONAL if name in table.column_names}
    try:
        truth = Truth.from_arrays(
            convert(table.column(start), start, where),
            convert(table.column(end), end, where),
            detect=_detect(columns["expect"], where) if "expect" in columns else None,
            label=_names(columns["label"]) if "label" in columns else None,
            lot=_names(columns["lot"]) if "lot" in columns else None,
            **facts,
        )
    except TruthError as fault:
        raise TruthError(str(fault) if str(fault).startswith(where) else f"{where}: {fault}") from None
    own = document is not None or proposed or {"label", "lot"} <= set(table.column_names)
    unread = [] if own else [name for name in table.column_names if name not in (start, end, *OPTIONAL)]
    return replace(truth, uncertainty_samples=doubt(truth) if stated is None else stated), unread


def read_table(path: str | Path) -> tuple[pa.Table, Any]:
    """Return a table of passes as it is written, and what its metadata state; raise TruthError as `read_truth`."""
    ending = ending_of(path)
    if ending in (".xlsx", ".xls", ".ods"):
        raise TruthError(f"{path}: this is a workbook. Save the sheet of passes as CSV in UTF-8 and give that.")
    return _read_csv(path) if ending in (".csv", ".tsv", ".txt") else _read_parquet(path)


def _facts(document: object, where: str) -> dict[str, Any]:
    """Return what the metadata of a table state, as arguments of `Truth.from_arrays`."""
    meta = check(schema_of(document, _SCHEMAS, where, TruthError), document, where, TruthError)
    facts = meta.model_dump(exclude={"schema_"}, exclude_none=True)
    if "aligned" in facts:
        facts["aligned"] = Aligned(**facts["aligned"])
    if "except_" in facts:
        facts["except_"] = tuple((start, end) for start, end in facts["except_"])
    return facts


def truth_document(truth: Truth, *, tied: bool = True) -> dict[str, Any]:
    """Return the metadata of a table of passes; a CSV is not `tied` to its recording."""
    document: dict[str, Any] = {
        "schema": 2,
        "source": str(truth.source),
        "uncertainty_samples": truth.uncertainty_samples,
    }
    if truth.recording_digest is not None and tied:
        document["recording_digest"] = truth.recording_digest
    if truth.aligned is not None:
        document["aligned"] = asdict(truth.aligned)
    if truth.except_:
        document["except"] = [list(stretch) for stretch in truth.except_]
    return document


def write_truth(
    path: str | Path, truth: Truth, *, more: dict[str, list[Any]] | None = None, semicolon: bool = False,
    history: dict[str, Any] | None = None,
) -> None:  # fmt: skip
    """Write a table of passes, as CSV if the name ends in .csv, otherwise as Parquet.

    A CSV is for editing by hand and is not tied to its recording. It may hold `more` columns, which are not read back,
    and a semicolon as the separator. A text that a spreadsheet would take for a formula gets an apostrophe before it. A
    `history` is stored beside the passes; only `read_history` reads it.
    """
    is_csv = divided(str(path))[0].lower().endswith(".csv")
    document = truth_document(truth, tied=not is_csv)
    table = _table(truth)
    with write_aside(path) as aside:
        if is_csv:
            with aside.open("w", encoding="utf-8", newline="") as out:
                out.write(f"# {METADATA_KEY}: {json.dumps(document, allow_nan=False)}\n")
                if history is not None:
                    out.write(f"# {HISTORY_KEY}: {json.dumps(history, allow_nan=False)}\n")
                rows = csv.writer(out, delimiter=";" if semicolon else ",", lineterminator="\n")
                rows.writerow([*table.column_names, *(more or {})])
                columns = [*(column.to_pylist() for column in table.columns), *(more or {}).values()]
                rows.writerows(map(_harmless, zip(*columns, strict=True)))
        else:
            beside = metadata_for(METADATA_KEY, document)
            if history is not None:
                beside[HISTORY_KEY.encode()] = json.dumps(history, allow_nan=False).encode()
            pq.write_table(table.replace_schema_metadata(beside), aside, compression="zstd", write_page_checksum=True)


def read_history(path: str | Path) -> dict[str, Any] | None:
    """Return the history of a table of passes as it was written; None if it has none."""
    text: str | None = None
    if ending_of(path) == ".parquet":
        metadata = open_parquet(path, WHAT, TruthError).schema_arrow.metadata or {}
        text = metadata[HISTORY_KEY.encode()].decode() if HISTORY_KEY.encode() in metadata else None
    else:
        with open_input(path, WHAT, TruthError) as source:
            start = f"# {HISTORY_KEY}:"
            lines = bytes(source.read()).decode("utf-8-sig").splitlines()
            text = next((line.removeprefix(start) for line in lines if line.startswith(start)), None)
    found = None if text is None else parse_json(text, f"{path}, '{HISTORY_KEY}'", TruthError)
    return found if isinstance(found, dict) else None


def _harmless(cells: tuple[Any, ...]) -> list[Any]:
    texts = [printable(cell) if isinstance(cell, str) else cell for cell in cells]
    return [f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA) else cell for cell in texts]


def bare_text(cell: str) -> str:
    """Return a text without the apostrophe that prevented a spreadsheet from taking it for a formula.

    Examples
    --------
    >>> bare_text("'=jar"), bare_text("'tis")
    ('=jar', "'tis")
    """
    return cell[1:] if cell.startswith("'") and cell[1:].startswith(FORMULA) else cell


def find_truth(recording: str | Path) -> str | Path | None:
    """Return the table of passes beside a recording: NAME.passes.parquet, or NAME.passes.csv, or None.

    Raises TruthError if both exist and differ.
    """
    names = [beside(recording, ending) for ending in (".passes.parquet", ".passes.csv")]
    found = [name for name in names if (exists(name) if is_address(name) else current(name).exists())]
    if len(found) == 2 and not _same(*(read_truth(one) for one in found)):
        raise TruthError(f"{found[0]} and {found[1]} do not hold the same passes. Keep one of them.")
    if not found:
        return None
    return found[0] if is_address(found[0]) else Path(found[0])


def beside(recording: str | Path, ending: str) -> str:
    """Return the name of a file that belongs to a recording.

    Examples
    --------
    >>> beside("lines/line-3.parquet", ".passes.csv")
    'lines/line-3.passes.csv'
    """
    whole, query = divided(str(recording)) if is_address(recording) else (str(recording), "")
    folder, slash, name = whole.rpartition("/")
    return folder + slash + (name.rpartition(".")[0] or name) + ending + query


def _same(a: Truth, b: Truth) -> bool:
    facts = (a.source, a.uncertainty_samples, a.lot is None) == (b.source, b.uncertainty_samples, b.lot is None)
    facts = facts and (a.aligned, a.except_) == (b.aligned, b.except_)
    names = ("start", "end", "detect", "label", *(() if a.lot is None else ("lot",)))
    return facts and all(np.array_equal(getattr(a, name), getattr(b, name)) for name in names)


def _table(truth: Truth) -> pa.Table:
    columns = {
        "start": pa.array(truth.start),
        "end": pa.array(truth.end),
        "label": pa.array(truth.label, pa.string()),
        "expect": pa.array([str(Expect.DETECT if d else Expect.IGNORE) for d in truth.detect], pa.string()),
    }
    if truth.lot is not None:
        columns["lot"] = pa.array(truth.lot, pa.string())
    return pa.table(columns)


def _read_parquet(path: str | Path) -> tuple[pa.Table, Any]:
    file = open_parquet(path, WHAT, TruthError)
    metadata = {**(file.schema_arrow.metadata or {}), **(file.metadata.metadata or {})}
    document = document_in(metadata, METADATA_KEY, str(path), TruthError)
    _need(file.metadata.num_rows * PASS_BYTES, path)
    texts = text_columns(file, file.schema_arrow.names)  # those that nobody reads stay packed
    file = open_parquet(path, WHAT, TruthError, packed=texts, read=None)
    try:
        table = file.read(use_threads=False)
    except (pa.ArrowException, OSError) as fault:
        raise TruthError(f"{path}: cannot be decoded: {fault}. The file is damaged; copy it again.") from None
    for k, name in enumerate(table.column_names):
        if name in ("start", "end", *OPTIONAL):
            table = table.set_column(k, name, unpacked(table.column(k), name, path, TruthError))
    return table, document


def _read_csv(path: str | Path) -> tuple[pa.Table, Any]:
    with open_input(path, WHAT, TruthError) as source:
        _need(source.size() * CSV_BYTES, path)
        raw = bytes(source.read())
    try:
        wide = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
        lines = raw.decode("utf-16" if wide else "utf-8-sig").splitlines(keepends=True)
    except UnicodeDecodeError as fault:
        raise TruthError(
            f"{path}: not a text file in UTF-8 (byte {fault.start}). Save it as CSV in UTF-8, or give {WHAT}."
        ) from None
    head = 0
    while head < len(lines) and (not lines[head].strip() or lines[head].lstrip().lstrip('"').startswith("#")):
        head += 1
    if head == len(lines):
        raise TruthError(f"{path}: there is no header. The first line must name the columns: start,end,label,expect.")
    delimiter = max(DELIMITERS, key=lines[head].count)
    header = [name.strip() for name in next(csv.reader([lines[head]], delimiter=delimiter))]
    if len(set(header)) < len(header):
        raise TruthError(f"{path}: the header names a column twice: {', '.join(header)}. Rename one of them.")
    try:
        table = pacsv.read_csv(
            io.BytesIO("".join(line for line in lines[head + 1 :] if line.strip(EMPTY)).encode()),
            pacsv.ReadOptions(column_names=header, use_threads=False),
            pacsv.ParseOptions(delimiter=delimiter),
            # As text: then a position that is not a whole number is reported with its row.
            pacsv.ConvertOptions(column_types=dict.fromkeys(header, pa.string()), strings_can_be_null=False),
        )
    except pa.ArrowInvalid as fault:
        if head + 1 < len(lines) and "".join(lines[head + 1 :]).strip():
            raise TruthError(f"{path}: not a table of {len(header)} columns below its header: {fault}.") from None
        table = pa.table({name: pa.array([], pa.string()) for name in header})
    return table, _comment(lines[:head], delimiter, str(path))


def _need(size: float, path: str | Path) -> None:
    need_memory(size, f"{path}: a table of so many passes", "Give the passes of one recording.")


def _comment(lines: list[str], delimiter: str, where: str) -> Any:
    """Return the JSON of the comment line, also after a spreadsheet has divided it into cells."""
    for line in lines:
        if METADATA_KEY not in line:
            continue
        text = line.partition(":")[2]
        if line.lstrip().startswith('"') or text.rstrip().endswith(delimiter):
            for cut in (delimiter, ","):
                cells = next(csv.reader([line], delimiter=cut))
                text = ",".join(cells).partition(":")[2].rstrip().rstrip(DELIMITERS)
                if text.endswith("}"):
                    break
        return parse_json(text, f"{where}, comment '{METADATA_KEY}'", TruthError)
    return None


def _check_columns(names: list[str], required: tuple[str, str], where: str) -> None:
    lasting = next((name for name in names if LENGTH.match(name)), None)
    if lasting is not None and (lasting == required[1] or required[1] not in names):
        raise TruthError(
            f"{where}: column '{lasting}' is named as a length, and a table of passes says where they end. Give a "
            "column 'end', start + length; or one time per product, with --pass-ms."
        )
    for name in required:
        if names.count(name) != 1:
            state = "is missing" if name not in names else "occurs twice"
            raise TruthError(
                f"{where}: column '{name}' {state}; the columns are: {', '.join(names) or 'none'}. "
                "A table of passes has start and end (sample indices), and may have label, expect and lot. "
                "teachlab import takes other names and units: --pass-start, --pass-end, --passes-in."
            )
    for name in names:
        # A misspelt optional column must not silently mean its default.
        near = difflib.get_close_matches(name.strip().lower(), OPTIONAL, 1, 0.75)
        if near and name not in OPTIONAL and near[0] not in names:
            raise TruthError(f"{where}: column '{name}' is not known; did you mean '{near[0]}'? Rename or remove it.")


def whole_positions(column: pa.ChunkedArray, name: str, where: str) -> Any:
    """Return a column of whole sample indices as int64, or raise with row and value."""

    def fault(bad: Any, what: str) -> TruthError:
        row = int(np.argmax(bad))
        came = column[row].as_py()
        hint = " If the mark divides thousands, leave it out." if DIVIDED.fullmatch(str(came)) else ""
        hint = " It has too many digits." if LONG.fullmatch(str(came)) else hint
        return TruthError(
            f"{where}: column '{name}', row {row}: {what}, got {shown(came)}. "
            f"Positions are whole sample indices, counted from 0.{hint}"
        )

    kind, rows = column.type, len(column)
    if column.null_count:
        raise fault(_values(column.is_null()), "a position must not be empty")
    if rows == 0:
        return np.empty(0, np.int64)
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        whole = _values(pc.match_substring_regex(column, r"^\s*[+-]?[0-9]{1,18}([.,]0{1,2})?\s*$"))
        if not whole.all():
            raise fault(~whole, "must be a whole number")
        bare = pc.replace_substring_regex(pc.utf8_trim_whitespace(column), r"^\+|[.,]0+$", "")
        return _values(pc.cast(bare, pa.int64()))
    if pa.types.is_floating(kind):
        values = _values(column)
        whole = np.isfinite(values) & (np.floor(values) == values) & (np.abs(values) < 2**53)
        if not whole.all():
            raise fault(~whole, "must be a whole number")
        return values.astype(np.int64)
    if not pa.types.is_integer(kind):
        raise TruthError(f"{where}: column '{name}' must hold whole sample indices (int64), got {kind}.")
    values = _values(column)
    if kind == pa.uint64() and (values > np.iinfo(np.int64).max).any():
        raise fault(values > np.iinfo(np.int64).max, "must fit 64 bits with a sign")
    return values.astype(np.int64)


def _values(column: pa.ChunkedArray) -> Any:
    """Return a column without nulls as an ndarray; the method of pyarrow would import pandas."""
    truths = pa.types.is_boolean(column.type)
    chunks = (column.cast(pa.uint8()) if truths else column).chunks
    whole = np.concatenate([np.from_dlpack(chunk) for chunk in chunks if len(chunk)])
    return whole.astype(bool) if truths else whole


def _names(column: pa.ChunkedArray) -> Any:
    values = column.to_pylist()
    return np.array(["" if v is None else bare_text(str(v)) for v in values], object).reshape(len(values))


def _detect(column: pa.ChunkedArray, where: str) -> Any:
    values = [str(name).strip() or str(Expect.DETECT) for name in _names(column)]
    for row, value in enumerate(values):
        if value not in (Expect.DETECT, Expect.IGNORE):
            raise TruthError(
                f"{where}: column 'expect', row {row}: must be 'detect' or 'ignore', got {shown(value)}. Correct it."
            )
    return np.array([value == Expect.DETECT for value in values], bool)
