"""What every log offers: named columns, in batches of rows, and a way to name a row."""

from __future__ import annotations

import difflib
import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pyarrow as pa
from pyarrow import ipc

from teachlab.data.importing.text_log import TextLog, TextOptions
from teachlab.data.parquet_source import open_input, open_parquet
from teachlab.errors import ParameterError, RecordingError

BATCH_ROWS = 1 << 17
NO_TEXT = (".npy", ".npz", ".json", ".h5", ".hdf5", ".pkl", ".zip", ".pdf", ".png", ".jpg")
"""Endings of files that hold no delimited text."""
MATLAB_73 = "MATLAB 7.3 files are not read. In MATLAB, save it again with: save('log.mat', 'light', '-v7')"

# SciPy's readers follow the sizes and offsets of a header wherever they lead: a damaged one ends in any of these,
# in names that were never bound (NameError) among them.
DAMAGED = (
    *(ValueError, TypeError, LookupError, NameError, AttributeError, ArithmeticError),
    *(OSError, EOFError, MemoryError, struct.error, zlib.error),
)


class Log(Protocol):
    """A table of one log file."""

    @property
    def path(self) -> str:
        """Where it came from."""
        ...

    @property
    def columns(self) -> Sequence[str]:
        """Names of the columns."""
        ...

    @property
    def rate_hz(self) -> float | None:
        """Sample rate, if the format knows it."""
        ...

    @property
    def delimiter(self) -> str | None:
        """What divides the columns, for text."""
        ...

    def batches(self, chosen: Sequence[int]) -> Iterator[list[Any]]:
        """Iterate over the rows of some columns, as Arrow arrays of equal length."""
        ...

    def place(self, row: int) -> str:
        """Return how a person finds a row."""
        ...


@dataclass(frozen=True, slots=True)
class ArrowLog:
    """Columns of a binary format, read through a function that can be called again."""

    path: str
    columns: tuple[str, ...]
    reader: Callable[[Sequence[int]], Iterator[list[Any]]] = field(repr=False)
    rate_hz: float | None = None
    delimiter: str | None = None

    def batches(self, chosen: Sequence[int]) -> Iterator[list[Any]]:
        """Iterate over the rows of some columns."""
        try:
            yield from self.reader(chosen)
        except (pa.ArrowException, OSError) as fault:
            raise RecordingError(
                f"{self.path}: cannot be decoded: {fault}. The file is damaged; copy it again."
            ) from None

    def place(self, row: int) -> str:
        """Return the row, counted from 0."""
        return f"row {row}"


def open_log(path: str | Path, options: TextOptions) -> Log:
    """Open a log by the ending of its name.

    Parameters
    ----------
    path : str or Path
        ``.parquet``, ``.feather`` or ``.arrow``, ``.wav``, ``.mat``; anything else is taken as delimited
        text, also compressed (``.csv.gz``).
    options : TextOptions
        How text is laid out; found where not given.

    Raises
    ------
    RecordingError
        If the file cannot be read.
    """
    name = str(path).lower()
    if name.endswith((".parquet", ".pq")):
        return _parquet(path)
    if name.endswith((".feather", ".arrow", ".ipc")):
        return _feather(path)
    if name.endswith(".wav"):
        return _wav(path)
    if name.endswith(".mat"):
        return _mat(path)
    if name.endswith((".xlsx", ".xls", ".ods")):
        raise RecordingError(f"{path}: workbooks are not read. Save the sheet as CSV and import that.")
    if name.endswith(NO_TEXT):
        raise RecordingError(
            f"{path}: files of this kind are not read. Save the light as CSV, Parquet, Feather, WAV or MAT "
            "and import that."
        )
    return TextLog.open(path, options)


def column_index(log: Log, wanted: str, option: str) -> int:
    """Return the position of a column given by name, or by its number counted from 1.

    Raises
    ------
    ParameterError
        If there is no such column, or two of that name.
    """
    names = list(log.columns)
    if names.count(wanted) == 1:
        return names.index(wanted)
    listed = ", ".join(repr(name) for name in names[:20])
    if names.count(wanted) > 1:
        raise ParameterError(f"{log.path}: {option} '{wanted}' occurs {names.count(wanted)} times. Give its number.")
    if wanted.isdecimal() and 1 <= int(wanted) <= len(names):
        return int(wanted) - 1
    near = difflib.get_close_matches(wanted, names, 1)
    hint = f" Did you mean '{near[0]}'?" if near else ""
    raise ParameterError(
        f"{log.path}: there is no column '{wanted}' ({option}); the columns are: {listed}.{hint} "
        "Give a name, or a number counted from 1."
    )


def _parquet(path: str | Path) -> Log:
    file = open_parquet(path, "a log", RecordingError)
    names = tuple(file.schema_arrow.names)

    def read(chosen: Sequence[int]) -> Iterator[list[Any]]:
        again = open_parquet(path, "a log", RecordingError)
        wanted = [names[i] for i in chosen]
        for batch in again.iter_batches(batch_size=BATCH_ROWS, columns=list(dict.fromkeys(wanted)), use_threads=False):
            yield [batch.column(name) for name in wanted]

    return ArrowLog(str(path), names, read)


def _feather(path: str | Path) -> Log:
    def opened() -> Any:
        source = open_input(path, "a log", RecordingError)
        try:
            return ipc.open_file(source)
        except pa.ArrowInvalid:
            raise RecordingError(
                f"{path}: not a readable Feather (Arrow IPC) file, or cut short. Give the path of a log."
            ) from None

    def read(chosen: Sequence[int]) -> Iterator[list[Any]]:
        file = opened()
        for i in range(file.num_record_batches):
            batch = file.get_batch(i)
            yield [batch.column(k) for k in chosen]

    return ArrowLog(str(path), tuple(opened().schema.names), read)


def _wav(path: str | Path) -> Log:
    import warnings

    from scipy.io import wavfile

    with warnings.catch_warnings():
        # Chunks beside the samples (names of the logger, marks) are of no use here.
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        try:
            try:
                rate, samples = wavfile.read(str(path), mmap=True)
            except ValueError:  # 24-bit samples cannot be mapped
                rate, samples = wavfile.read(str(path))
        except FileNotFoundError:
            raise RecordingError(f"{path}: there is no such file. Give the path of a log.") from None
        except DAMAGED as fault:
            raise RecordingError(f"{path}: not a readable WAV file, or cut short: {_told(fault)}.") from None
    table = samples if samples.ndim == 2 else samples[:, np.newaxis]
    columns = {str(k + 1): table[:, k] for k in range(table.shape[1])}
    return ArrowLog(str(path), tuple(columns), _slices(list(columns.values())), float(rate))


def _mat(path: str | Path) -> Log:
    from scipy.io import loadmat
    from scipy.io.matlab import MatReadError

    try:
        found = loadmat(str(path))
    except FileNotFoundError:
        raise RecordingError(f"{path}: there is no such file. Give the path of a log.") from None
    except NotImplementedError:
        raise RecordingError(f"{path}: {MATLAB_73}") from None
    except (*DAMAGED, MatReadError) as fault:
        raise RecordingError(f"{path}: not a readable MAT file, or cut short: {_told(fault)}.") from None
    columns: dict[str, Any] = {}
    for name, values in found.items():
        if name.startswith("__") or not isinstance(values, np.ndarray) or values.dtype.kind not in "biuf":
            continue
        table = values.reshape(-1, 1) if 1 in values.shape or values.ndim < 2 else values
        if table.ndim == 2 and table.shape[0] > 1:
            for k in range(table.shape[1]):
                columns[name if table.shape[1] == 1 else f"{name}:{k + 1}"] = table[:, k]
    if not columns:
        raise RecordingError(f"{path}: there is no variable that is a vector or a matrix of numbers.")
    return ArrowLog(str(path), tuple(columns), _slices(list(columns.values())))


def _told(fault: Exception) -> str:
    """Return what a reader said; its class where it said nothing, or spoke of its own names."""
    return type(fault).__name__ if isinstance(fault, NameError) or not str(fault) else str(fault)


def _slices(columns: list[Any]) -> Callable[[Sequence[int]], Iterator[list[Any]]]:
    def read(chosen: Sequence[int]) -> Iterator[list[Any]]:
        sizes = {columns[k].size for k in chosen}
        if len(sizes) > 1:
            raise ParameterError(f"the columns chosen must be of one length, got {sorted(sizes)} rows.")
        for a in range(0, max(sizes), BATCH_ROWS):
            parts = [columns[k][a : a + BATCH_ROWS] for k in chosen]
            yield [pa.array(np.ascontiguousarray(p.astype(p.dtype.newbyteorder("=")))) for p in parts]

    return read
