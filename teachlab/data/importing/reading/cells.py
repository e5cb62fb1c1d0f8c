"""Cells as numbers, with the row of the first cell that is no number."""

from __future__ import annotations

import math
import re
import shlex
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from teachlab.data.importing.reading.place import Place
from teachlab.data.strict_json import shown
from teachlab.errors import RecordingError
from teachlab.model.printable_text import printable

_COMMA = re.compile(r"\s*[+-]?\d*,\d+([eE][+-]?\d+)?\s*")
BEYOND = 1e30
"""Instruments write such a number, or infinity, where there is no value."""
MOST_APART = 0.01
"""Share of the rows up to which a number may be a code."""
ADVICE = "Correct the cell, or empty it: an empty cell is a sample without a valid value."
_GROUPED = re.compile(
    r"[+-]?\d{1,3}((\.\d{3})+,\d+|(,\d{3})+\.\d+|([.,]\d{3}){2,}([.,]\d+)?|([ '\u2019\u00a0\u202f]\d{3})+([.,]\d+)?)"
)
_THOUSANDS = re.compile(r"\s*[+-]?[1-9]\d{0,2},\d{3}\s*")
_POINTED = r"^\s*[+-]?[1-9]\d{0,2}\.\d{3}\s*$"


def is_number(cell: str) -> bool:
    """Whether a cell is a number, with a point or a comma, or empty."""
    try:
        float(cell.strip().replace(",", ".", 1).replace("_", "?") or "0")  # Python's own mark between digits
    except ValueError:
        return False
    return True


def is_timestamp(cell: str) -> bool:
    """Whether a cell is a date with a time, also with a comma before the fraction."""
    cell = re.sub(r"(:\d{2}),(\d)", r"\1.\2", cell)
    for kind in (pa.timestamp("ns"), pa.timestamp("ns", "UTC")):
        try:
            pc.cast(pa.array([cell.strip()]), kind)
        except pa.ArrowInvalid:
            continue
        return True
    return False


def is_text(kind: Any) -> bool:
    """Whether an Arrow type is text."""
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind))


def plain(array: Any) -> Any:
    """Return an array without dictionary encoding."""
    return array.dictionary_decode() if pa.types.is_dictionary(array.type) else array


def uses_decimal_comma(cells: Any, place: Place, first_row: int) -> bool:
    """Whether a comma separates the fraction in text cells.

    Raises RecordingError if every comma could also be a thousands separator.
    """
    with_comma = [(k, cell) for k, cell in enumerate(cells.to_pylist()) if cell is not None and "," in cell]
    numbers = [(k, cell) for k, cell in with_comma if _COMMA.fullmatch(cell)]
    if not numbers:
        return False
    if all(_THOUSANDS.fullmatch(cell) for _, cell in numbers):
        row, cell = numbers[0]
        raise RecordingError(
            f"{place(first_row + row)}: {shown(cell)} may be a fraction or thousands. "
            "Say which: --decimal comma, or take the commas out of the file."
        )
    return True


def pointed_thousands(cells: Any) -> int | None:
    """Return the first text cell with a point if the points of all such cells may divide thousands, otherwise None.

    Examples
    --------
    >>> pointed_thousands(pa.array(["987", "1.012"])), pointed_thousands(pa.array(["0.5", "1.012"]))
    (1, None)
    """
    pointed = pc.fill_null(pc.match_substring(cells, "."), False)
    grouped = pc.match_substring_regex(cells.filter(pointed), _POINTED)
    if not len(grouped) or not pc.all(grouped).as_py():
        return None
    return int(np.argmax(pointed.to_numpy(zero_copy_only=False)))


def refuse_points(cells: Any, place: Place, first_row: int, *, whole_before: bool, decimal_comma: bool | None) -> None:
    """Refuse numbers in text whose points may divide thousands.

    Where a comma is before the fraction, a point is not. Where that is not known, a logger that writes three decimals
    writes them in every cell: cells without a point beside them say that these are thousands.
    Raises RecordingError with the first such cell.
    """
    first = None if decimal_comma is False else pointed_thousands(cells)
    if first is None:
        return
    what = f"{place(first_row + first)}: {shown(cells[first].as_py())} may be a fraction or thousands"
    if decimal_comma:
        raise RecordingError(f"{what}, and a comma is before the fractions. Take the points out of the file.")
    if whole_before or pc.any(pc.match_substring_regex(cells, r"^\s*[+-]?\d+\s*$")).as_py():
        raise RecordingError(
            f"{what}: other cells have no point. Say which: --decimal point, or take the points out of the file."
        )


def refuse_powers(cells: Any, place: Place, first_row: int) -> None:
    """Refuse numbers in text that may be hexadecimal: all of one width, some with an E between digits.

    Powers of ten from a program have a point or a sign: 3.0E8, 3E+08.
    Raises RecordingError with the first cell with an E.
    """
    known = pc.drop_null(cells)
    powers = pc.match_substring_regex(known, r"^\s*\d+[eE]\d+\s*$")
    whole = pc.all(pc.match_substring_regex(known, r"^\s*[0-9a-fA-F]+\s*$")).as_py()
    if not pc.any(powers).as_py() or not whole or len(pc.unique(pc.utf8_length(known))) > 1:
        return
    cell = known.filter(powers)[0].as_py()
    raise RecordingError(
        f"{place(first_row + pc.index(cells, cell).as_py())}: {shown(cell)} may be a power of ten or hexadecimal: all "
        "cells have as many digits. Write hexadecimal numbers with 0x before them, and powers with a sign: 3E+8."
    )


def to_numbers(array: Any, decimal_comma: bool, place: Place, first_row: int, *, advice: str = ADVICE) -> Any:
    """Return an Arrow array of an integer or floating type; text becomes int64 if all numbers are whole.

    `array`: numbers, decimals or text.
    `decimal_comma`: whether a comma separates the fraction in text.
    `place`: names a row for the message.
    `first_row`: row of the first element.
    `advice`: what to do about a cell that is no number.
    Raises RecordingError with the row and the value of the first cell that is no number.
    """
    array = plain(array)
    kind = array.type
    if pa.types.is_integer(kind) or pa.types.is_floating(kind):
        return array
    if pa.types.is_decimal(kind):
        return pc.cast(array, pa.float64())
    if pa.types.is_null(kind):
        return pc.cast(array, pa.float64())
    if not is_text(kind):
        raise RecordingError(f"{place(first_row)}: numbers are needed, the column holds {kind}. Choose another column.")
    cells = pc.replace_substring_regex(pc.utf8_trim_whitespace(array), r"^\+", "")
    cells = pc.if_else(pc.equal(cells, ""), None, cells)
    if decimal_comma:
        cells = pc.replace_substring(cells, ",", ".", max_replacements=1)
    for target in (pa.int64(), pa.float64()):
        try:
            return pc.cast(cells, target)
        except pa.ArrowInvalid:
            continue
    raise _no_number(array, cells, place, first_row, advice)


def _no_number(array: Any, cells: Any, place: Place, first_row: int, advice: str) -> RecordingError:
    for k, cell in enumerate(cells.to_pylist()):
        if cell is None:
            continue
        try:
            pc.cast(pa.array([cell]), pa.float64())
        except pa.ArrowInvalid:
            came = array[k].as_py()
            if came.strip() == place.column:
                return RecordingError(
                    f"{place(first_row + k)}: a number is needed, got {shown(came)}: the names of the columns come "
                    "again. Take that line out; if the logger began again there, import the stretches one by one."
                )
            hint = " If this is a decimal comma: --decimal comma." if _COMMA.fullmatch(came) else ""
            if _THOUSANDS.fullmatch(came):
                hint = " It may be a fraction (--decimal comma) or thousands (take the commas out)."
            if _GROUPED.fullmatch(came.strip()):
                hint = " Write the log without marks between thousands."
            elif advice is ADVICE and came.strip() and ("#" in came or not any(c.isdigit() for c in came)):
                hint = f" If it stands for no value: --missing {shlex.quote(printable(came, most=24))}."
            return RecordingError(f"{place(first_row + k)}: a number is needed, got {shown(came)}.{hint} {advice}")
    return RecordingError(f"{place(first_row)}: the column cannot be read as numbers.")


@dataclass(slots=True)
class Outermost:
    """The number that lies furthest out, how often it came, and the one beside it.

    `sign`: 1 for the highest, -1 for the lowest; `end` and `beside` are times it, so that the larger lies further out.
    """

    sign: int
    end: float = -math.inf
    beside: float = -math.inf
    count: int = 0

    def push(self, values: NDArray[Any], end: Any, across: float) -> None:
        """Take numbers, not NaN; their own outermost number, and the end of the others on the other side.

        Once the outermost number lies no further from the others than these from each other, it no longer counts: the
        others only come to lie further apart.
        """
        if self.sign * float(end) <= self.beside:
            return  # as in most batches: two numbers lie at least as far out
        if self.sign * float(end) == self.end and self.end - self.beside <= self.beside + across:
            return
        inner = values[values != end]
        found = [self.sign * float(end)]
        found += [self.sign * float(inner.max() if self.sign > 0 else inner.min())] if inner.size else []
        self.count = self.count * (self.end >= found[0]) + (values.size - inner.size) * (self.end <= found[0])
        self.beside, self.end = sorted({self.end, self.beside, -math.inf, *found})[-2:]


@dataclass(slots=True)
class StoredType:
    """Finds the stored type: the one of the log, or the smallest suitable one for numbers from text.

    `invalid`, `beyond`: seen so far; without a value, and infinite or at least `BEYOND`.
    `lowest`, `highest`: the outermost of the other numbers.
    """

    invalid: int = 0
    beyond: int = 0
    lowest: Outermost = field(default_factory=lambda: Outermost(-1))
    highest: Outermost = field(default_factory=lambda: Outermost(1))
    _given: Any = None
    _whole: bool = True

    def push(self, numbers: Any, *, from_text: bool) -> None:
        """Take a batch of numbers, and whether they were written as text."""
        self.invalid += int(numbers.null_count)
        known = (numbers.drop_null() if numbers.null_count else numbers).to_numpy(zero_copy_only=False)
        low, high = (known.min(), known.max()) if known.size else (0, 0)
        limit = np.inf if known.dtype == np.float16 else BEYOND
        if known.dtype.kind == "f" and not -limit < low <= high < limit:  # nor is NaN
            finite = np.abs(known) < limit
            nan = int(np.count_nonzero(np.isnan(known)))
            self.invalid, self.beyond = self.invalid + nan, self.beyond + known.size - int(finite.sum()) - nan
            known = known[finite]
            low, high = (known.min(), known.max()) if known.size else (0, 0)
        if known.size:
            self.lowest.push(known, low, self.highest.end)
            self.highest.push(known, high, self.lowest.end)
        if not from_text:
            self._given = numbers.type
        elif not pa.types.is_integer(numbers.type) and numbers.null_count < len(numbers):
            self._whole = False

    def apart(self, rows: int) -> tuple[Outermost, float, float] | None:
        """Return a number that lies alone, in at most 1 % of the rows, and the lowest and highest of the others.

        It lies further from the others than these from each other: so codes for no value do, such as -9999 and 65535.
        """
        for one, other in ((self.highest, self.lowest), (self.lowest, self.highest)):
            inner = one.beside + other.end
            if one.count <= MOST_APART * rows and 0 < inner < one.end - one.beside:
                low, high = sorted((one.sign * one.beside, other.sign * other.end))
                return one, low, high
        return None

    @property
    def dtype(self) -> np.dtype[Any]:
        """The stored type: uint16, int16, int32 or int64 for whole numbers from text, else float64."""
        if self._given is not None:
            found: np.dtype[Any] = np.dtype(self._given.to_pandas_dtype())
            return found
        if not self._whole:
            return np.dtype(np.float64)
        low, high = min(-self.lowest.end, 0), max(self.highest.end, 0)
        for kind in (np.uint16, np.int16, np.int32):
            if np.iinfo(kind).min <= low and high <= np.iinfo(kind).max:
                return np.dtype(kind)
        return np.dtype(np.int64)


def to_arrays(numbers: Any, dtype: np.dtype[Any]) -> tuple[NDArray[Any], NDArray[np.bool_] | None]:
    """Return values in the stored type, which may be those of the numbers (NaN too), and which are null, if any is."""
    invalid = numbers.is_null().to_numpy(zero_copy_only=False) if numbers.null_count else None
    filled = numbers.fill_null(pa.scalar(0, numbers.type)) if numbers.null_count else numbers
    return filled.to_numpy(zero_copy_only=False).astype(dtype, copy=False), invalid
