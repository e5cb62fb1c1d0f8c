"""Passes from a table of intervals, in rows of the log, in seconds, or in the log's own times."""

from __future__ import annotations

from dataclasses import replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.border_doubt import BorderDoubt, last_digit
from teachlab.data.importing.cells import is_number, is_text, to_numbers, uses_decimal_comma
from teachlab.data.importing.place import Place
from teachlab.data.importing.time_axis import UNITS, Clockwork, TimeReport
from teachlab.data.importing.truth_columns import in_samples
from teachlab.data.truth_files import read_passes, whole_positions
from teachlab.errors import ParameterError, TruthError
from teachlab.model.truth import Truth

CEIL_SLACK = 1e-6


class Counted(StrEnum):
    """What the positions of an interval table count."""

    SAMPLES = "samples"
    SECONDS = "s"
    TIME = "time"


def read_intervals(
    path: str,
    *,
    counted: Counted,
    start: str,
    end: str,
    rate_hz: float,
    axis: TimeReport | None,
    clockwork: Clockwork | None,
    time_unit: str,
) -> tuple[Truth, BorderDoubt | None]:
    """Read a table of passes, and how far its borders may be wrong where it does not say so itself.

    Parameters
    ----------
    path : str
        CSV with a header, or Parquet.
    counted : Counted
        samples: rows of the log, from 0; s: seconds after its first row; time: as in its time column.
    start, end : str
        Columns of the positions.
    rate_hz : float, Hz
        Sample rate.
    axis : TimeReport, optional
        Where gaps of the log are filled.
    clockwork : Clockwork, optional
        Reads the log's own times.
    time_unit : str
        Of the log's own times, where they are numbers.

    Notes
    -----
    A pass from time a to time b holds the samples i with ``a ≤ i / rate < b``: ``[⌈a · rate⌉, ⌈b · rate⌉)``,
    where ⌈v⌉ is the smallest integer ≥ v − 10⁻⁶.
    """
    places: list[NDArray[np.float64]] = []
    found: list[BorderDoubt] = []
    printed = 0.0

    def doubt(truth: Truth) -> float:
        first, last = places or (truth.start.astype(np.float64), truth.end.astype(np.float64))
        found.append(BorderDoubt.of_positions(first, last, printed=printed * rate_hz))
        return found[0].samples

    if counted is Counted.SAMPLES:
        truth = read_passes(path, start=start, end=end, convert=whole_positions, doubt=doubt)
        if axis is None or axis.gap_rows.size == 0:
            return truth, next(iter(found), None)
        first = in_samples(truth.start, axis.gap_rows, axis.missing)
        last = in_samples(truth.end - 1, axis.gap_rows, axis.missing) + 1
        return replace(truth, start=first, end=last), next(iter(found), None)
    if counted is Counted.TIME and clockwork is None:
        raise ParameterError("--passes-in time needs a time column in the log: name it with --time.")

    def convert(column: Any, name: str, where: str) -> NDArray[np.int64]:
        nonlocal printed
        place = Place(where, name, lambda row: f"row {row}")
        cells = column.combine_chunks()
        if len(cells) == 0:
            return np.empty(0, np.int64)
        if counted is Counted.TIME and clockwork is not None:
            seconds = clockwork.since_start(cells, place)
        else:
            seconds = _seconds(cells, place)
        if digit := last_digit(cells):
            scale = UNITS[time_unit] if counted is Counted.TIME and is_number(cells[0].as_py()) else 1.0
            printed = max(printed, digit * scale)
        places.append(seconds * rate_hz)
        return np.ceil(seconds * rate_hz - CEIL_SLACK).astype(np.int64)

    truth = read_passes(path, start=start, end=end, convert=convert, doubt=doubt)
    return truth, next(iter(found), None)


def _seconds(cells: Any, place: Place) -> NDArray[np.float64]:
    comma = is_text(cells.type) and uses_decimal_comma(cells, place, 0)
    numbers = to_numbers(cells, comma, place, 0, advice="Every pass needs a start and an end in seconds.")
    values: NDArray[np.float64] = numbers.to_numpy(zero_copy_only=False).astype(np.float64)
    bad = ~np.isfinite(values)
    if bad.any():
        row = int(np.argmax(bad))
        raise TruthError(f"{place(row)}: a position must be a finite number of seconds, got {values[row]}.")
    return values
