"""Times as they are written: numbers in a unit, since a known or any start, dates with and without a zone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from teachlab.data.importing.reading.cells import is_number, is_text, plain, to_numbers
from teachlab.data.importing.reading.place import Place
from teachlab.data.strict_json import shown
from teachlab.errors import ParameterError, RecordingError

UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0, "d": 86400.0, "100ns": 1e-7}
NANOSECONDS = {unit: round(1e9 * size) for unit, size in UNITS.items()}
EPOCH = (9e8, 2.6e9)
"""Seconds after 1970 of the years 1998 to 2052: a number of this size, times 1000 or 10⁶ or 10⁹, is a date."""


@dataclass(frozen=True, slots=True)
class DayZero:
    """A day from which programs count dates.

    `days`: from there to 1970.
    `aware`: whether they count in UTC; else as the clock on the wall showed it.
    """

    unit: str
    days: int
    name: str
    aware: bool


ORIGINS = (
    *(DayZero(unit, 0, "1970", True) for unit in ("s", "ms", "us", "ns", "d")),
    DayZero("s", 24_107, "1904", True),
    DayZero("100ns", 134_774, "1601", True),
    DayZero("100ns", 719_162, "year 1", False),
    DayZero("d", 719_529, "year 0, as MATLAB counts them", False),
    DayZero("d", 25_569, "1899-12-30, as sheets count them", False),
)
"""In no unit do two of them give dates of `EPOCH` for one number."""


def origin_of(unit: str, first: float) -> DayZero | None:
    """Return the origin from which a number in a unit is a date of the years of `EPOCH`; None if there is none.

    Examples
    --------
    >>> [origin_of("d", first).name[:6] for first in (20_513.25, 46_082.25, 740_042.25)]
    ['1970', '1899-1', 'year 0']
    """
    low, high = EPOCH
    return next((o for o in ORIGINS if o.unit == unit and low <= first * UNITS[unit] - 86400 * o.days < high), None)


LIKELY_HZ = (5.0, 1e7)
ADVICE = "Correct the cell, or leave the column out with --no-time."
YEAR_FIRST = r"^\s*\d{4}-\d{2}-\d{2}[T ]\d{2}:"
ZONED = r"(:\d{2}|[Tt ]\d{6})([.,]\d+)?\s*(Z|z|UTC|GMT|[+-]\d{2}(:?\d{2})?)\s*$"
NORMAL = (
    (r"^\s+|\s+$", ""),
    (r"\s*(UTC|GMT)$", "Z"),
    (r"[ ]*(Z|z|[+-]\d{2}:?\d{2})$", r"\1"),
    (r"z$", "Z"),
    (r"^(\d{2})\.(\d{2})\.(\d{4})", r"\3-\2-\1"),
    (r"^(\d{4})/(\d{2})/(\d{2})", r"\1-\2-\3"),
    (r"^(\d{4})(\d{2})(\d{2})[Tt ](\d{2})(\d{2})(\d{2})", r"\1-\2-\3T\4:\5:\6"),
    (r"^(\d{4}-\d{2}-\d{2})t", r"\1T"),
    (r"^(\d{4}-\d{2}-\d{2}) +", r"\1T"),
    (r"T(\d):", r"T0\1:"),
    (r",(\d)", r".\1"),
    (r"(\.\d{9})\d+", r"\1"),
    (r"(:\d{2}(?:\.\d+)?[+-]\d{2})$", r"\1:00"),
)
"""Date formats that Arrow does not read, and the one it reads: ISO 8601 without separators, days first with dots."""
LIKE = (
    (r"(?<!\d)\d{4}([/. -]?)\d{2}\1\d{2}([T _]?)\d{2}(\d{2})(\d{2})(?!\d)", r"%Y\1%m\1%d\2%H%M%S"),
    (r"(%S[.,])\d+", r"\1%f"),
    (r"(?<!\d)\d{4}([/. -])\d{1,2}\1\d{1,2}(?!\d)", r"%Y\1%m\1%d"),
    (r"\b\d{1,2}([/. -])\d{1,2}\1\d{4}\b", r"%d\1%m\1%Y"),
    (r"\b\d{1,2}([/. -])\d{1,2}\1\d{2}\b", r"%d\1%m\1%y"),
    (r"\b\d{1,2}([/. -])[A-Za-z]{3}\1\d{4}\b", r"%d\1%b\1%Y"),
    (r"(?<!\d)\d{4}-\d{3}(?=[T ])", "%Y-%j"),
    (r"(?i)^(mon|tue|wed|thu|fri|sat|sun)\b", "%a"),
    (r"\b(?i:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec) +\d{1,2}\b", "%b %d"),
    (r"\b\d{4}$", "%Y"),
    (r"[AaPp][Mm]$", "%p"),
)
"""How parts of dates look, and how formats name them."""
HALF_DAY, HOUR = 43_200 * 10**9, 3600 * 10**9


class TimeStamps:
    """Turns the cells of a time column into nanoseconds.

    `unit`: unit of times that are numbers; otherwise found from their size, then from `named`, then seconds.
    `named`: the unit in the name of the column or in a row of units.
    `zone`: zone of dates that state none, such as ``Europe/Berlin``.
    `written`: how dates are written, such as ``%d/%m/%Y %H:%M:%S.%f``.
    `after` (ns): a time before the first one: times of day may have begun again since.
    `advice`: what to do about a cell that is no time.
    `absolute`: whether the times count from 1970, so that other tables can be compared with them.
    `aware`: whether their zone is known.
    `exact_s`: how exactly fractions of their size are held; 0 if they are none.
    `notes`: what was found without being stated.
    """

    def __init__(
        self,
        unit: str | None,
        decimal_comma: bool,
        place: Place,
        *,
        named: str | None = None,
        zone: str | None = None,
        written: str | None = None,
        after: int | None = None,
        advice: str = ADVICE,
    ) -> None:
        if unit is not None and unit not in UNITS:
            raise ParameterError(f"--time-unit must be one of {', '.join(UNITS)}, got '{unit}'.")
        self._given, self.named, self._comma, self.place = unit, named, decimal_comma, place
        self._zone, self._format, self._after, self._advice = zone, written, after, advice
        self._kind: str | None = None
        self.unit: str | None = None
        self.by_size = False
        self._origin: DayZero | None = None
        self.absolute, self.aware = False, False
        self.exact_s = 0.0
        self.notes: list[str] = []
        self._days, self._last, self._late = 0, 0, False

    @property
    def unit_of_others(self) -> str | None:
        """The unit of times that do not count from 1970: another table counts in it too."""
        since_1970 = self._origin is not None and self._origin.days == 0
        return None if since_1970 or self._kind != "number" else self.unit

    def nanoseconds(self, cells: Any, first_row: int) -> NDArray[np.int64]:
        """Return the times of a batch, ns; since 1970 if they are `absolute`.

        Raises RecordingError if a cell is empty, or neither a number nor a date with a time.
        """
        cells = plain(cells)
        kind = cells.type
        if pa.types.is_timestamp(kind) or pa.types.is_duration(kind) or pa.types.is_time(kind):
            self._full(cells, first_row)
            self._kind, self.absolute = "typed", pa.types.is_timestamp(kind)
            if self.absolute and kind.tz is None and self._zone is not None:
                return self._assumed(cells.cast(pa.timestamp("ns")), first_row)
            self.aware = self.absolute and kind.tz is not None
            whole = cells.cast(pa.int32() if pa.types.is_time32(kind) else pa.int64())
            out = self._scaled(whole.to_numpy(zero_copy_only=False), NANOSECONDS[kind.unit], first_row)
            return self._turned(out, first_row, 2 * HALF_DAY) if pa.types.is_time(kind) else out
        if self._format is not None and pa.types.is_integer(kind):
            cells = cells.cast(pa.string())  # digits that the format divides, unless they are of another table's log
            kind = cells.type
        if self._kind is None:
            first = next((cell for cell in cells.to_pylist() if cell is not None), "") if is_text(kind) else ""
            number = not is_text(kind) or (is_number(first) and not self._fits(first))
            self._kind = "number" if number else "date"
            if self._kind == "date" and self._format is None and re.match(r"\s*\d{1,2}:\d{2}", first):
                self._kind = "day"
        if self._kind == "number":
            return self._numbers(cells, first_row)
        if not is_text(kind):
            cells = cells.cast(pa.string())
        self._full(cells, first_row)
        return self._of_day(cells, first_row) if self._kind == "day" else self._dates(cells, first_row)

    def _fits(self, cell: str) -> bool:
        """Whether a cell is written as the stated format says."""
        import pandas as pd

        form = self._format
        return form is not None and not pd.isna(pd.to_datetime(cell.strip(), format=form, errors="coerce"))

    def _full(self, values: Any, first_row: int) -> None:
        if values.null_count:
            row = first_row + int(np.argmax(values.is_null().to_numpy(zero_copy_only=False)))
            raise RecordingError(f"{self.place(row)}: a time must not be empty. {self._advice}")

    def _numbers(self, cells: Any, first_row: int) -> NDArray[np.int64]:
        values = to_numbers(cells, self._comma, self.place, first_row, advice=self._advice)
        self._full(values, first_row)
        numbers = values.to_numpy(zero_copy_only=False)
        if numbers.dtype.kind == "f" and not np.isfinite(numbers).all():
            row = first_row + int(np.argmin(np.isfinite(numbers)))
            raise RecordingError(f"{self.place(row)}: a time must be a finite number, got {numbers[row - first_row]}.")
        if self.unit is None and numbers.size:
            steps = np.abs(np.diff(numbers.astype(np.float64)))
            # A clock that ticks more slowly than the log was sampled repeats its stamps.
            step = (float(np.median(steps)) or float(steps.mean())) if steps.size else 0.0
            self.unit = self._unit_of(float(numbers[0]), step, self.place(first_row))
            if numbers.dtype.kind == "f":
                self.exact_s = float(np.spacing(abs(np.float64(numbers[0])))) * UNITS[self.unit]
        if numbers.dtype.kind in "iu" and numbers.size and not self.absolute:
            numbers = self._unrolled(numbers.astype(np.int64), first_row)
        size = NANOSECONDS[self.unit or "s"]
        if self._origin is None:
            return self._scaled(numbers, size, first_row)
        since = self._origin.days * (NANOSECONDS["d"] // size)
        if numbers.dtype.kind == "f" and numbers.size and (places := _places(numbers, size)) is not None:
            # As it was written: what a float64 adds to it would hide the tick of a clock.
            numbers = np.rint(numbers * 10.0**places).astype(np.int64)
            since, size = since * 10**places, size // 10**places
        kind = np.int64 if numbers.dtype.kind in "iu" else np.float64
        out = self._scaled(numbers.astype(kind) - kind(since), size, first_row)
        return out if self.aware or self._zone is None else self._assumed(_local(out), first_row)

    def _unrolled(self, numbers: NDArray[np.int64], first_row: int) -> NDArray[np.int64]:
        """Undo the roll-over of a counter of 16, 24 or 32 bits: it steps back by its size, minus an ordinary step."""
        steps = np.diff(numbers, prepend=self._last if first_row else numbers[:1])
        self._last = int(numbers[-1])
        back = np.flatnonzero(steps < 0)
        if back.size and steps.max() > 0:
            # A counter that rolled over would have gone on by about a usual step; a row that is misplaced would not.
            most = 4 * int(np.median(steps[steps > 0])) + 4
            for bits in (16, 24, 32):
                ahead = steps[back] + (1 << bits)
                if ((ahead >= 0) & (ahead <= most)).all():
                    rolled = np.zeros(numbers.size, np.int64)
                    rolled[back] = 1 << bits
                    numbers = numbers + np.cumsum(rolled) + self._days
                    self._days += int(rolled.sum())
                    if not any("rolled" in note for note in self.notes):
                        self.notes.append(f"The counter of times rolled over at {bits} bits; that was undone.")
                    return numbers
        return numbers + self._days

    def _unit_of(self, first: float, step: float, where: str) -> str:
        """Return the unit of times that are numbers: as stated, otherwise by size, by name, or seconds."""
        if self._given is None and self.named == "ns" and (origin := origin_of("100ns", first)) is not None:
            # No step decides: both are rates of loggers. A clock of nanoseconds that ran for years is rare.
            years = first * UNITS["ns"] / (365.25 * UNITS["d"])
            raise RecordingError(
                f"{where}: {first:.6g} is {years:.3g} years as ns, as the column is named, and a date of our days as "
                f"100 ns since {origin.name}. Say which: name the column '…_100ns', or give --time-unit 100ns or ns."
            )
        by_size = None if self._given is not None else self._unit_by_size(first, step)
        unit = self._given or by_size or self.named or "s"
        if unit in (self._given, by_size, self.named) and (origin := origin_of(unit, first)) is not None:
            self._origin, self.absolute, self.aware = origin, True, origin.aware
            if by_size is not None:
                self.by_size = True
                date = np.datetime64(round(first * UNITS[unit]) - 86400 * origin.days, "s")
                against = "" if self.named in (None, unit) else f", although the column is named as {self.named}"
                self.notes.append(
                    f"Times are {unit} since {origin.name}, by their size{against}: the first is "
                    f"{str(date).replace('T', ' ')}{' UTC' if origin.aware else ''} (state it with --time-unit {unit})."
                )
        return unit

    def _unit_by_size(self, first: float, step: float) -> str | None:
        """Return the unit of times that are dates of the years of `EPOCH`, if no other reading of them makes sense."""
        low, high = EPOCH
        unit = next((u for u in ("s", "ms", "us", "ns") if low <= first * UNITS[u] < high), None)
        if unit is not None and self.named not in (None, unit) and _plausible(step * UNITS[self.named or "s"]):
            # After half an hour, a counter of microseconds is as large as the seconds since 1970.
            unit = unit if _plausible(step * UNITS[unit]) else None
        if unit is not None or self.named is not None:
            return unit
        if origin_of("100ns", first) is not None:  # nanoseconds of this size would count for 4 or 20 years
            return "100ns"
        if origin_of("s", first) is not None and _plausible(step):
            return "s"
        # As seconds, days of a week would have passed while more rows were logged in each than a logger can write.
        days = origin_of("d", first)
        matlab = days is not None and days.days > 10**5
        return "d" if matlab and _plausible(step * UNITS["d"]) and step * LIKELY_HZ[1] < 1 else None

    def _scaled(self, numbers: NDArray[Any], factor: int, first_row: int) -> NDArray[np.int64]:
        if numbers.size and _largest(numbers) * factor >= 2**63 - 1:
            row = int(np.argmax(np.abs(numbers.astype(np.float64))))
            digits = str(numbers[row])
            form = "%Y%m%d%H%M%S" + (".%f" if "." in digits else "%f" if len(digits) > 14 else "")
            hint = f" If it is a date: --time-format '{form}'." if re.match(r"(19|20)\d{12}", digits) else ""
            raise RecordingError(
                f"{self.place(first_row + row)}: {digits} {self.unit or ''} is more than 292 years.{hint} "
                f"{self._advice}"
            )
        if numbers.dtype.kind == "f" and not self.absolute and numbers.size and _largest(numbers) * factor < 2**52:
            # Smaller products are rounded by less than a nanosecond.
            return np.rint(numbers * float(factor)).astype(np.int64)
        if numbers.dtype.kind in "iu":
            exact: NDArray[np.int64] = numbers.astype(np.int64) * np.int64(factor)
            return exact
        # Whole part and fraction separately: a product of seconds since 1970 would be rounded to a quarter of a
        # microsecond.
        whole = np.floor(numbers.astype(np.float64))
        out: NDArray[np.int64] = whole.astype(np.int64) * factor + np.rint((numbers - whole) * factor).astype(np.int64)
        return out

    def _of_day(self, cells: Any, first_row: int) -> NDArray[np.int64]:
        if pc.all(pc.match_substring_regex(cells, r"^\s*\d{1,2}:\d{2}\s*$")).as_py():
            raise RecordingError(
                f"{self.place(first_row)}: {shown(cells[0].as_py())} may be hours and minutes, or minutes and seconds. "
                "Say which: --time-format '%H:%M' or --time-format '%M:%S'."
            )
        text = pc.replace_substring(pc.utf8_trim_whitespace(cells), ",", ".")
        dated = pc.binary_join_element_wise("1970-01-01T", text, "")
        found = self._cast(dated, pa.timestamp("ns"), cells, first_row, "a time of day")
        out: NDArray[np.int64] = found.to_numpy(zero_copy_only=False).astype(np.int64).copy()
        return self._turned(out, first_row, 2 * HALF_DAY)

    def _turned(self, out: NDArray[np.int64], first_row: int, size: int) -> NDArray[np.int64]:
        """Add a day, or an hour, where times without a date begin again: a step back by more than half of it."""
        if self._after is not None:
            self._days, self._last = divmod(self._after, size)
        steps = np.diff(out, prepend=self._last if first_row or self._after is not None else out[:1])
        self._after = None
        past, unit = ("midnight", "a day") if size == 2 * HALF_DAY else ("the full hour", "an hour")
        note = f"Times of day go past {past}: {unit} was added there."
        if (turns := steps < -size // 2).any() and note not in self.notes:
            self.notes.append(note)
        self._last = int(out[-1]) if out.size else self._last
        days = self._days + np.cumsum(turns)
        self._days = int(days[-1]) if days.size else self._days
        return out + days * size

    def _dates(self, cells: Any, first_row: int) -> NDArray[np.int64]:
        self.absolute = True
        if self._format is not None and not self._format.startswith("%Y") and not first_row:
            # The format is that of another table: nobody writes anything but ISO 8601 with the year first and dashes.
            self._format = None if pc.all(pc.match_substring_regex(cells, YEAR_FIRST)).as_py() else self._format
        if self._format is not None:
            return self._as_written(cells, first_row)
        zoned = pc.match_substring_regex(cells, ZONED)
        every, some = pc.all(zoned).as_py(), pc.any(zoned).as_py()
        what = "a date with a time, as in the rows before," if first_row else "a date with a time"
        if every:
            if first_row and not self.aware:
                raise self._mixed(cells, first_row, row=0)
            self.aware = True
            found = self._cast(cells, pa.timestamp("ns", "UTC"), cells, first_row, what)
        elif not some and self._zone is None:
            if first_row and self.aware:
                raise self._mixed(cells, first_row, row=0)
            found = self._cast(cells, pa.timestamp("ns"), cells, first_row, what)
        elif not some:
            return self._assumed(self._cast(cells, pa.timestamp("ns"), cells, first_row, what), first_row)
        elif self._zone is None:
            flags = zoned.to_numpy(zero_copy_only=False)
            raise self._mixed(cells, first_row, row=int(np.argmax(flags != flags[0])))
        else:
            flags = zoned.to_numpy(zero_copy_only=False)
            out = np.empty(len(cells), np.int64)
            rows = np.flatnonzero(flags)
            out[rows] = (
                self._cast(cells.take(pa.array(rows)), pa.timestamp("ns", "UTC"), cells, first_row, what)
                .to_numpy(zero_copy_only=False)
                .astype(np.int64)
            )
            rows = np.flatnonzero(~flags)
            bare = self._cast(cells.take(pa.array(rows)), pa.timestamp("ns"), cells, first_row, what)
            out[rows] = self._assumed(bare, first_row)
            return out
        values: NDArray[np.int64] = found.cast(pa.int64()).to_numpy(zero_copy_only=False)
        return values

    def _mixed(self, cells: Any, first_row: int, *, row: int) -> RecordingError:
        return RecordingError(
            f"{self.place(first_row + row)}: some times name their zone and some do not, got "
            f"{shown(cells[row].as_py())}. Name the zone of those that do not: --time-zone Europe/Berlin, for example."
        )

    def _assumed(self, naive: Any, first_row: int) -> NDArray[np.int64]:
        """Return times of a zone in UTC; when clocks go back, an hour counts as the first one until times step back."""
        self.aware = True

        def utc(side: str, skipped: str) -> NDArray[np.int64]:
            found = pc.assume_timezone(naive, self._zone, ambiguous=side, nonexistent=skipped).cast(pa.int64())
            out: NDArray[np.int64] = found.to_numpy(zero_copy_only=False).astype(np.int64)
            return out

        try:
            first, second = utc("earliest", "raise"), utc("latest", "raise")
        except pa.ArrowInvalid:
            row = int(np.argmax(utc("earliest", "earliest") != utc("earliest", "latest")))
            raise RecordingError(
                f"{self.place(first_row + row)}: clocks in {self._zone} skipped the hour in which "
                f"{str(naive[row].as_py())[:19]} lies. Is it the right --time-zone?"
            ) from None
        twice = first != second
        if not first_row and twice.size and twice[0]:
            self.notes.append(
                f"Clocks in {self._zone} went back an hour, and the log begins in the hour that comes twice: its times "
                "count as the first of the two until they step back."
            )
        if not twice.any():
            self._late = False
            return first
        # The hour that comes twice: where the clock goes back for the first time, the second of the two begins.
        back = np.diff(first, prepend=first[:1]) < 0
        back[0] = bool(first_row) and first[0] < self._last
        late_rows = (np.cumsum(back & twice) + int(self._late)) > 0
        self._late, self._last = bool(late_rows[-1] and twice[-1]), int(first[-1])
        out: NDArray[np.int64] = np.where(twice & late_rows, second, first)
        return out

    def _as_written(self, cells: Any, first_row: int) -> NDArray[np.int64]:
        import pandas as pd

        found = pd.to_datetime(
            pd.Series(cells.to_pylist()).str.strip(),
            format=self._format,
            errors="coerce",
            utc="%z" in (self._format or ""),
        )
        if found.isna().any():
            row = int(np.argmax(found.isna().to_numpy()))
            raise RecordingError(
                f"{self.place(first_row + row)}: {shown(cells[row].as_py())} is not written as --time-format "
                f"'{self._format}' says. {self._advice}"
            )
        self.aware = "%z" in (self._format or "")
        values: NDArray[np.int64] = found.to_numpy().astype("datetime64[ns]").astype(np.int64)
        if not re.search("%[YyGcxs]", self._format or ""):  # without a year, only the time of day counts
            self.absolute = self.aware = False
            hour = not re.search("%[HIcX]", self._format or "")
            return self._turned(values % (2 * HALF_DAY), first_row, HOUR if hour else 2 * HALF_DAY)
        if not self.aware and self._zone is not None:
            return self._assumed(_local(values), first_row)
        return values

    def _cast(self, text: Any, kind: Any, cells: Any, first_row: int, what: str) -> Any:
        try:
            return pc.cast(text, kind)
        except pa.ArrowInvalid:
            pass
        try:
            return pc.cast(_normal(text), kind)
        except pa.ArrowInvalid:
            pass
        for k, cell in enumerate(text.to_pylist()):
            try:
                pc.cast(_normal(pa.array([cell], pa.string())), kind)
            except pa.ArrowInvalid:
                came = cells[k].as_py() if len(cells) == len(text) else cell
                form = format_like(came)
                hint = "" if form is None else f" Say how it is written: --time-format '{form}', for example."
                if re.fullmatch(r"\s*\d{1,2}:\d{2}[.,]\d+\s*", came):
                    hint = " Minutes and seconds are read by --time-format '%M:%S.%f'."
                raise RecordingError(
                    f"{self.place(first_row + k)}: {what} is needed, got {shown(came)}.{hint} {self._advice}"
                ) from None
        raise RecordingError(f"{self.place(first_row)}: the times cannot be read. {self._advice}")


def _places(numbers: NDArray[Any], size: int) -> int | None:
    """Return how many decimals some numbers were written with; None if so many that a float64 does not hold them.

    `size`: nanoseconds of their unit.

    Examples
    --------
    >>> _places(np.array([1772344800.5, 1772344800.512]), 10**9), _places(1772344800 + np.arange(9) / 7, 10**9)
    (3, None)
    """
    exact = np.spacing(float(np.abs(numbers).max()))
    for places in range(12):
        if 10.0**-places < 4 * exact or size % 10**places:
            return None
        for some in (numbers[:100], numbers):
            if (np.abs(some - np.rint(some * 10.0**places) / 10.0**places) > exact).any():
                break
        else:
            return places
    return None


def _local(nanoseconds: NDArray[np.int64]) -> Any:
    return pa.array(nanoseconds).cast(pa.timestamp("ns"))


def format_like(cell: str) -> str | None:
    """Return how a date or time of day seems to be written, as `--time-format` takes it; None if that is not seen.

    Days come before months, unless the numbers say otherwise.

    Examples
    --------
    >>> [format_like(cell) for cell in ("04/05/2026 07:08:09.250 PM", "5-31-26 7:08:09", "20260504_070809.250")]
    ['%d/%m/%Y %I:%M:%S.%f %p', '%m-%d-%y %H:%M:%S', '%Y%m%d_%H%M%S.%f']
    """
    hour = "%I" if re.search(r"[AaPp][Mm]\s*$", cell) else "%H"
    out = re.sub(r"(?<!\d)\d{1,2}:\d{2}:\d{2}(?!\d)", f"{hour}:%M:%S", cell.strip())
    out = re.sub(r"(%S[.,:])\d+", r"\1%f", out)
    for pattern, by in LIKE:
        out = re.sub(pattern, by, out)
    for form in (out, out.replace("%d", "%0").replace("%m", "%d").replace("%0", "%m")):
        try:
            datetime.strptime(cell.strip(), form)
        except ValueError:
            continue
        return form if "%S" in form else None
    return None


def _plausible(step_s: float) -> bool:
    """Whether light would plausibly be logged with this step."""
    return LIKELY_HZ[0] <= 1 / step_s <= LIKELY_HZ[1] if step_s > 0 else False


def _largest(numbers: NDArray[Any]) -> float:
    return max(abs(float(numbers.min())), abs(float(numbers.max())))


def _normal(text: Any) -> Any:
    for pattern, by in NORMAL:
        text = pc.replace_substring_regex(text, pattern, by)
    return text
