"""A column that counts the rows of a log: what it skips or repeats is missing, or there twice."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from teachlab.data.importing.reading.cells import is_text, plain
from teachlab.data.importing.reading.place import Place
from teachlab.model.printable_text import number_of

NAMED_COUNT = re.compile(
    r"(index|idx|#|no|nr|n|(sample|row|record|scan|frame|cycle|point|line)s?[ _.-]?(no|nr|number|index|count(er)?|id)?)"
    r"\.?",
    re.IGNORECASE,
)
STEADY = 0.98
"""Share of the steps that are 1 in a count of rows."""
WIDTHS = (8, 15, 16, 31, 32)
"""Bits of counters, which begin again at 0 after the last number."""


class RowCount:
    """Looks at the steps of a column that may count rows.

    `place`: names a row of it.
    """

    def __init__(self, place: Place) -> None:
        self._place, self._last, self._counts = place, np.empty(0, np.int64), True
        self._steps = self._ones = self._skipped = 0
        self._first = -1

    def push(self, cells: Any, row: int) -> None:
        """Take the cells of the next rows, the first of which is `row`; once a cell is no whole number, all is left."""
        try:
            numbers = plain(cells)
            numbers = (pc.utf8_trim_whitespace(numbers) if is_text(numbers.type) else numbers).cast(pa.int64())
        except pa.ArrowException:
            self._counts = False
        if not self._counts or numbers.null_count:
            self._counts = False
            return
        count = np.concatenate([self._last, numbers.to_numpy()])
        steps = np.diff(count)
        for bits in WIDTHS:
            steps = np.where(steps == 1 - 2**bits, 1, steps)
        odd = np.flatnonzero(steps != 1)
        if odd.size and self._first < 0:
            self._first = row + int(odd[0]) + 1 - self._last.size
        self._steps, self._ones = self._steps + steps.size, self._ones + steps.size - odd.size
        self._skipped += int(np.maximum(steps[odd] - 1, 0).sum())
        self._last = count[-1:]

    @property
    def notes(self) -> list[str]:
        """What a count of rows says of missing rows and repeated ones; nothing if the column counts no rows."""
        if not self._counts or self._first < 0 or self._ones < STEADY * self._steps:
            return []
        breaks = number_of(self._steps - self._ones, "place")
        return [
            f"{self._place(self._first)}: this column counts the rows, and breaks off at {breaks}, where it skips "
            f"{number_of(self._skipped, 'row')} in all. Rows are missing or there twice: the samples behind them lie "
            "at wrong times. Give a log with a column of times, or import the stretches one by one."
        ]
