"""Passes from a table: intervals or instants, in rows of the log, in seconds, in times, or in millimetres."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from teachlab.data.border_doubt import BorderDoubt, last_digit
from teachlab.data.importing.reading.cells import is_number, is_text, to_numbers, uses_decimal_comma
from teachlab.data.importing.reading.place import Place
from teachlab.data.importing.reading.text_layout import time_unit_in
from teachlab.data.importing.times.time_axis import TimeReport
from teachlab.data.importing.times.time_stamps import UNITS, TimeStamps
from teachlab.data.importing.truth_columns import in_samples
from teachlab.data.strict_json import shown
from teachlab.data.truth_files import read_passes, whole_positions
from teachlab.errors import ParameterError, TruthError
from teachlab.model.truth import Truth, joined

FARTHEST = 2**53
"""Samples up to which a float counts every one."""

CEIL_SLACK = 1e-6
OTHERWISE = (
    " If they are seconds, say --passes-in s; if ms, --passes-in ms; if they are times or dates, --passes-in time."
)
SINCE_1970 = 3e-7
"""Seconds since 1970 with a fraction are exact to a quarter of a microsecond: a float64 holds no more digits. Of days
since year 0 it holds 10 µs."""


class CountedIn(StrEnum):
    """What the positions of an interval table count."""

    SAMPLES = "samples"
    SECONDS = "s"
    MILLISECONDS = "ms"
    TIME = "time"
    MILLIMETRES = "mm"


@dataclass(frozen=True, slots=True, kw_only=True)
class LogTimes:
    """The times with which a table is compared.

    `rate_hz`: sample rate of the recording.
    `axis`: how gaps of the log are filled, if they are.
    `stamps`: how the log writes its own times.
    `first_ns`: the first of these times.
    `begun` (ns): when the first row was logged, and whether its zone is known.
    `samples_at`: a function of positions of the line, mm, that returns the samples at which it was there.
    `time_unit`, `time_zone`, `time_format`: how the table writes its times, if stated.
    `pass_ms`: length of a pass around an instant.
    """

    rate_hz: float
    axis: TimeReport | None = None
    stamps: TimeStamps | None = None
    first_ns: int = 0
    begun: tuple[int, bool] | None = None
    samples_at: Callable[[NDArray[np.float64], Place], NDArray[np.float64]] | None = None
    time_unit: str | None = None
    time_zone: str | None = None
    time_format: str | None = None
    pass_ms: float | None = None

    def since_start(self, cells: Any, place: Place) -> tuple[NDArray[np.float64], float, float]:
        """Return times of a table in seconds after the log's first row, the size of their unit, and their slack, s.

        Raises ParameterError if the two clocks cannot be compared.
        """
        if self.stamps is None and self.begun is None:
            raise ParameterError(f"{place.path}: --passes-in time needs a time column in the log. Name it with --time.")
        own = TimeStamps(
            self.time_unit,
            is_text(cells.type) and uses_decimal_comma(cells, place, 0),
            place,
            named=time_unit_in(place.column) or (None if self.stamps is None else self.stamps.unit_of_others),
            zone=self.time_zone,
            written=self.time_format,
            after=self.first_ns,
            advice="Correct the cell.",
        )
        times = own.nanoseconds(cells, 0)
        # Dates of a table are compared with the date of the first row, whatever tells it.
        relative = self.stamps is not None and not self.stamps.absolute
        first = self.begun if own.absolute else (self.first_ns, False) if relative else None
        if first is None:
            which = ("the table's are dates", "the log's count from an unknown begin")
            which = which if own.absolute else ("the log's are dates", "the table's count from an unknown begin")
            raise ParameterError(
                f"{place(0)}: the times of table and log cannot be compared: {which[0]}, {which[1]}. Give both as "
                "dates or times since 1970, or count the table's seconds from the log's first row with --passes-in s."
            )
        first_ns, aware = first
        if own.absolute and own.aware != aware:
            whose = "the table" if aware else "the log"
            raise ParameterError(
                f"{place(0)}: the zone of the times in {whose} is not known. Name it: --time-zone Europe/Berlin, for "
                "example."
            )
        slack = max(SINCE_1970, own.exact_s, 0.0 if self.stamps is None else self.stamps.exact_s)
        return (times - np.int64(first_ns)) / 1e9, UNITS[own.unit or "s"], slack


def read_intervals(
    path: str, *, counted: CountedIn, start: str, end: str, log: LogTimes, known: tuple[pa.Table, Any] | None = None
) -> tuple[Truth, BorderDoubt | None, list[str]]:
    """Read a table of passes, how far its borders may be wrong if it does not say so itself, and its unread columns.

    `path`: CSV with a header, or Parquet.
    `counted`: samples: rows of the log, from 0; s, ms: seconds or milliseconds after its first row; time: as in its
    time column, or any time if both are dates; mm: positions of the line.
    `start`, `end`: columns of the positions; the same column twice for a table of instants.
    `known`: the table and what its metadata state, if it was read: a pipe is read once.

    Notes
    -----
    A pass from time a to time b holds the samples i with ``a ≤ i / rate < b``: ``[⌈a · rate⌉, ⌈b · rate⌉)``, where ⌈v⌉
    is the smallest integer ≥ v − 10⁻⁶; for clock times ≥ v − 0.3 µs · rate, or what a number of that size is exact to.
    An instant is the middle of its pass.
    """
    places: list[NDArray[np.float64]] = []
    found: list[BorderDoubt] = []
    printed, slack = 0.0, CEIL_SLACK
    axis, rate_hz = log.axis, log.rate_hz
    half = None if log.pass_ms is None else 0.5 * log.pass_ms / 1000 * rate_hz

    def doubt(truth: Truth) -> float:
        first, last = places or (truth.start.astype(np.float64), truth.end.astype(np.float64))
        found.append(BorderDoubt.of_positions(first, last, printed=printed * rate_hz))
        return found[0].samples

    if counted is CountedIn.SAMPLES and half is None:
        truth, unread = read_passes(path, start=start, end=end, convert=_samples, doubt=doubt, known=known)
        if axis is None or axis.gap_rows.size == 0:
            return truth, next(iter(found), None), unread
        first = in_samples(truth.start, axis.gap_rows, axis.missing)
        last = in_samples(truth.end - 1, axis.gap_rows, axis.missing) + 1
        return replace(truth, start=first, end=last), next(iter(found), None), unread

    def positions(cells: Any, name: str, where: str, place: Place) -> NDArray[np.float64]:
        nonlocal printed, slack
        _check_unit(name, counted, where)
        if counted is CountedIn.SAMPLES:
            rows = _samples(pa.chunked_array([cells]), name, where)
            return (rows if axis is None else in_samples(rows, axis.gap_rows, axis.missing)).astype(np.float64)
        if counted is CountedIn.MILLIMETRES:
            if log.samples_at is None:
                raise ParameterError("--passes-in mm needs the position of the line: name it with --encoder-column.")
            return log.samples_at(_numbers(cells, place, "millimetres"), place)
        unit = 1.0
        if counted is CountedIn.TIME:
            seconds, unit, exact_s = log.since_start(cells, place)
            slack = max(slack, exact_s * rate_hz)
        else:
            unit = UNITS[str(counted)]
            seconds = _numbers(cells, place, counted.name.lower()) * unit
        if digit := last_digit(cells):
            printed = max(printed, digit * (unit if is_number(cells[0].as_py()) else 1.0))
        return seconds * rate_hz

    def convert(column: Any, name: str, where: str) -> NDArray[np.int64]:
        place = Place(where, name, lambda row: f"row {row}")
        cells = column.combine_chunks()
        if len(cells) == 0:
            return np.empty(0, np.int64)
        at = positions(cells, name, where, place)
        if half is not None:  # the first of two calls asks for the starts
            at = at + (half if places else -half)
        if counted is not CountedIn.SAMPLES and places and (same := np.flatnonzero(at == places[0])).size:
            row = int(same[0])
            raise TruthError(
                f"{place(row)}: the pass begins and ends at the same time, {shown(cells[row].as_py())}. Give times "
                "with more decimals, or one time per product with --pass-ms."
            )
        if (far := np.flatnonzero(np.abs(at) >= FARTHEST)).size:
            row = int(far[0])
            raise TruthError(
                f"{place(row)}: positions must lie within 9e15 samples of the beginning of the log, got "
                f"{shown(cells[row].as_py())}. Name the unit of the positions (--passes-in), or correct the cell."
            )
        places.append(at)
        return np.ceil(at - slack).astype(np.int64)

    truth, unread = read_passes(path, start=start, end=end, convert=convert, doubt=doubt, known=known)
    return truth, next(iter(found), None), unread


def read_excepted(path: str, *, counted: CountedIn, samples: int, log: LogTimes) -> tuple[tuple[int, int], ...]:
    """Read a table of stretches that are left out; columns `start` and `end`, counted in the same way as the passes.

    Stretches that touch or overlap are joined; parts outside the recording are cut off.
    """
    table = replace(log, pass_ms=None)
    found, *_ = read_intervals(path, counted=counted, start="start", end="end", log=table)
    ends = np.minimum(found.end, samples)
    return joined(zip(found.start.tolist(), ends.tolist(), strict=True))


def _check_unit(name: str, counted: CountedIn, where: str) -> None:
    """Refuse positions whose column is named in another unit than they are to be counted in."""
    unit = time_unit_in(name)
    if unit is not None and counted not in (unit, CountedIn.TIME, CountedIn.MILLIMETRES):
        say = f"Say --passes-in {unit}." if unit in ("s", "ms") else "Give ms, or say --passes-in time."
        raise TruthError(
            f"{where}: column '{name}' is named as {unit}, and --passes-in {counted} counts {counted.name.lower()}. "
            f"{say}"
        )


def _samples(column: Any, name: str, where: str) -> Any:
    _check_unit(name, CountedIn.SAMPLES, where)
    try:
        return whole_positions(column, name, where)
    except TruthError as fault:
        raise TruthError(f"{fault}{OTHERWISE if 'must be a whole number' in str(fault) else ''}") from None


def _numbers(cells: Any, place: Place, unit: str) -> NDArray[np.float64]:
    comma = is_text(cells.type) and uses_decimal_comma(cells, place, 0)
    needs = f"Every pass needs a start and an end in {unit}."
    numbers = to_numbers(cells, comma, place, 0, advice=needs)
    if is_text(cells.type) and numbers.null_count:
        row = int(np.argmax(numbers.is_null().to_numpy(zero_copy_only=False)))
        raise TruthError(f"{place(row)}: a number is needed, got '{cells[row].as_py() or ''}'. {needs}")
    values: NDArray[np.float64] = numbers.to_numpy(zero_copy_only=False).astype(np.float64)
    bad = ~np.isfinite(values)
    if bad.any():
        row = int(np.argmax(bad))
        raise TruthError(f"{place(row)}: a position must be a finite number of {unit}, got {values[row]}.")
    return values
