"""The first reading of a log: every fault that a row can have is met here, before anything is written."""

from __future__ import annotations

from typing import Any

from teachlab.data.importing.cells import StoredType, is_text, plain, to_numbers, uses_decimal_comma
from teachlab.data.importing.logs import Log, column_index
from teachlab.data.importing.place import Place
from teachlab.data.importing.request import ImportJob
from teachlab.data.importing.time_axis import Clockwork, TimeAxis
from teachlab.data.importing.truth_columns import TruthColumn
from teachlab.errors import ParameterError, RecordingError


class Survey:
    """The first pass over a log: types, times, passes; every fault that a row can have is met here."""

    def __init__(self, log: Log, wanted: ImportJob) -> None:
        self._log, self._wanted = log, wanted
        self.notes: list[str] = []
        self.light_at = self._light_column()
        self.time_at = self._time_column()
        self.truth_at = (
            None if wanted.truth_column is None else column_index(log, wanted.truth_column, "--truth-column")
        )
        self.light = StoredType()
        self.light_place = self._place(self.light_at)
        self.decimal_comma = wanted.text.decimal_comma
        self.clockwork: Clockwork | None = None
        self.axis: TimeAxis | None = None
        self.truth: TruthColumn | None = None

    def _place(self, column: int) -> Place:
        return Place(self._log.path, self._log.columns[column], self._log.place)

    def _light_column(self) -> int:
        names = list(self._log.columns)
        if self._wanted.column is not None:
            return column_index(self._log, self._wanted.column, "--column")
        if names.count("light") == 1:
            return names.index("light")
        if len(names) == 1:
            return 0
        raise ParameterError(
            f"{self._log.path}: which column is the light? Name it with --column; the columns are: "
            f"{', '.join(repr(name) for name in names[:20])}."
        )

    def _time_column(self) -> int | None:
        if self._wanted.no_time:
            return None
        if self._wanted.time is not None:
            return column_index(self._log, self._wanted.time, "--time")
        names = [name.lower() for name in self._log.columns]
        return names.index("time") if names.count("time") == 1 and names.index("time") != self.light_at else None

    def run(self) -> None:
        """Read every row."""
        chosen = [k for k in (self.light_at, self.time_at, self.truth_at) if k is not None]
        for cells in self._log.batches(chosen):
            found = dict(zip(chosen, cells, strict=True))
            if len(cells[0]):
                self._push(found)
        if self.light.rows == 0:
            raise RecordingError(f"{self._log.path}: there are no rows. Give a log with samples.")

    def _push(self, cells: dict[int, Any]) -> None:
        light, row = cells[self.light_at], self.light.rows
        if self.decimal_comma is None:
            self._find_decimal(cells)
        numbers = to_numbers(light, bool(self.decimal_comma), self.light_place, row)
        self.light.push(light, numbers)
        if self.time_at is not None:
            if self.clockwork is None:
                place = self._place(self.time_at)
                self.clockwork = Clockwork(self._wanted.time_unit, bool(self.decimal_comma), place)
                self.axis = TimeAxis(place, self._wanted.rate_hz)
            if self.axis is not None:
                self.axis.push(self.clockwork.seconds(cells[self.time_at], row))
        if self.truth_at is not None:
            if self.truth is None:
                self.truth = TruthColumn(self._wanted.truth_kind, self._place(self.truth_at))
            self.truth.push(cells[self.truth_at])

    def _find_decimal(self, cells: dict[int, Any]) -> None:
        self.decimal_comma = False
        doubt: RecordingError | None = None
        for column in (self.light_at, self.time_at):
            if column is None or self._log.delimiter in (None, ",") or not is_text(plain(cells[column]).type):
                continue
            try:
                self.decimal_comma = uses_decimal_comma(cells[column], self._place(column), 0)
            except RecordingError as unclear:
                doubt = doubt or unclear  # another column may tell
            if self.decimal_comma:
                self.notes.append("A comma stands before the fraction (found; say so with --decimal comma).")
                return
        if doubt is not None:
            raise doubt
