"""How messages name a cell: file, column, row."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """Names a cell of one column of a log.

    `row_name`: returns how a person finds a row.
    """

    path: str
    column: str
    row_name: Callable[[int], str]

    def __call__(self, row: int) -> str:
        """Return file, column and row."""
        return f"{self.path}, column '{self.column}', {self.row_name(row)}"
