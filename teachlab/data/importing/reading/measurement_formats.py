"""Formats of measurement systems; each is read by the usual library of its field, which is an extra."""

from __future__ import annotations

import csv
import datetime
import importlib
import io
import re
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np
import pyarrow as pa

from teachlab.data.importing.reading.arrow_log import (
    BATCH_ROWS,
    ArrowLog,
    HeadBegin,
    Part,
    refuse_address,
    since_1970,
    slices,
    told,
)
from teachlab.data.importing.reading.mdf_blocks import need_for_blocks
from teachlab.data.importing.reading.percent_cells import Marks, percent_cells
from teachlab.data.importing.reading.tdms_segments import check_segments
from teachlab.data.importing.reading.text_layout import names_rate, time_unit_named
from teachlab.data.importing.reading.text_log import Log, TextLog, TextOptions
from teachlab.data.importing.reading.unpacked_size import need_for_chunk, need_for_stored, need_for_workbook
from teachlab.data.strict_json import shown
from teachlab.errors import InputError, ParameterError, RecordingError
from teachlab.model.printable_text import number_of

EXTRAS = {
    "hdf5": ("HDF5", "hdf5", ("h5py",)),
    "tdms": ("TDMS", "tdms", ("nptdms",)),
    "mdf": ("MDF", "mdf", ("asammdf",)),
    "workbook": ("Excel or OpenDocument", "excel", ("python_calamine", "openpyxl")),
}
"""Name of a format, the extra that reads it, and modules of which one must be present."""
EPOCH = np.datetime64("1970-01-01")
MAY_CHANGE = re.compile(
    r"scale|scaling|gain|slope|offset|intercept|bias|factor|valid_(min|max|range)|scale_factor|add_offset|_FillValue|"
    r"missing_value", re.IGNORECASE,
)  # fmt: skip
"""Attributes that may change what a number stands for; for most of them, no convention fixes how."""
NOT_STATED, TIME = 0, 1
"""What the first channel of an MDF 4 group counts."""
LOCAL_TIME = 1
"""Flag of the head of an MDF 4 file."""


def open_measurement(path: str, kind: str, options: TextOptions) -> Log:
    """Open a file of one of `EXTRAS`.

    Raises RecordingError if the library is not installed, or the file is damaged or holds no numbers.
    """
    name, extra, modules = EXTRAS[kind]
    library = next(filter(None, map(_imported, modules)), None)
    if library is None:
        raise RecordingError(
            f"{path}: files of {name} are read by the extra '{extra}': pip install 'teachlab[{extra}]'."
        )
    refuse_address(path, name)
    opened: dict[str, Callable[..., Log]] = {"hdf5": _hdf5, "tdms": _tdms, "mdf": _mdf, "workbook": _workbook}
    try:
        return opened[kind](path, library, options)
    except InputError:
        raise
    except Exception as fault:  # noqa: BLE001 - what a foreign reader raises at a damaged file is not known
        raise RecordingError(f"{path}: not a readable {name} file, or cut short: {told(fault)}.") from None


def _imported(module: str) -> Any:
    try:
        return importlib.import_module(module)
    except ImportError:
        return None


def _no_numbers(path: str, what: str) -> RecordingError:
    return RecordingError(f"{path}: there is no {what} of numbers in it. Give a log with samples.")


def _hdf5(path: str, h5py: Any, options: TextOptions) -> Log:
    columns: dict[str, Any] = {}
    units: dict[str, str] = {}
    nodes: dict[str, Any] = {}
    meant: dict[str, str] = {}

    hints: list[str] = []

    def visit(name: str, node: Any) -> None:
        hints.extend(_rates_in(node.attrs))
        if not isinstance(node, h5py.Dataset) or node.size < 2 or name.startswith("#"):
            return
        if node.external or node.is_virtual:
            return  # its samples lie in other files, which no one has named
        need_for_chunk(path, name, node)
        stored = Stored.of(node)
        said = f"'{name}' is read as its attributes say: {stored.sentence}." if stored.changes else ""
        meant[name] = " ".join(filter(None, (said, _not_applied(name, node.attrs, stored.used))))
        for column, part, unit in _columns_of(name, node):
            data = stored.meant(part) if stored.changes else part
            columns[column], units[column], nodes[column] = data, unit, node

    file = h5py.File(path, "r")
    hints.extend(_rates_in(file.attrs))
    file.visititems(visit)
    columns = {name: data for name, data in columns.items() if data.dtype.kind in "biufSO"}
    if not columns:
        raise _no_numbers(path, "data set")
    names, parts = _shortest_names(list(columns)), slices(list(columns.values()), path)
    stored, notes = [nodes[name] for name in columns], list[str]()

    def read(chosen: Sequence[int]) -> Iterator[list[Any]]:
        for k in chosen:
            need_for_stored(path, names[k], stored[k])
        told = (meant.get(stored[k].name.lstrip("/"), "") for k in chosen)
        notes.extend(note for note in dict.fromkeys(told) if note and note not in notes)
        return parts(chosen)

    rows = max(map(len, columns.values()))
    counted = {k: found for k, name in enumerate(columns) if (found := _counted_since(units[name])) is not None}
    said = tuple(counted[k][0] if k in counted else units[name] for k, name in enumerate(columns))
    begins = {k: begin for k, (_, begin) in counted.items()}
    hint = hints[0] if len({*hints}) == 1 else ""
    tables = tuple(
        (node.name if node.dtype.names else node.parent.name, len(part))
        for node, part in zip(stored, columns.values(), strict=True)
    )
    return ArrowLog(
        path, names, read, units=said, begins=begins, file=file, rows=rows, notes=notes, rate_hint=hint, tables=tables
    )


def _rates_in(attributes: Any) -> Iterator[str]:
    """Yield what the attributes of a node say about a sample rate."""
    for name in attributes:
        if names_rate(name) and np.size(attributes[name]) == 1:
            yield f"{name} = {_word(np.asarray(attributes[name]).reshape(-1)[0])}"


def _counted_since(unit: str) -> tuple[str, HeadBegin] | None:
    """Return the unit of times, and when they begin, where a unit tells both as the CF conventions have it.

    In UTC, unless it names another zone.
    """
    words = re.fullmatch(r"(\w+) since (\S+?)(?:[T ](\d\S*))?(?: ?(?:UTC|Z))?", unit.strip())
    if words is None or time_unit_named(words[1]) is None:
        return None
    try:
        begun = datetime.datetime.fromisoformat(f"{words[2]}T{words[3] or '00:00:00'}")
    except ValueError:
        return None
    return words[1], HeadBegin(since_1970(begun), True, True)


@dataclass(frozen=True, slots=True)
class Stored:
    """How the numbers of an HDF5 data set stand for values, as the CF conventions have it.

    `empty`: the numbers that stand for no value.
    `used`: names of the attributes that say so.
    """

    scale: float = 1.0
    offset: float = 0.0
    empty: tuple[float, ...] = ()
    used: tuple[str, ...] = ()

    @classmethod
    def of(cls, node: Any) -> Stored:
        """Read the attributes; only those that are one number count."""
        if node.dtype.kind not in "iuf":
            return cls()
        found = {
            name: float(told.reshape(-1)[0])
            for name in ("scale_factor", "add_offset", "_FillValue", "missing_value")
            if name in node.attrs and (told := np.asarray(node.attrs[name])).size == 1 and told.dtype.kind in "iuf"
        }
        numbers = {found[name] for name in ("_FillValue", "missing_value") if name in found}
        empty = tuple(sorted(number for number in numbers if not np.isnan(number)))
        return cls(found.get("scale_factor", 1.0), found.get("add_offset", 0.0), empty, tuple(found))

    @property
    def changes(self) -> bool:
        """Whether values differ from the numbers."""
        return (self.scale, self.offset, self.empty) != (1.0, 0.0, ())

    @property
    def sentence(self) -> str:
        """What is done with the numbers."""
        scaled = f"times {self.scale:g}, plus {self.offset:g}" if (self.scale, self.offset) != (1.0, 0.0) else ""
        empty = [f"{number:g} is no value" for number in self.empty]
        return "; ".join(filter(None, (scaled, *empty)))

    def meant(self, column: Any) -> Part:
        """Return the column of values, masked where there is none."""
        scaled = (self.scale, self.offset) != (1.0, 0.0)

        def read(a: int, b: int) -> Any:
            numbers = np.asarray(column[a:b])
            values = numbers * self.scale + self.offset if scaled else numbers
            return np.ma.masked_array(values, mask=np.isin(numbers, self.empty))

        return Part(read, len(column), np.dtype(np.float64) if scaled else column.dtype)


def _not_applied(name: str, attributes: Any, used: Sequence[str]) -> str:
    """Say which attributes of a column, other than those used, may change what its numbers stand for."""
    kept = [f"{key} = {_word(attributes[key])}" for key in attributes if MAY_CHANGE.fullmatch(key) and key not in used]
    return f"'{name}' is read without its attributes {', '.join(kept)[:80]}." if kept else ""


def _columns_of(name: str, node: Any) -> Iterator[tuple[str, Any, str]]:
    """Yield the columns of a data set, each with its name and unit."""
    unit = next((_word(node.attrs[key]) for key in ("units", "unit", "Units", "Unit") if key in node.attrs), "")
    if node.dtype.names:
        for part in node.dtype.names:
            dtype = node.dtype[part]
            if dtype.kind in "biufSO" and not dtype.shape:
                yield f"{name}/{part}", Part(_field(node, part), node.size, dtype), ""
    elif node.ndim == 1:
        yield name, node, unit
    elif node.ndim == 2 and 1 in node.shape:
        flat = Part(lambda a, b: node[a:b, 0] if node.shape[1] == 1 else node[0, a:b], node.size, node.dtype)
        yield name, flat, unit
    elif node.ndim == 2:
        # One channel per row or one per column: there are more samples than channels.
        lying = node.shape[0] < node.shape[1]
        for k in range(min(node.shape)):
            yield f"{name}:{k + 1}", Part(_channel(node, k, lying=lying), max(node.shape), node.dtype), unit


def _field(node: Any, name: str) -> Callable[[int, int], Any]:
    return lambda a, b: node[a:b][name]


def _channel(node: Any, k: int, *, lying: bool) -> Callable[[int, int], Any]:
    return (lambda a, b: node[k, a:b]) if lying else (lambda a, b: node[a:b, k])


def _word(value: Any) -> str:
    return value.decode(errors="replace") if isinstance(value, bytes) else str(value)


def _shortest_names(paths: list[str]) -> tuple[str, ...]:
    """Return the last parts of names if they differ, otherwise the whole names."""
    last = [path.rpartition("/")[2] for path in paths]
    return tuple(short if last.count(short) == 1 else path for short, path in zip(last, paths, strict=True))


def _tdms(path: str, nptdms: Any, options: TextOptions) -> Log:
    closed = check_segments(path)
    with ExitStack() as opening:
        # Its reader leaves a file open that it does not understand, or that holds no numbers.
        source = opening.enter_context(open(path, "rb"))
        file = nptdms.TdmsFile.open(source)
        channels = [c for group in file.groups() for c in group.channels() if len(c) > 1]
        if not channels:
            raise _no_numbers(path, "channel")
        names = _shortest_names([f"{c.group_name}/{c.name}" for c in channels])
        rates = tuple(_rate_of(float(c.properties.get("wf_increment") or 0)) for c in channels)
        units = tuple(_word(c.properties.get("unit_string", "")) for c in channels)
        rows = max(map(len, channels))
        parts, begun = slices(channels, path), [_begin_of(c.properties) for c in channels]
        notes = [] if closed else ["The logger did not close this file: its last stretch may have fewer samples."]

        def read(chosen: Sequence[int]) -> Iterator[list[Any]]:
            if len({begun[k] for k in chosen} - {None}) > 1:
                listed = ", ".join(f"{names[k]!r} at {begun[k]}" for k in chosen)
                raise ParameterError(
                    f"{path}: the channels chosen began at different times: {listed}. Choose channels that began "
                    "together."
                )
            told = (_not_applied(names[k], channels[k].properties, ()) for k in chosen)
            notes.extend(note for note in told if note and note not in notes)
            return parts(chosen)

        begins = {k: begin for k, c in enumerate(channels) if (begin := _first_of(c.properties)) is not None}
        tables = tuple((c.group_name, len(c)) for c in channels)
        log = ArrowLog(
            path, names, read, units=units, rates=rates, begins=begins, file=source, rows=rows, tables=tables,
            notes=notes,
        )  # fmt: skip
        opening.pop_all()
    return log


def _begin_of(properties: dict[str, Any]) -> Any:
    """Return when a channel began, to the microsecond; None where its samples have no step."""
    if not properties.get("wf_increment") or "wf_start_time" not in properties:
        return None
    late = np.timedelta64(round(1e6 * float(properties.get("wf_start_offset") or 0)), "us")
    return np.datetime64(properties["wf_start_time"], "us") + late


def _first_of(properties: dict[str, Any]) -> HeadBegin | None:
    """Return when the first sample of a channel was taken; None where nobody set the clock (1904)."""
    begun = _begin_of(properties)
    return None if begun is None or begun < EPOCH else HeadBegin(1000 * int((begun - EPOCH).astype(int)), True, False)


def _rate_of(step_s: float) -> float | None:
    """Return the rate of a step, which may be stored as a rounded fraction; None without one."""
    rate = 1 / step_s if step_s > 0 else None
    return round(rate, 6) if rate is not None and abs(rate / round(rate, 6) - 1) < 1e-9 else rate


def _mdf(path: str, asammdf: Any, options: TextOptions) -> Log:
    need_for_blocks(path)
    file = asammdf.MDF(path)
    found: list[str] = []
    where: list[tuple[int, int]] = []
    units: list[str] = []
    masters: dict[int, int] = {}
    clocks: dict[int, int] = {}
    for g, group in enumerate(file.groups):
        if group.channel_group.cycles_nr < 2:
            continue
        for c, channel in enumerate(group.channels):
            if c == file.masters_db.get(g):
                masters[g] = len(found)
                # Others are angles, distances or counts.
                if getattr(channel, "sync_type", TIME) in (NOT_STATED, TIME):
                    clocks[g] = len(found)
            found.append(channel.name)
            where.append((g, c))
            units.append(channel.unit or file.get_channel_unit(group=g, index=c) or "")  # of MDF 3 in the conversion
    if not found:
        raise _no_numbers(path, "channel")
    tables = tuple(g for g, _ in where)
    names = _told_apart(found, where)

    def read(chosen: Sequence[int]) -> Iterator[list[Any]]:
        groups = {where[k][0] for k in chosen}
        if len(groups) > 1:
            listed = ", ".join(repr(names[k]) for k in chosen)
            raise ParameterError(f"{path}: {listed} were not sampled together. Choose channels of one group.")
        g = groups.pop()
        for a in range(0, file.groups[g].channel_group.cycles_nr, BATCH_ROWS):
            parts = []
            for k in chosen:
                if k == masters.get(g):
                    master = file.get_master(g, record_offset=a, record_count=BATCH_ROWS)
                    parts.append(pa.array(np.ascontiguousarray(master)))
                    continue
                # Without this word, samples that are marked invalid would be left out, and all others move up.
                signal = file.get(
                    group=g,
                    index=where[k][1],
                    record_offset=a,
                    record_count=BATCH_ROWS,
                    ignore_invalidation_bits=True,
                )
                parts.append(_column(signal.samples, signal.invalidation_bits))
            yield parts

    time_of = {k: clocks[g] for k, (g, _) in enumerate(where) if g in clocks}
    for k in clocks.values():
        units[k] = units[k] or "s"
        time_of.pop(k, None)
    rows = max(group.channel_group.cycles_nr for group in file.groups)
    start = _start_of(file.header)
    begins = {} if start is None else dict.fromkeys(clocks.values(), start)
    return ArrowLog(
        path, names, read, units=tuple(units), time_of=time_of, begins=begins, file=file, rows=rows, tables=tables
    )


def _told_apart(names: Sequence[str], where: Sequence[tuple[int, int]]) -> tuple[str, ...]:
    """Return names of channels, each with its group where several have it, and with its place if one group has two."""
    often = Counter(names)
    of_group = Counter(zip(names, (g for g, _ in where), strict=True))
    return tuple(
        name if often[name] == 1 else f"{name}#{g}" if of_group[name, g] == 1 else f"{name}#{g}.{c}"
        for name, (g, c) in zip(names, where, strict=True)
    )


def _start_of(header: Any) -> HeadBegin | None:
    """Return the instant from which the times of an MDF file count; None where nobody set it.

    MDF 4 has nanoseconds since 1970, in UTC unless a flag says that they are local. MDF 3 has the local date and time
    as text, to the second, and later ones nanoseconds beside it, of which only the fraction is the same in every zone.
    """
    late = int(getattr(header, "abs_time", 0) or 0)
    if hasattr(header, "time_flags"):
        return HeadBegin(late, not header.time_flags & LOCAL_TIME, True) if late > 0 else None
    try:
        local = datetime.datetime.strptime(f"{_word(header.date)} {_word(header.time)}", "%d:%m:%Y %H:%M:%S")
    except ValueError:
        return None
    whole = since_1970(local)
    return HeadBegin(whole + late % 10**9, False, True) if whole > 0 else None


def _column(samples: Any, invalid: Any) -> Any:
    mask = None if invalid is None else np.asarray(invalid, bool)
    if samples.dtype.kind in "SO":
        return pa.array([_word(v) for v in samples.tolist()], mask=mask)
    return pa.array(np.ascontiguousarray(samples.astype(samples.dtype.newbyteorder("="))), mask=mask)


def _workbook(path: str, library: Any, options: TextOptions) -> Log:
    """Read a sheet as a person sees it: as text, so that lines above the names and units are treated as in any text."""
    need_for_workbook(path)
    if library.__name__ == "openpyxl":
        book = library.load_workbook(path, read_only=True, data_only=True)
        names = book.sheetnames
        sheet = _sheet(path, names, options)
        rows = book[sheet].iter_rows(values_only=True)
    else:
        book = library.CalamineWorkbook.from_path(path)
        names = book.sheet_names
        sheet = _sheet(path, names, options)
        rows = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
    marks = percent_cells(path, sheet)
    text = io.StringIO()
    out = csv.writer(text, delimiter="\t", lineterminator="\n")
    out.writerows(map(_cell, row) for row in _as_shown(rows, marks))
    book.close()
    layout = TextOptions(
        delimiter="tab", decimal=options.decimal, header=options.header, skip=options.skip, missing=options.missing
    )
    log = TextLog.of_pieces(path, (piece for piece in [text.getvalue().encode()]), layout)
    log.is_sheet = True
    for column, mark in sorted(marks.items()):
        cells = number_of(sum(mark), "cell that is", "cells that are")
        log.notes.append(
            f"Column {column + 1} has {cells} shown in percent, the first in row {mark.index(1) + 1} of the sheet, and "
            "read as shown: 12.5 for 12.5 %."
        )
    if _counts_from_1904(path):
        log.notes.append(
            "This workbook counts days from 1904: cells that show a date are right, but times that are plain numbers "
            "lie 1,462 days later than told."
        )
    if len(names) > 1 and options.sheet is None:
        log.notes.append(f"The first of {len(names)} sheets was read, {shown(names[0])}. Others: --sheet NAME.")
    return log


def _as_shown(rows: Iterable[Sequence[Any]], marks: Marks) -> Iterator[Sequence[Any]]:
    """Yield rows of a sheet with percent for the fractions that are shown so."""
    for k, row in enumerate(rows):
        at = [column for column, mark in marks.items() if k < len(mark) and mark[k] and column < len(row)]
        seen = list(row)
        for column in at:
            if isinstance(row[column], float | int) and not isinstance(row[column], bool):
                seen[column] = float(Decimal(repr(row[column])).scaleb(2))
        yield seen


def _counts_from_1904(path: str) -> bool:
    name = "xl/workbook.xml"
    if not zipfile.is_zipfile(path):
        return False
    with zipfile.ZipFile(path) as book:
        if name not in book.namelist():
            return False
        with book.open(name) as head:
            return bool(re.search(rb"date1904=.(1|true)", head.read(1 << 16)))


def _sheet(path: str, names: Sequence[str], options: TextOptions) -> str:
    if options.sheet is None:
        return names[0]
    if options.sheet not in names:
        listed = ", ".join(shown(name) for name in names[:12])
        raise ParameterError(f"{path}: there is no sheet '{options.sheet}'; the sheets are: {listed}.")
    return options.sheet


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime.datetime):
        return value.isoformat(sep="T", timespec="microseconds")
    if isinstance(value, float) and value.is_integer() and abs(value) < 2**53:
        return str(int(value))  # a sheet knows no whole numbers
    if isinstance(value, datetime.timedelta):
        return repr(value.total_seconds())
    return str(value)
