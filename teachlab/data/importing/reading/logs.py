"""What every log offers: named columns, in batches of rows, and a way to name a row."""

from __future__ import annotations

import difflib
import functools
import math
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from pyarrow import ipc

from teachlab.data.addresses import ending_of
from teachlab.data.importing.reading.arrow_log import BATCH_ROWS, DAMAGED, ArrowLog, Part, refuse_address, slices, told
from teachlab.data.importing.reading.mat_variables import variables_of
from teachlab.data.importing.reading.text_layout import Layout, TextOptions, names_rate, unit_in_name
from teachlab.data.importing.reading.text_log import STANDARD_INPUT, Log, TextLog
from teachlab.data.importing.reading.unpacked_size import need_for_batches
from teachlab.data.parquet_source import open_input, open_parquet, text_columns, unpacked
from teachlab.errors import ParameterError, RecordingError

NAMED_FORMATS = {
    **dict.fromkeys(("parquet", "pq"), "Parquet"),
    **dict.fromkeys(("feather", "arrow"), "Feather (Arrow IPC)"),
    **dict.fromkeys(("h5", "hdf5"), "HDF5"),
    **dict.fromkeys(("mf4", "mdf"), "MDF"),
    **dict.fromkeys(("xlsx", "xls"), "Excel"),
    **{"wav": "WAV", "mat": "MAT", "tdms": "TDMS", "ods": "OpenDocument"},
}
"""Endings that no delimited text should have."""

MARKS = (
    (b"PAR1", "parquet"), (b"ARROW1", "feather"), (b"FEA1", "feather"), (b"RIFF", "wav"), (b"RIFX", "wav"),
    (b"RF64", "wav"), (b"MATLAB 5.0", "mat"), (b"\x89HDF\r\n\x1a\n", "hdf5"), (b"TDSm", "tdms"), (b"MDF ", "mdf"),
    (b"UnFinMF ", "mdf"), (b"PK\x03\x04", "zip"), (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "workbook"),
    (b"\x93NUMPY", "NumPy array"), (b"%PDF", "PDF"), (b"\x89PNG", "PNG picture"), (b"\xff\xd8\xff", "JPEG picture"),
    (b"SQLite format 3", "SQLite database"), (b"7z\xbc\xaf", "7-Zip archive"), (b"\xfd7zXZ", "packed archive (XZ)"),
    (b"Rar!", "RAR archive"), (b"\x1f\x9d", "packed archive (.Z)"),
    (b"CDF\x01", "NetCDF 3 file"), (b"CDF\x02", "NetCDF 3 file"),
    (b"\xff\xff\xff\xff", "stream of Arrow, without the index of a file"),
)  # fmt: skip
"""First bytes of the files of a format."""
MEASURED = ("hdf5", "tdms", "mdf", "workbook")
"""Formats that an extra reads."""


def open_log(path: str | Path, options: TextOptions, *, layout: Layout | None = None) -> Log:
    """Open a log; its format is recognised from its content, not from its name.

    `path`: Parquet, Feather (Arrow IPC), WAV, MAT, HDF5, TDMS, MDF, a workbook, or delimited text, also compressed;
    ``-`` for text from standard input.
    `options`: layout of the text; values that are not given are found.
    `layout`: the layout of the text, if it is already known.
    Raises RecordingError if the file cannot be read; with the extra that reads it, if there is one.
    Raises ParameterError if an option has no meaning in its format.
    """
    kind = None if str(path) == STANDARD_INPUT else _kind(path)
    opened = {"parquet": _parquet, "feather": _feather, "wav": _wav, "mat": _mat}
    if kind is not None and kind not in (*opened, *MEASURED):
        unpack = "Unpack it, or save" if "archive" in kind else "Save"
        raise RecordingError(
            f"{path}: this is a {kind}, which is not read. {unpack} the light as CSV, Parquet, Feather, WAV, MAT, "
            "HDF5, TDMS, MDF or Excel and import that."
        )
    _check_options(path, kind, options)
    if kind is None:
        return TextLog.open(path, options, layout=layout)
    if kind in MEASURED:
        import teachlab.data.importing.reading.measurement_formats as measurement_formats

        log = measurement_formats.open_measurement(str(path), kind, options)
    else:
        log = opened[kind](path)
    log.decimal_comma = options.decimal_comma
    return log


def _check_options(path: str | Path, kind: str | None, options: TextOptions) -> None:
    """Refuse options of text where there is none, and a sheet outside a workbook: nothing is left out silently."""
    text, table = kind is None, kind in (None, "workbook")
    for option, given, has in (
        ("--skip", options.skip > 0, table),
        ("--header", options.header is True, table),
        ("--no-header", options.header is False, table),
        ("--delimiter", options.delimiter is not None, text),
        ("--encoding", options.encoding is not None, text),
        ("--sheet", options.sheet is not None, kind == "workbook"),
    ):
        if given and not has:
            what = "a workbook" if option == "--sheet" else "text"
            raise ParameterError(f"{path}: {option} is for {what}, and this is {kind or 'text'}. Leave it out.")


JSON_BEGINS = re.compile(rb"\s*(\{\s*[\"}]|\[\s*[\[\]{\"\d-])")
"""A column may be called [mV]."""


def _kind(path: str | Path) -> str | None:
    """Return the format of a file from its first bytes; None for text."""
    with open_input(path, "a log", RecordingError) as source:
        head = bytes(source.read(600))
        found = next((kind for mark, kind in MARKS if head.startswith(mark)), None)
        if found is None and head[512:520] == b"\x89HDF\r\n\x1a\n":
            return "hdf5"  # behind a block of the user, as MATLAB 7.3 writes it
        if found is None and head.startswith(b"MATLAB"):
            return "mat"
        if found == "zip":
            source.seek(0)
            return _zip_kind(source)
    if found is None and JSON_BEGINS.match(head):
        return "JSON document"
    if found is None and len(head) >= 128 and head[124:128] in (b"\x00\x01IM", b"\x01\x00MI"):
        return "mat"  # its text is free
    ending = ending_of(path)[1:]
    if found is None and ending in NAMED_FORMATS:
        raise RecordingError(
            f"{path}: not a readable {NAMED_FORMATS[ending]} file, or cut short: it does not begin as one. Copy it "
            "again, or give it the name of what it is (.csv)."
        )
    return found


def _zip_kind(source: Any) -> str:
    import zipfile

    try:
        names = zipfile.ZipFile(source).namelist()
    except (zipfile.BadZipFile, *DAMAGED):
        return "damaged ZIP archive"
    if any(name.startswith("xl/") for name in names) or "content.xml" in names:
        return "workbook"
    if names and all(name.endswith(".npy") for name in names):
        return "NumPy archive"
    return "ZIP archive"


def column_index(log: Log, wanted: str, option: str) -> int:
    """Return the position of a column given by its name, or by its number counted from 1.

    Raises ParameterError if there is no such column, or if two have this name.
    """
    names = list(log.columns)
    if names.count(wanted) == 1:
        return names.index(wanted)
    listed = ", ".join(repr(name) for name in names[:20])
    if names.count(wanted) > 1:
        raise ParameterError(f"{log.path}: {option} '{wanted}' occurs {names.count(wanted)} times. Give its number.")
    bare = [_without_unit(name) for name in names]
    if bare.count(wanted) == 1:
        return bare.index(wanted)
    if wanted.isdecimal() and 1 <= int(wanted) <= len(names):
        return int(wanted) - 1
    near = difflib.get_close_matches(wanted, names, 1)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    raise ParameterError(
        f"{log.path}: there is no column '{wanted}' ({option}); the columns are: {listed}.{hint} "
        "Give a name, or a number counted from 1."
    )


def _without_unit(name: str) -> str:
    unit = unit_in_name(name)
    return name if not unit else name[: name.rindex(unit)].rstrip("[( _/.-")


def _parquet(path: str | Path) -> Log:
    file = open_parquet(path, "a log", RecordingError)
    names, rows = tuple(file.schema_arrow.names), file.metadata.num_rows

    def read(chosen: Sequence[int]) -> Iterator[list[Any]]:
        # The end of a long file takes memory: it is not held beyond its last row.
        wanted, known = [names[i] for i in chosen], open_parquet(path, "a log", RecordingError)
        packed = text_columns(known, wanted)
        again = open_parquet(path, "a log", RecordingError, packed=packed, read=wanted, known=known.metadata)
        for batch in again.iter_batches(batch_size=BATCH_ROWS, columns=list(dict.fromkeys(wanted)), use_threads=False):
            yield [unpacked(batch.column(name), name, path, RecordingError) for name in wanted]

    return ArrowLog(str(path), names, read, rows=rows)


def _feather(path: str | Path) -> Log:
    def opened() -> Any:
        source = open_input(path, "a log", RecordingError)
        try:
            return ipc.open_file(source)
        except pa.ArrowInvalid:
            raise RecordingError(
                f"{path}: not a readable Feather (Arrow IPC) file, or cut short. Give the path of a log."
            ) from None

    with open_input(path, "a log", RecordingError) as source:
        need_for_batches(source, str(path))

    def read(chosen: Sequence[int]) -> Iterator[list[Any]]:
        file = opened()
        for i in range(file.num_record_batches):
            batch = file.get_batch(i)
            yield [batch.column(k) for k in chosen]

    return ArrowLog(str(path), tuple(opened().schema.names), read)


def _wav(path: str | Path) -> Log:
    import warnings

    from scipy.io import wavfile

    refuse_address(path, "WAV")
    with warnings.catch_warnings():
        # Chunks beside the samples (names of the logger, marks) are not needed here.
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        try:
            try:
                rate, samples = wavfile.read(str(path), mmap=True)
            except ValueError as fault:  # samples of 3 bytes cannot be mapped
                rate, samples = wavfile.read(str(path))
                if bytes_of_sample := re.search(r"(\d)-byte container", str(fault)):
                    # They come at the upper end of a wider type; the lower end holds zeros.
                    samples = samples >> 8 * (samples.dtype.itemsize - int(bytes_of_sample[1]))
        except FileNotFoundError:
            raise RecordingError(f"{path}: there is no such file. Give the path of a log.") from None
        except DAMAGED as fault:
            raise RecordingError(f"{path}: not a readable WAV file, or cut short: {told(fault)}.") from None
    table = samples if samples.ndim == 2 else samples[:, np.newaxis]
    columns = {str(k + 1): table[:, k] for k in range(table.shape[1])}
    return ArrowLog(str(path), tuple(columns), slices(list(columns.values()), path), float(rate), rows=len(table))


def _mat(path: str | Path) -> Log:
    columns: dict[str, Any] = {}
    hints: list[str] = []
    refuse_address(path, "MAT")
    with open_input(path, "a log", RecordingError):
        pass  # there, and a file
    for variable in variables_of(str(path)):
        shape, name = variable.shape, variable.name
        if math.prod(shape) == 1 and names_rate(name):
            hints.append(f"{name} = {variable.read(str(path)).reshape(-1)[0]:g}")
        flat = 1 in shape or len(shape) < 2
        if (len(shape) == 2 or flat) and math.prod(shape) > 1 and (flat or shape[0] > 1):
            read = functools.cache(functools.partial(variable.read, str(path)))
            if flat:
                columns[name] = Part(_of_vector(read), math.prod(shape), variable.dtype)
                continue
            lying = shape[0] < shape[1]  # as in HDF5: there are more samples than channels
            for k in range(min(shape)):
                columns[f"{name}:{k + 1}"] = Part(_of_matrix(read, k, lying=lying), max(shape), variable.dtype)
    if not columns:
        raise RecordingError(
            f"{path}: there is no variable that is a vector or a matrix of numbers. Save light and times as variables "
            "of their own."
        )
    rows = max(map(len, columns.values()))
    hint = hints[0] if len(hints) == 1 else ""
    parts = list(columns.values())
    tables = tuple(map(len, parts))
    return ArrowLog(str(path), tuple(columns), slices(parts, path), rows=rows, rate_hint=hint, tables=tables)


def _of_vector(read: Callable[[], Any]) -> Callable[[int, int], Any]:
    return lambda a, b: read().reshape(-1)[a:b]


def _of_matrix(read: Callable[[], Any], k: int, *, lying: bool) -> Callable[[int, int], Any]:
    return (lambda a, b: read()[k, a:b]) if lying else (lambda a, b: read()[a:b, k])
