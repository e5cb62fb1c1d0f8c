"""A table of passes corrected by a person in a spreadsheet: checked, sorted, and compared with the proposal."""

from __future__ import annotations

import csv
import errno
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np

from teachlab.data.atomic_files import NO_FILE, ends
from teachlab.data.strict_json import shown
from teachlab.data.truth_files import bare_text
from teachlab.errors import TruthError
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Recording
from teachlab.model.truth import Expect, Truth, TruthSource

WHOLE = re.compile(r"[+]?\d{1,18}([.,](?!000$)0*)?")  # three zeros may be thousands
ADVICE = "Positions are whole samples, or dates with a time."


@dataclass(frozen=True, slots=True, eq=False)
class Correction:
    """Corrected passes, and what was changed in the proposal.

    `truth`: self-labelled: borders still come from the light.
    `as_proposed`, `moved`, `added`, `taken_out`: passes as proposed, with other borders, new ones, and proposed ones
    that were removed.
    `notes`: faults that were mended.
    """

    truth: Truth
    as_proposed: int
    moved: int
    added: int
    taken_out: int
    notes: tuple[str, ...]


def read_corrected(path: str, recording: Recording, proposed: Truth) -> Correction:
    """Read a corrected table.

    Commas, semicolons or tabs separate its cells. Rows may be in any order and may be empty. Positions are whole
    samples, or ISO dates with a time if the start of the recording is known. An apostrophe before a text comes from the
    spreadsheet and is ignored.

    `path`: a CSV with the columns start and end, and optionally label, expect and lot.
    `proposed`: the proposal; its uncertainty of borders is kept.
    Raises TruthError with file, column, line and value, if a row cannot be a pass.
    """
    notes: list[str] = []
    rows = [_pass_of(row, path, line, recording) for line, row in _table(path, notes)]
    ordered = sorted(rows)
    if ordered != rows:
        notes.append("The rows were not in time order, and were sorted.")
    for one, other in pairwise(ordered):
        if other.start < one.end:
            raise TruthError(
                f"{path}: the passes of lines {one.line} [{one.start}, {one.end}) and {other.line} [{other.start}, "
                + (
                    f"{other.end}) are the same. Take one out."
                    if (one.start, one.end) == (other.start, other.end)
                    else f"{other.end}) overlap. Correct one of the two."
                )
            )
    start, end, label, detect, lot, _ = zip(*ordered, strict=True) if ordered else ((),) * 6
    truth = Truth.from_arrays(
        start, end, detect=detect, label=np.array(label, object), lot=np.array(lot, object) if any(lot) else None,
        source=TruthSource.SELF_LABELLED, uncertainty_samples=proposed.uncertainty_samples,
    )  # fmt: skip
    return _compared(truth, proposed, tuple(notes))


def _table(path: str, notes: list[str]) -> Iterator[tuple[int, dict[str, str]]]:
    """Yield the rows that are not empty, by the names of the columns, each with its line."""
    lines = _lines(path, notes)
    head = next(
        (k for k, line in enumerate(lines) if line.strip(" ,;\t") and not line.lstrip(' "').startswith("#")), None
    )
    if head is None:
        raise TruthError(f"{path}: there is no header. The first line must name the columns: start,end,label,expect.")
    delimiter = max(",;\t", key=lines[head].count)
    names = [name.strip().lower() for name in next(csv.reader([lines[head]], delimiter=delimiter))]
    for name in ("start", "end"):
        if names.count(name) != 1:
            raise TruthError(
                f"{path}: column '{name}' is missing or occurs twice; the columns are: {', '.join(names)}."
            )
    for k, line in enumerate(lines[head + 1 :], head + 2):
        cells = [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
        if any(cells):
            yield k, dict(zip(names, cells, strict=False))


class _Pass(NamedTuple):
    start: int
    end: int
    label: str
    detect: bool
    lot: str
    line: int


def _pass_of(row: dict[str, str], path: str, line: int, recording: Recording) -> _Pass:
    """Return the pass of a row; refuse a row that cannot be one."""
    start, end = (
        _sample(row.get(name, ""), f"{path}, column '{name}', line {line}", recording) for name in ("start", "end")
    )
    if not start < end:
        raise TruthError(f"{path}, line {line}: the pass ends at {end}, not after its start {start}. Correct the row.")
    if end > recording.samples:
        raise TruthError(
            f"{path}, line {line}: the pass ends at sample {end}, outside the recording of "
            f"{number_of(recording.samples, 'sample')}. Correct the row."
        )
    expect = row.get("expect", "").lower() or str(Expect.DETECT)
    if expect not in (Expect.DETECT, Expect.IGNORE):
        raise TruthError(f"{path}, column 'expect', line {line}: must be detect or ignore, got {shown(expect)}.")
    detect = expect == Expect.DETECT
    return _Pass(start, end, bare_text(row.get("label", "")), detect, bare_text(row.get("lot", "")), line)


def _compared(truth: Truth, proposed: Truth, notes: tuple[str, ...]) -> Correction:
    before = set(zip(proposed.start.tolist(), proposed.end.tolist(), strict=True))
    same = sum(one in before for one in zip(truth.start.tolist(), truth.end.tolist(), strict=True))
    met = _meeting(truth, proposed)
    return Correction(truth, same, met - same, truth.passes - met, proposed.passes - _meeting(proposed, truth), notes)


def _meeting(a: Truth, b: Truth) -> int:
    """Return how many passes of one table share a sample with one of the other."""
    first = np.searchsorted(b.end, a.start, side="right")
    inside = first < b.passes
    return int(np.count_nonzero(b.start[first[inside]] < a.end[inside]))


def _lines(path: str, notes: list[str]) -> list[str]:
    try:
        if not ends(Path(path)):
            raise OSError(errno.EINVAL, NO_FILE)
        raw = Path(path).read_bytes()
    except OSError as fault:
        raise TruthError(f"{path}: cannot be read: {fault.strerror}. Give the corrected table.") from None
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", "replace")
        notes.append("The table is not UTF-8: it was read as Windows-1252. Save it as UTF-8 to be sure of its labels.")
    if "\0" in text:
        raise TruthError(f"{path}: this is not text. Save the sheet as CSV (UTF-8) and give that.")
    return text.splitlines()


def _sample(cell: str, where: str, recording: Recording) -> int:
    if WHOLE.fullmatch(cell):
        return int(re.split("[.,]", cell)[0])
    began = recording.info.began
    try:
        at = datetime.fromisoformat(cell.replace(",", "."))
    except ValueError:
        raise TruthError(f"{where}: must be a whole number, got {shown(cell)}. {ADVICE}") from None
    if began is None:
        raise TruthError(
            f"{where}: got the date {shown(cell)}, but the recording does not know when it began. {ADVICE}"
        )
    if (at.tzinfo is None) != (began.tzinfo is None):
        at, began = at.replace(tzinfo=None), began.replace(tzinfo=None)
    sample = round((at - began).total_seconds() * recording.info.sample_rate_hz)
    if sample < 0:
        raise TruthError(f"{where}: {shown(cell)} lies before the recording, which began {began.isoformat()}.")
    return sample
