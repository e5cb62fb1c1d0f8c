"""The reading of a log: every possible fault of a row is found here, before anything is written."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from teachlab.data.importing.reading.cells import (
    StoredType,
    is_number,
    is_text,
    plain,
    refuse_points,
    to_numbers,
    uses_decimal_comma,
)
from teachlab.data.importing.reading.logs import column_index
from teachlab.data.importing.reading.place import Place
from teachlab.data.importing.reading.text_layout import time_unit_in, time_unit_named
from teachlab.data.importing.reading.text_log import Log
from teachlab.data.importing.request import ImportJob
from teachlab.data.importing.row_count import NAMED_COUNT, RowCount
from teachlab.data.importing.times.time_axis import TimeAxis
from teachlab.data.importing.times.time_stamps import TimeStamps
from teachlab.data.importing.truth_columns import NO, YES, TruthColumn, TruthKind
from teachlab.data.strict_json import shown
from teachlab.errors import ParameterError, RecordingError

Rows = dict[str, Any]
"""A batch of rows as understood: `light0`, `light1` …, `time` (ns), `truth`, `lot`, `output`, `position`."""

NAMED_TIME = re.compile(r"(time|timestamp|time stamp|datetime|zeit|zeitstempel)([\s_\[(/.].*)?$", re.IGNORECASE)
MAYBE_TIME = re.compile(
    r"(t|ts|__index_level_0__|time.*|.*timestamp.*|.*[\s_.]time|elapsed.*|epoch.*|date|datenum|filetime|ticks|x_value|.*zeit.*|"
    r"(milli|micro|nano)?sec(ond)?s?|(milli|micro|nano)s|[mun]s)([\s_\[(/.].*)?$",
    re.IGNORECASE,
)
NAMED_SENSOR = re.compile(
    r"(sensor|channel|chan|ch|kanal|probe|signal|source|detector|device|tag|topic|variable|parameter|series|"
    r"measurement|messstelle|messgr(ö|oe)(ß|ss)e|item|point|name|id)([\s_.-]?(id|no|nr|name|number|nummer))?",
    re.IGNORECASE,
)
"""Columns that may say which of several sensors a row is of."""
A_SENSOR = re.compile(r"sensor|channel|kanal|probe|detector", re.IGNORECASE)
MOST_SENSORS = 64
MISSING = frozenset({"", "nan", "null", "none"})
HIGH = YES | {"h", "t", "y", "ein", "active"}
LOW = NO - MISSING | {"l", "f", "n", "aus", "inactive"}


class Survey:
    """What is known of a log after its rows were read: types, times, passes."""

    def __init__(self, log: Log, wanted: ImportJob) -> None:
        self._log, self._wanted = log, wanted
        self.notes: list[str] = []
        self.output_before, self.output_missing = False, 0
        self.truth_at = self._named(wanted.truth_column, "--truth-column")
        self.lot_at = self._named(wanted.lot_column, "--lot-column")
        self.output_at = self._named(wanted.output_column, "--output-column")
        self.position_at = self._named(wanted.encoder_column, "--encoder-column")
        self.date_at = self._named(wanted.date, "--date")
        self.time_at = None if wanted.no_time else self._named(wanted.time, "--time")
        taken = {self.truth_at, self.lot_at, self.output_at, self.position_at, self.date_at, self.time_at}
        if self.time_at is None and not wanted.no_time:
            self.time_at = self._time_column(taken)
        self.lights_at = self._light_columns(taken | {self.time_at})
        if log.rates and log.rate_hz is None:
            log.rate_hz = self._common_rate([*self.lights_at, *taken - {None}])
        if self.time_at is None and not wanted.no_time:
            self.time_at = log.time_of.get(self.lights_at[0])
            if self.time_at is None:
                self.time_at = self._maybe_time(taken | set(self.lights_at))
        if self.time_at in self.lights_at and wanted.time is None:
            self.time_at = None
        used = taken | {*self.lights_at, self.time_at}
        of_light = log.tables[self.lights_at[0]] if log.tables else None
        names = [name.rpartition("/")[2] for name in log.columns]
        self.sensors_at = [k for k in self._beside(of_light) if NAMED_SENSOR.fullmatch(names[k]) and k not in used]
        lower = [name.lower() for name in log.columns]
        if self.date_at is None and wanted.time is None and self.time_at is not None and lower.count("date") == 1:
            self.date_at = lower.index("date") if lower[self.time_at] == "time" else None
        self.lights = [StoredType() for _ in self.lights_at]
        self.stamps: TimeStamps | None = None
        self.axis: TimeAxis | None = None
        # A second analogue signal is split when all of it is known.
        self.analogue = wanted.truth_level is not None or wanted.truth_kind is TruthKind.LEVEL
        self.truth = (
            None
            if self.truth_at is None or self.analogue
            else TruthColumn(wanted.truth_kind, self._place(self.truth_at))
        )
        self.lots = None if self.lot_at is None else TruthColumn(TruthKind.LABEL, self._place(self.lot_at), lots=True)
        self._as_text: set[int] = set()
        self._sensors: dict[int, Any] = {}
        spare = [] if self.time_at is not None else [k for k in self._beside(of_light) if k not in used]
        self._counts = {k: RowCount(self._place(k)) for k in spare if NAMED_COUNT.fullmatch(names[k])}
        self.first_ns = 0
        self._first_time: int | None = None
        self._last_ns: int | None = None  # of an earlier run
        self.rows = 0
        # What is known only from the whole of them.
        self.signal: list[NDArray[np.float64]] = []
        self.positions: list[NDArray[np.float64]] = []

    def _beside(self, table: Any) -> list[int]:
        """Return the columns that have the rows of a table."""
        return [k for k in range(len(self._log.columns)) if not self._log.tables or self._log.tables[k] == table]

    @property
    def missing_rows(self) -> list[str]:
        """What columns that count the rows say of them."""
        return [note for count in self._counts.values() for note in count.notes]

    def _named(self, column: str | None, option: str) -> int | None:
        return None if column is None else self._index(column, option)

    def _index(self, column: str, option: str) -> int:
        try:
            return column_index(self._log, column, option)
        except ParameterError as fault:
            raise ParameterError(f"{fault}{self._if_commas_divide()}") from None

    def _place(self, column: int) -> Place:
        return Place(self._log.path, self._log.columns[column], self._log.place)

    def _light_columns(self, taken: set[int | None]) -> list[int]:
        names = list(self._log.columns)
        if self._wanted.column is not None:
            wanted = (self._wanted.column, *self._wanted.more_columns)
            found = [self._index(name, "--column") for name in wanted]
            if len(set(found)) < len(found):
                raise ParameterError(f"{self._log.path}: --column names a column twice. Name each once.")
            return found
        bare = [re.split(r"[\s_\[(/.]", name.lower())[0] for name in names]
        if names.count("light") == 1:
            return [names.index("light")]
        if len(names) == 1:
            return [0]
        if bare.count("light") == 1:
            return [bare.index("light")]
        left = [k for k in range(len(names)) if k not in taken]
        if self.time_at is None and not self._wanted.no_time:
            maybe = [k for k in left if MAYBE_TIME.match(names[k])]
            left = [k for k in left if k not in maybe] if len(maybe) == 1 else []
        if len(left) == 1:
            return left
        raise ParameterError(
            f"{self._log.path}: which column is the light? Name it with --column; the columns are: "
            f"{', '.join(repr(name) for name in names[:20])}." + self._if_commas_divide()
        )

    def _if_commas_divide(self) -> str:
        """Return what to do if commas were found to divide cells that nothing names: they may be decimal commas."""
        stated = self._wanted.text.delimiter is not None or self._log.decimal_comma is not None
        several = self._log.delimiter == "," and len(self._log.columns) > 1
        unnamed = several and all(name.isdecimal() for name in self._log.columns)
        return " If a comma is before the fractions: --decimal comma." if unnamed and not stated else ""

    def _common_rate(self, chosen: Sequence[int | None]) -> float | None:
        """Return the rate that all chosen columns have, as the format states it; None if it states none."""
        rates = {self._log.rates[k] for k in chosen if k is not None} - {None}
        if len(rates) > 1:
            listed = " and ".join(f"{rate:.9g}" for rate in sorted(filter(None, rates)))
            raise ParameterError(f"{self._log.path}: the columns chosen have {listed} Hz. Choose columns of one rate.")
        return next(iter(rates), None)

    def _time_column(self, taken: set[int | None]) -> int | None:
        names = [name.lower() for name in self._log.columns]
        if names.count("time") == 1 and names.index("time") not in taken:
            return names.index("time")
        found = [k for k, name in enumerate(names) if NAMED_TIME.match(name) and k not in taken]
        return found[0] if len(found) == 1 else None

    def _maybe_time(self, taken: set[int | None]) -> int | None:
        """Return a column that may hold times, if nothing else gives the rate."""
        if self._wanted.rate_hz is not None or self._log.rate_hz is not None:
            return None
        found = [k for k, name in enumerate(self._log.columns) if MAYBE_TIME.match(name) and k not in taken]
        if len(found) != 1:
            return None
        name = self._log.columns[found[0]]
        self.notes.append(f"Column '{name}' holds the times (found; state it with --time '{name}').")
        return found[0]

    def unit_of(self, column: int) -> str:
        """Return the unit of a column as the log states it; empty if it states none."""
        return self._log.units[column] if column < len(self._log.units) else ""

    # --- cells to rows ----------------------------------------------------------------------------

    def understand(self) -> Iterator[Rows]:
        """Read the log; yield its interpreted rows, to be taken into account or passed over before the next ones.

        Raises InputError with file, column, row and value.
        """
        columns = (
            *(*self.lights_at, self.time_at, self.date_at, self.truth_at, self.lot_at, self.output_at),
            self.position_at,
            *self.sensors_at,
            *self._counts,
        )
        chosen = list(dict.fromkeys(k for k in columns if k is not None))
        text = {k for k in (self.truth_at, self.lot_at, self.output_at, self.date_at) if k is not None}
        if self.analogue:
            text.discard(self.truth_at)
        # Digits without dividers are a date, too, where a format says so.
        written = self.date_at is not None or self._wanted.time_format is not None
        text |= {self.time_at} if written and self.time_at is not None else set()
        beside = set(self._counts)
        for cells in self._log.batches(chosen, (text - set(self.lights_at)) | beside, beside):
            found = dict(zip(chosen, cells, strict=True))
            if len(cells[0]):
                yield self._rows_of(found)

    def _rows_of(self, cells: dict[int, Any]) -> Rows:
        row = self.rows
        for at in self.sensors_at:
            self._refuse_several(plain(cells[at]), at, row)
        for at, count in self._counts.items():
            count.push(cells[at], row)
        cells = {at: column if at == self.time_at else self._known(column) for at, column in cells.items()}
        self._find_decimal(cells)
        comma = bool(self._log.decimal_comma)
        out: Rows = {}
        for k, at in enumerate(self.lights_at):
            if is_text(plain(cells[at]).type):
                self._as_text.add(k)
                told = self._log.decimal_comma
                refuse_points(plain(cells[at]), self._place(at), row, whole_before=False, decimal_comma=told)
            out[f"light{k}"] = to_numbers(cells[at], comma, self._place(at), row)
            self._again(at, cells[at])
        if self.time_at is not None:
            out["time"] = pa.array(self._times(cells, row))
            self._again(self.time_at, cells[self.time_at])
        if self.truth_at is not None:
            out["truth"] = plain(cells[self.truth_at])
            if self.analogue:
                place = self._place(self.truth_at)
                if pa.types.is_boolean(out["truth"].type):
                    out["truth"] = out["truth"].cast(pa.uint8())
                out["truth"] = to_numbers(out["truth"], comma, place, row).cast(pa.float64())
        if self.lot_at is not None:
            out["lot"] = plain(cells[self.lot_at])
        if self.output_at is not None:
            out["output"] = self._outputs(plain(cells[self.output_at]), row)
        if self.position_at is not None:
            place = self._place(self.position_at)
            numbers = to_numbers(
                cells[self.position_at], comma, place, row, advice="An encoder needs a position in every row."
            )
            if numbers.null_count:
                at = row + int(np.argmax(numbers.is_null().to_numpy(zero_copy_only=False)))
                raise RecordingError(f"{place(at)}: a position must not be empty. Correct it.")
            out["position"] = numbers.cast(pa.float64())
        return out

    def _refuse_several(self, cells: Any, column: int, row: int) -> None:
        """Refuse rows of several sensors, one below the other: in turn, or in stretches that a word names."""
        if not is_text(cells.type) and not pa.types.is_integer(cells.type):
            return
        codes = cells.dictionary_encode()
        at, names = codes.indices.to_numpy(zero_copy_only=False), codes.dictionary.to_pylist()
        several = len(names)
        if not 0 < several <= MOST_SENSORS or cells.null_count or self._log.columns[column] in names:
            return  # where the names of the columns come again, the light says so
        words = is_text(cells.type) and not any(is_number(name) for name in names)
        first = self._sensors.setdefault(column, names[0])
        turns = several > 1 and len(at) >= 2 * several and bool((at[several:] == at[:-several]).all())
        often = words and several > 1 and 4 * np.count_nonzero(np.diff(at)) >= len(at)
        another = words and {*names} != {first} and A_SENSOR.match(self._log.columns[column].rpartition("/")[2])
        if turns or often or another:
            k = next(k for k, code in enumerate(at) if names[code] != first)
            raise RecordingError(
                f"{self._place(column)(row + k)}: {shown(names[at[k]])} after {shown(first)}: rows of several sensors "
                "lie one below the other. Give a log of one of them, or one with a column for each."
            )

    def _known(self, column: Any) -> Any:
        """Return a column without what stands for a missing value: words in text, numbers in any spelling."""
        words, column = self._wanted.text.missing, plain(column)
        if not words:
            return column
        if is_text(column.type):
            meant = pc.is_in(pc.utf8_trim_whitespace(column), pa.array(words, column.type))
        elif pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
            numbers = [float(word.replace(",", ".", 1)) for word in words if word.strip() and is_number(word)]
            meant = pc.is_in(column.cast(pa.float64(), safe=False), pa.array(numbers, pa.float64()))
        else:
            return column
        return pc.if_else(meant, None, column)

    def _again(self, column: int, cells: Any) -> None:
        if is_text(cells.type) and column != self.date_at and not (self.stamps and column == self.time_at):
            self._log.numbers_again(column)

    def _times(self, cells: dict[int, Any], row: int) -> Any:
        assert self.time_at is not None  # noqa: S101 - asked for only then
        times = plain(cells[self.time_at])
        if self.date_at is not None:
            dates = pc.utf8_trim_whitespace(plain(cells[self.date_at]).cast(pa.string()))
            # As ISO 8601 has it, or as a stated format most likely has it.
            between = "T" if "T" in re.sub("%.", "", self._wanted.time_format or "T") else " "
            times = pc.binary_join_element_wise(dates, pc.utf8_trim_whitespace(times.cast(pa.string())), between)
        if self.stamps is None:
            job = self._wanted
            self.stamps = TimeStamps(
                job.time_unit,
                bool(self._log.decimal_comma),
                self._place(self.time_at),
                named=time_unit_named(self.unit_of(self.time_at)) or time_unit_in(self._log.columns[self.time_at]),
                zone=job.time_zone,
                written=job.time_format,
                after=self._last_ns,
            )
        return self.stamps.nanoseconds(times, row)

    def _outputs(self, cells: Any, row: int) -> Any:
        """Return the output of every row; if none was logged in a row, it stays unchanged."""
        known = self._logged(cells, row)
        self.output_missing += known.null_count
        held = pc.fill_null_forward(pa.concat_arrays([pa.array([self.output_before]), known]))[1:]
        if len(held):
            self.output_before = held[-1].as_py()
        return held

    def _logged(self, cells: Any, row: int) -> Any:
        place, level = self._place(self.output_at or 0), self._wanted.output_level
        if pa.types.is_boolean(cells.type):
            return cells
        if level is not None:
            numbers = to_numbers(cells, bool(self._log.decimal_comma), place, row).cast(pa.float64())
            return pc.if_else(pc.is_nan(numbers), None, pc.greater_equal(numbers, level))
        text = pc.utf8_lower(pc.utf8_trim_whitespace(cells.cast(pa.string())))
        text = pc.replace_substring_regex(text, r"^([01])[.,]0*$", r"\1")
        high, low = (pc.is_in(text, pa.array(sorted(words))) for words in (HIGH, LOW))
        missing = pc.or_(pc.is_null(text), pc.is_in(text, pa.array(sorted(MISSING))))
        known = pc.or_(missing, pc.or_(high, low)).to_numpy(zero_copy_only=False)
        if not known.all():
            k = int(np.argmin(known))
            raise RecordingError(
                f"{place(row + k)}: the sensor's output must be 0/1, true/false, on/off or high/low, got "
                f"{shown(cells[k].as_py())}. If it is a voltage, name the level above which it is high: "
                "--output-level. Else write it as 0 and 1."
            )
        return pc.if_else(missing, None, high)

    def _find_decimal(self, cells: dict[int, Any]) -> None:
        if self._log.decimal_comma is not None or self._log.delimiter in (None, ","):
            return
        doubt: RecordingError | None = None
        for column in (*self.lights_at, self.time_at, self.position_at):
            if column is None or not is_text(plain(cells[column]).type):
                continue
            try:
                comma = uses_decimal_comma(plain(cells[column]), self._place(column), self.rows)
            except RecordingError as unclear:
                doubt = doubt or unclear  # another column may tell
                continue
            if comma:
                self._log.take_comma()
                self.notes.append("Numbers have a decimal comma (found; state it with --decimal comma).")
                return
        if doubt is not None:
            raise doubt

    # --- rows taken into account ------------------------------------------------------------------

    def take(self, rows: Rows) -> None:
        """Take rows into account that were interpreted now or by an earlier run."""
        self.pass_over(rows)
        for k, kind in enumerate(self.lights):
            kind.push(rows[f"light{k}"], from_text=self._log.delimiter is not None or k in self._as_text)
        if "time" in rows and self.time_at is not None:
            times = rows["time"].to_numpy(zero_copy_only=False)
            self._last_ns = int(times[-1])
            if self._first_time is None:
                self._first_time = self.first_ns = int(times[0])
                self.axis = TimeAxis(self._place(self.time_at), self._wanted.rate_hz)
            if self.axis is not None:
                self.axis.push((times - np.int64(self.first_ns)) / 1e9)
        if self.truth is not None:
            self.truth.push(rows["truth"])
        elif self.truth_at is not None:
            self.signal.append(rows["truth"].to_numpy(zero_copy_only=False))
        if self.lots is not None:
            self.lots.push(rows["lot"])
        if self.position_at is not None:
            self.positions.append(rows["position"].to_numpy(zero_copy_only=False))

    def pass_over(self, rows: Rows) -> None:
        """Count rows that were taken into account before."""
        self.rows += len(rows["light0"])
