"""Passes from a column of the log: a flag, the label of the object in view, or a pass number."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from teachlab.data.importing.reading.cells import is_text, plain
from teachlab.data.importing.reading.place import Place
from teachlab.data.strict_json import shown
from teachlab.errors import TruthError
from teachlab.model.printable_text import number_of, printable

MOST_RUNS = 10_000
YES = frozenset(["1", "true", "yes", "on", "high", "ja", "wahr", "si", "sí", "oui", "vrai", "da", "да", "tak", "sim"])
NO = frozenset(
    ["", *["0", "false", "no", "off", "low", "nein", "falsch", "non", "faux", "nu", "nej", "nie", "não", "нет"]]
)
FEWEST_TOUCHING = 5
"""So many objects one after the other without a row between them are no line: some word stands for none."""


class TruthKind(StrEnum):
    """Contents of a truth column."""

    AUTO = "auto"
    FLAG = "flag"
    LABEL = "label"
    NUMBER = "number"
    LEVEL = "level"


@dataclass(frozen=True, slots=True, eq=False)
class RowPasses:
    """Passes in rows of the log: ``[start, end)`` and their labels.

    `start`, `end`: shape (n,), rows.
    """

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    label: list[str]


class TruthColumn:
    """Reads a truth column block by block and keeps the runs of equal values.

    `kind`: what the column holds; auto decides between numbers or yes/no and labels.
    `lots`: whether its labels name lots, not objects.
    """

    def __init__(self, kind: TruthKind, place: Place, *, lots: bool = False) -> None:
        self._kind, self._place, self._lots = kind, place, lots
        self._values: list[str] = []
        self._starts: list[int] = []
        self._rows = 0

    def push(self, cells: Any) -> None:
        """Take the cells of the next rows: boolean, numbers or text; null and empty mean "no object"."""
        text = self._as_text(plain(cells))
        if len(text) == 0:
            return
        encoded = text.dictionary_encode()
        codes, names = encoded.indices.to_numpy(zero_copy_only=False), encoded.dictionary.to_pylist()
        at = np.flatnonzero(np.diff(codes)) + 1
        for k in [0, *at.tolist()]:
            value = names[codes[k]]
            if not self._values or value != self._values[-1]:
                self._values.append(value)
                self._starts.append(self._rows + k)
        self._rows += len(text)
        if len(self._values) > MOST_RUNS and len(self._values) > self._rows / 3:
            if self._lots:
                raise TruthError(
                    f"{self._place(self._rows - 1)}: the column changes in {len(self._values):,} of "
                    f"{number_of(self._rows, 'row')}: it does not name lots. Choose a column that names shift or batch."
                )
            raise TruthError(
                f"{self._place(self._rows - 1)}: the column changes in {len(self._values):,} of "
                f"{number_of(self._rows, 'row')}: it does not say which object is in view. Choose a flag, a label or a "
                "pass-number column, or split a second signal in two: --truth-kind level."
            )

    def _as_text(self, cells: Any) -> Any:
        kind = cells.type
        if pa.types.is_boolean(kind):
            cells = pc.cast(pc.cast(cells, pa.uint8()), pa.string())
        elif pa.types.is_floating(kind):
            values = cells.to_numpy(zero_copy_only=False).astype(np.float64)
            known = ~np.isnan(values)
            whole = ~known | ((np.floor(values) == values) & (np.abs(values) < 2**53))
            if not whole.all():
                k = int(np.argmin(whole))
                if self._lots:
                    raise TruthError(
                        f"{self._place(self._rows + k)}: a lot that is a number must be whole, got {values[k]}. Choose "
                        "a column that names shift or batch."
                    )
                raise TruthError(
                    f"{self._place(self._rows + k)}: a flag or a pass number must be whole, got {values[k]}. "
                    "Choose another column, or split a second signal in two: --truth-kind level."
                )
            cells = pc.cast(pa.array(np.where(known, values, 0).astype(np.int64), mask=~known), pa.string())
        elif pa.types.is_integer(kind) or pa.types.is_null(kind):
            cells = pc.cast(cells, pa.string())
        elif not is_text(kind):
            raise TruthError(f"{self._place(self._rows)}: the column holds {kind}. Choose a flag, a label or a number.")
        return pc.fill_null(pc.utf8_trim_whitespace(pc.cast(cells, pa.string())), "")

    def passes(self) -> RowPasses:
        """Return the passes.

        Raises TruthError with row and value, if a cell does not fit the kind.
        """
        kind = self._found_kind()
        check = {TruthKind.FLAG: self._flag, TruthKind.NUMBER: self._number, TruthKind.LABEL: self._label}[kind]
        ends = [*self._starts[1:], self._rows]
        start, end, label, numbers = [], [], [], list[float]()
        before = None
        for value, a, b in zip(self._values, self._starts, ends, strict=True):
            found = check(value, a)
            if found is not None and found == before:
                end[-1] = b  # one spelling follows another: still the same object
            elif found is not None:
                start.append(a)
                end.append(b)
                label.append(found if kind is TruthKind.LABEL else "")
                numbers += [_figure(value)] if kind is TruthKind.NUMBER else []
            before = found
        touching = np.flatnonzero(np.equal(start[1:], end[:-1]))
        if not self._lots and len(start) >= FEWEST_TOUCHING and touching.size == len(start) - 1:
            raise self._never_empty(kind, start, end, label)
        if kind is TruthKind.NUMBER and _is_clock(np.array(numbers), touching):
            raise TruthError(
                f"{self._place(start[touching[0] + 1])}: the number changes while an object is in view, as it does "
                f"{touching.size} times in {len(start)}: a time or a count within a pass is no pass number. Take every "
                "row above 0 for the object: --truth-kind level --truth-level 0.5. If each number is an object: "
                "--truth-kind label."
            )
        return RowPasses(np.array(start, np.int64), np.array(end, np.int64), label)

    def _never_empty(self, kind: TruthKind, start: list[int], end: list[int], label: list[str]) -> TruthError:
        """Return the refusal of a column that names an object in every row from the first one on."""
        where = f"{self._place(start[0])}: from here on every row"
        if kind is TruthKind.NUMBER:
            return TruthError(
                f"{where} has a pass number, {len(start)} in all: a count of products tells when one came, not how "
                "long it was there. Choose a column that is 0 between products, or give a table with one time per "
                "product (--passes, --pass-ms)."
            )
        rows: Counter[str] = Counter()
        for name, a, b in zip(label, start, end, strict=True):
            rows[name] += b - a
        word = rows.most_common(1)[0][0]
        return TruthError(
            f"{where} names an object, most of them {shown(word)}. If one of these words says that none is there, name "
            f"it: --missing {shlex.quote(printable(word))}."
        )

    def _found_kind(self) -> TruthKind:
        if self._kind is not TruthKind.AUTO:
            return self._kind
        seen = {value.lower() for value in self._values}
        if seen <= YES | NO:
            return TruthKind.FLAG
        if all(_whole(value) for value in seen):
            return TruthKind.NUMBER
        if all(_number(value) for value in seen):
            k = next(k for k, value in enumerate(self._values) if not _whole(value))
            raise TruthError(
                f"{self._place(self._starts[k])}: the column holds numbers that are not whole, got "
                f"{shown(self._values[k])}. A second signal is split in two by --truth-kind level; names that look "
                "like numbers are taken by --truth-kind label."
            )
        return TruthKind.LABEL

    def _flag(self, value: str, row: int) -> str | None:
        if value.lower() in NO:
            return None
        if value.lower() in YES:
            return "yes"
        raise TruthError(f"{self._place(row)}: a flag must be 0/1, true/false or yes/no, got {shown(value)}.")

    def _number(self, value: str, row: int) -> str | None:
        if not _whole(value) or _figure(value) < 0:
            raise TruthError(
                f"{self._place(row)}: a pass number must be whole and at least 0 (0 or empty: no object), "
                f"got {shown(value)}."
            )
        number = int(_figure(value))
        return str(number) if number else None

    def _label(self, value: str, row: int) -> str | None:
        return value or None


def _is_clock(numbers: NDArray[np.float64], touching: NDArray[np.int64]) -> bool:
    """Whether numbers of runs of rows are a time or a count within passes, not one number a pass.

    `touching`: runs that the next one follows without a row between.
    Half of the runs touch another one; or all that follow one are above all that begin a pass (or below them).
    """
    if touching.size < FEWEST_TOUCHING:
        return False
    first = np.delete(numbers, touching + 1)
    beyond = min(numbers[touching + 1]) > max(first) or max(numbers[touching + 1]) < min(first)
    return bool(beyond or touching.size >= numbers.size / 2)


def _figure(value: str) -> float:
    """Return a number with a point or a comma; empty is 0."""
    return float(value.replace(",", ".", 1) or "0")


def _number(value: str) -> bool:
    try:
        _figure(value)
    except ValueError:
        return False
    return True


def _whole(value: str) -> bool:
    return _number(value) and _figure(value).is_integer()


def names_at(runs: RowPasses, rows: NDArray[np.int64]) -> list[str]:
    """Return the labels of rows; empty where they have none.

    Examples
    --------
    >>> runs = RowPasses(np.array([0, 10]), np.array([8, 20]), ["early", "late"])
    >>> names_at(runs, np.array([7, 8, 10, 25]))
    ['early', '', 'late', '']
    """
    at = np.searchsorted(runs.start, rows, side="right") - 1
    return [runs.label[k] if k >= 0 and row < runs.end[k] else "" for k, row in zip(at, rows, strict=True)]


def in_samples(rows: NDArray[np.int64], gap_rows: NDArray[np.int64], missing: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the samples of rows, after filling the gaps before them.

    Examples
    --------
    >>> in_samples(np.array([0, 4, 5]), np.array([5]), np.array([3])).tolist()
    [0, 4, 8]
    """
    before = np.concatenate(([0], np.cumsum(missing)))
    out: NDArray[np.int64] = rows + before[np.searchsorted(gap_rows, rows, side="right")]
    return out


def ignored(labels: Sequence[str], names: Sequence[str]) -> NDArray[np.bool_]:
    """Return which passes must be detected: those whose label is not in `names`.

    Raises TruthError if a name is not among the labels.
    """
    unknown = [name for name in names if name not in labels]
    if unknown:
        found = ", ".join(repr(label) for label in sorted(set(labels))[:12]) or "none"
        raise TruthError(f"--ignore '{unknown[0]}': there is no pass of that label; the labels are: {found}.")
    return np.array([label not in names for label in labels], bool)
