"""Layout of a delimited text: what is above the names, the names, a row of units, and the delimiter."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from teachlab.data.importing.reading.cells import is_number, is_timestamp
from teachlab.data.strict_json import shown
from teachlab.errors import ParameterError

DELIMITERS = "\t;|,"
NAMED = {"comma": ",", "semicolon": ";", "tab": "\t", "\\t": "\t", "space": " ", "pipe": "|"}
SPACES = "  "
"""Stands for runs of blanks as the delimiter."""
LOOKED_AT = 400
"""The layout is found from this number of first lines."""
COMMENT = re.compile(r'\s*"?(#|%|//|!)')
TIME_PART = re.compile(r"(\d{4}-\d{2}-\d{2}|\d{1,2}[./]\d{1,2}[./]\d{2,4}|\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?)$")
"""A date without a time, or a time of day."""
ROWS_OF_VALUES = 0.8
"""Blanks divide columns if in this share of the rows at least half of what they divide are numbers and times."""
ALIGNED = re.compile(r"[^\s,](\s{2,}|\t)\s*[+-]?\d+,\d|\d,\d+([eE][+-]?\d+|Z)?(\s{2,}|\t)\s*[^\s,]")
"""A number with a decimal comma in columns that blanks divide."""
RATE_HINT = re.compile(r"(rate|hz\b|freq|interval|period)", re.IGNORECASE)
RATE_SAID = re.compile(
    r"(?P<number>\d+(?:[.,]\d+)?(?:e[+-]?\d+)?)\s*(?P<unit>[kM]?(?:Hz|S/s|Sa/s|SPS)|samples?/s|[mun\u00b5\u03bc]?s\b|$)",
    re.IGNORECASE,
)
STEP_HINT = re.compile(r"interval|period|\bdt\b|step", re.IGNORECASE)
LIGHT_UNITS = "[mMµμu]?V|[mµμu]A|counts|Counts|digits|lux|lx|%|dBm|[mµμu]W"
"""Units of light that the name of a column may end with without brackets; single small letters name channels."""
TIME_WORDS = {
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds", "sekunde", "sekunden"), "s"),
    **dict.fromkeys(("ms", "msec", "msecs", "millis", "millisecond", "milliseconds", "millisekunden"), "ms"),
    **dict.fromkeys(("us", "µs", "μs", "usec", "usecs", "micros", "microsecond", "microseconds"), "us"),
    **dict.fromkeys(("ns", "nsec", "nanos", "nanosecond", "nanoseconds"), "ns"),
    **dict.fromkeys(("min", "mins", "minute", "minutes", "minuten"), "min"),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "stunden"), "h"),
    **dict.fromkeys(("d", "day", "days", "tage", "datenum"), "d"),
    **dict.fromkeys(("100ns", "filetime"), "100ns"),
}
"""Words for a unit of time, in small letters, and the unit as options name it."""
LONG_UNITS = "(?i:" + "|".join(word for word in TIME_WORDS if len(word) > 1) + ")"
NAMED_UNIT = re.compile(
    rf"(?:[\s_\[(/.]({LONG_UNITS}|[shd])[\])]?|(?<=[a-z])((?=[A-Z]){LONG_UNITS})|^((?!min$){LONG_UNITS}))$"
)
"""After a divider, after a change from small to capital letters, or alone; 'min' alone is a least value."""
UNITS = frozenset(
    (
        *TIME_WORDS,
        *("date", "time", "datetime", "iso", "utc", "-"),
        *("v", "mv", "µv", "μv", "uv", "volt", "volts"),
        *("a", "ma", "µa", "ua", "w", "mw", "µw", "uw", "dbm", "db", "lx", "lux"),
        *("counts", "count", "cts", "adc", "lsb", "raw", "digit", "digits"),
        *("%", "percent", "pct", "text", "bool", "0/1"),
        *("mm", "cm", "m", "um", "µm", "μm", "deg", "rad", "hz", "khz"),
    )
)
"""Words of a row of units, in small letters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TextOptions:
    """Layout of a text log; None is found from its first lines.

    Fields are the options of `teachlab import` for text logs, where each is described. `delimiter` may also be pipe;
    comment lines are always skipped; without `sheet` the first of a workbook is read.
    """

    delimiter: str | None = None
    decimal: str | None = None
    header: bool | None = None
    skip: int = 0
    encoding: str | None = None
    missing: tuple[str, ...] = ()
    sheet: str | None = None

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
        """Whether a comma separates the fraction; None if not stated."""
        return None if self.decimal is None else self.decimal in (",", "comma")


@dataclass(frozen=True, slots=True)
class Layout:
    """The layout that the first lines of a text show.

    `delimiter`: one character, or `SPACES`.
    `names`: names of the columns; 1, 2, 3 … without a header.
    `skip_lines`: lines before the first row.
    `units`: from a row below the names, otherwise from brackets in the names; empty if there are none.
    `notes`: what was found without being stated.
    `rate_hint`: a line above the names that mentions a rate; empty if there is none.
    """

    delimiter: str
    names: tuple[str, ...]
    skip_lines: int
    units: tuple[str, ...]
    notes: tuple[str, ...] = ()
    rate_hint: str = ""

    @property
    def character(self) -> str:
        """The one character between cells, after runs of blanks became one blank."""
        return " " if self.delimiter == SPACES else self.delimiter


def find_layout(lines: Sequence[str], options: TextOptions) -> Layout | None:
    """Find the layout of a text from its first lines; None if there are only comment lines.

    The delimiter is the one that divides the most lines into the same number of cells, more than one. The first row is
    the first line whose cells are numbers or times wherever most lines below have them. The names are in the nearest
    line above it with the same number of cells, or in a comment there; what lies between is a row of units.
    """
    lines = list(lines[:LOOKED_AT])
    usable = [k for k in range(options.skip, len(lines)) if lines[k].strip() and not COMMENT.match(lines[k])]
    if not usable:
        return None
    given = None if options.delimiter is None else NAMED.get(options.delimiter, options.delimiter)
    told = options.skip > 0 or options.header is not None
    delimiter, width = _divider(lines, usable, given, options.decimal_comma, first_counts=told)
    cells = {k: cut(lines[k], delimiter) for k in usable}
    whole = [row for row in cells.values() if len(row) == width]
    hollow = 2 * sum(not row[-1] for row in whole) > len(whole)
    for row in cells.values():
        if len(row) == width + 1 and not row[-1]:
            row.pop()  # a divider at the end of the names, but not of the rows
        elif len(row) == width - 1 and hollow:
            row.append("")  # and the other way round
    first, header, units_at = _first_row(usable, cells, width, options)
    below: list[str] | None = None if units_at is None else cells[units_at]
    if header is None and options.header is None:
        names, below = _names_in_a_comment(lines[:first], delimiter, width)
    else:
        names = None if header is None else cells[header]
    notes = []
    above = [k for k in usable if k < (first if header is None else header)]
    if above and options.skip == 0:
        several = "1 line" if len(above) == 1 else f"{len(above)} lines"
        notes.append(f"{several} above the table left out, the first: {shown(lines[above[0]].strip()[:60])}.")
    units = _units(names or [], below)
    if units_at is not None:
        listed = ", ".join(f"'{name}' {unit}" for name, unit in zip(names or [], units, strict=False) if unit)
        notes.append(f"Line {units_at + 1} is a row of units: {listed}.")
    hint = next((lines[k].strip()[:80] for k in range(first) if k != header and RATE_HINT.search(lines[k])), "")
    columns = tuple(names) if names is not None else tuple(str(k + 1) for k in range(width))
    return Layout(delimiter, columns, first, units, tuple(notes), hint)


def cut(line: str, delimiter: str) -> list[str]:
    """Return the cells of a line, without blanks around them."""
    if delimiter == SPACES:
        return line.split()
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
    except csv.Error:  # a cell of more than 131,072 characters: nothing that quotes were meant for
        return line.split(delimiter)


def unit_in_name(name: str) -> str:
    """Return the unit that the name of a column ends with: any in brackets, one of light after a divider; else "".

    Examples
    --------
    >>> [unit_in_name(name) for name in ("light [mV]", "Zeit (ms)", "light", "licht_mV", "U/V", "light_a")]
    ['mV', 'ms', '', 'mV', 'V', '']
    """
    found = re.search(r"[\[(]\s*([^\[\]()]{1,12}?)\s*[\])]$", name) or re.search(rf"[\s_/.-]({LIGHT_UNITS})$", name)
    return "" if found is None else found[1]


def names_rate(name: str) -> bool:
    """Whether a word names a sample rate or the step between samples."""
    return bool(re.fullmatch(r"fs|dt|sr", name, re.IGNORECASE) or RATE_HINT.search(name))


def rate_said(line: str) -> float | None:
    """Return the sample rate that a line says, Hz; None if it says none, or several.

    Examples
    --------
    >>> [rate_said(line) for line in ("# Sample rate: 2 kHz", "Interval [s]: 0.5 ms", "fs = 1000.0", "Freq 50 Hz, 2 s")]
    [2000.0, 2000.0, 1000.0, None]
    >>> [rate_said(line) for line in ("Sampling interval;0.001 s", "Rate of change", "Rate: 12")]
    [1000.0, None, 12.0]
    """
    found = list(RATE_SAID.finditer(line.strip().rstrip(";,")))
    if len(found) != 1:
        return None
    number, unit = float(found[0]["number"].replace(",", ".")), found[0]["unit"]
    times = 1e3 if unit.lower().startswith("k") else 1e6 if unit.startswith("M") else 1.0
    if STEP_HINT.search(line) or time_unit_named(unit) is not None:
        size = {"ms": 1e-3, "us": 1e-6, "ns": 1e-9}.get(time_unit_named(unit) or "s", 1.0)
        return 1 / (number * size) if number > 0 and STEP_HINT.search(line) else None
    return number * times if number > 0 else None


def time_unit_named(unit: str) -> str | None:
    """Return a unit of time as options name it; None if it is none.

    Examples
    --------
    >>> [time_unit_named(unit) for unit in ("sec", "µs", "msec", "mV")]
    ['s', 'us', 'ms', None]
    """
    return TIME_WORDS.get(unit.lower())


def time_unit_in(name: str) -> str | None:
    """Return the unit at the end of the name of a time column; None if there is none.

    Examples
    --------
    >>> [time_unit_in(name) for name in ("Zeit_ms", "t [µs]", "time/s", "timeMs", "Time (msec)", "items", "min", "2")]
    ['ms', 'us', 's', 'ms', 'ms', None, None, None]
    """
    found = NAMED_UNIT.search(name)
    return None if found is None else time_unit_named(next(filter(None, found.groups())))


def _divider(
    lines: Sequence[str], usable: Sequence[int], given: str | None, decimal_comma: bool | None, *, first_counts: bool
) -> tuple[str, int]:
    if given is not None:
        counts = Counter(len(cut(lines[k], given)) for k in usable)
        return given, len(cut(lines[usable[0]], given)) if first_counts else _mode(counts)
    best, most, width = ("," if not decimal_comma else ";"), 0, 1
    for candidate in (*DELIMITERS, SPACES):
        if candidate == "," and 2 * sum(bool(ALIGNED.search(lines[k])) for k in usable) > len(usable):
            continue
        if candidate == "," and decimal_comma and not any('"' in lines[k] for k in usable):
            continue  # bare commas are fractions; quoted cells may still be divided by them
        if candidate == SPACES and 2 * most > len(usable):
            continue
        found = [cut(lines[k], candidate) for k in usable]
        counts = Counter(len(row) for row in found if len(row) > 1)
        if not counts:
            continue
        mode = _mode(counts)
        if candidate == SPACES:
            values = [sum(bool(_is_value(c) or TIME_PART.match(c)) for c in row) for row in found if len(row) == mode]
            rows = sum(2 * some >= mode for some in values)
            if rows < ROWS_OF_VALUES * counts[mode]:
                continue  # words, not numbers
        if counts[mode] > most and (counts[mode] > 1 or len(usable) <= 2):
            best, most, width = candidate, counts[mode], mode
    if first_counts and most:
        width = len(cut(lines[usable[0]], best))
    return best, width if most else _mode(Counter(len(cut(lines[k], best)) for k in usable))


def _mode(counts: Counter[int]) -> int:
    return max(counts, key=lambda n: (counts[n], n))


def _is_value(cell: str) -> bool:
    return is_number(cell) or is_timestamp(cell)


def _first_row(
    usable: Sequence[int], cells: dict[int, list[str]], width: int, options: TextOptions
) -> tuple[int, int | None, int | None]:
    """Return the line numbers of the first row, of the names and of the units."""
    if options.header is False:
        return usable[0], None, None
    table = [k for k in usable if len(cells[k]) == width]
    if options.header or options.skip:
        header = usable[0] if options.header or not all(_is_value(c) for c in cells[usable[0]]) else None
        if header is None:
            return usable[0], None, None
        below = [k for k in usable if k > header]
        if len(below) > 1 and _is_units(cells[below[0]]):
            return below[1], header, below[0]
        return (below[0] if below else header + 1), header, None
    # Most rows decide, so that one damaged cell does not turn its row into a header.
    tail = table[-50:] or list(usable)
    values = [2 * sum(_is_value(cells[k][c]) for k in tail if c < len(cells[k])) > len(tail) for c in range(width)]
    if not any(values):
        return (usable[1] if len(usable) > 1 else usable[0] + 1), usable[0], None
    first = next(k for k in table if all(_is_value(cells[k][c]) for c in range(width) if values[c]))
    heads = []
    for k in reversed(usable[: usable.index(first)]):
        if len(cells[k]) != width:
            break
        if any(cells[k]) and not any(cell and _is_value(cell) for cell in cells[k]):
            heads.append(k)
            if not _is_units(cells[k]):
                break
    if not heads:
        return (first if not _damaged(usable, table, first) else usable[0]), None, None
    header = heads[-1]
    units = heads[-2] if len(heads) > 1 else None
    following = [k for k in usable if k > (header if units is None else units)]
    return following[0], header, units


def _damaged(usable: Sequence[int], table: Sequence[int], first: int) -> bool:
    """Whether the lines before the first sound row are rows too: with as many cells, from the first line on."""
    return bool(table) and table[0] == usable[0] and first != usable[0]


def _is_units(row: Sequence[str]) -> bool:
    """Whether every cell of a row is a unit, or empty, and at least one is a unit."""
    bare = [cell.strip("[]() ").lower() for cell in row if cell]
    bracketed = [cell for cell in row if cell and cell[0] in "[(" and cell[-1] in "])"]
    return bool(bare) and (len(bracketed) == len(bare) or all(cell in UNITS for cell in bare))


def _units(names: Sequence[str], row: Sequence[str] | None) -> tuple[str, ...]:
    if row is not None:
        return tuple(cell.strip("[]() ").replace("μ", "µ") for cell in row)
    return tuple(unit_in_name(name) for name in names)


def _names_in_a_comment(above: Sequence[str], delimiter: str, width: int) -> tuple[list[str] | None, list[str] | None]:
    """Return the names in the last comment above the first row, and the units in a further one below them."""
    units = None
    for line in reversed(above):
        if not line.strip():
            continue
        if not COMMENT.match(line):
            break
        names = cut(COMMENT.sub("", line, count=1).strip(), delimiter)
        if width < 2 or len(names) != width or not all(name and not _is_value(name) for name in names):
            break
        if units is None and _is_units(names):
            units = names
            continue
        return names, units
    return units, None
