"""Passes as a person corrected them on the page: checked, and kept beside the old table with their history."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import Field

from teachlab.data.atomic_files import check_target, current, read_current
from teachlab.data.strict_json import StrictModel, check
from teachlab.data.truth_files import read_history, write_truth
from teachlab.errors import TruthError
from teachlab.model.truth import Truth, TruthSource

MOST_EDITS = 100_000
MOST_NAMES = 10_000
"""Corrected tables beside one recording."""
_Borders = list[Annotated[list[int], Field(min_length=2, max_length=2)]]


class _Passes(StrictModel):
    start: list[int]
    end: list[int]
    detect: list[bool]
    label: list[str]
    lot: list[str] | None


class _Edit(StrictModel):
    at: Annotated[str, Field(max_length=40)]
    what: Literal["moved", "renamed", "added", "divided", "taken out"]
    from_: Annotated[_Borders, Field(alias="from")]
    to: _Borders


class _Edits(StrictModel):
    edits: Annotated[list[_Edit], Field(min_length=1, max_length=MOST_EDITS)]


def corrected_truth(before: Truth, passes: Mapping[str, Any], samples: int) -> Truth:
    """Return passes as the page sends them, with what the table before says of itself.

    Where any border is another one the passes are self-labelled: it was set by the light on the page.
    Raises TruthError if they are no passes of a recording of so many samples.
    """
    given = check(_Passes, passes, "corrected passes", TruthError)
    try:
        after = Truth.from_arrays(given.start, given.end, detect=given.detect, label=given.label, lot=given.lot)
        after.check_inside(samples)
    except (OverflowError, TruthError) as fault:
        raise TruthError(f"corrected passes: {fault}") from None
    same = np.array_equal(after.start, before.start) and np.array_equal(after.end, before.end)
    return replace(
        before, start=after.start, end=after.end, detect=after.detect, label=after.label, lot=after.lot,
        source=before.source if same else TruthSource.SELF_LABELLED,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class CorrectedPasses:
    """Where corrections of one table go: new files beside it, never the old one.

    `stem`: name of the recording without its ending.
    """

    folder: str
    stem: str
    table: str

    def write(self, truth: Truth, edits: object) -> str:
        """Write passes with their history as the next free ``NAME.corrected-K.passes.parquet``; return its name.

        Raises InputError if the history is none, or the file cannot be written; then nothing is.
        """
        kept = check(_Edits, {"edits": edits}, "history", TruthError).model_dump(by_alias=True)["edits"]
        digest = hashlib.sha256(read_current(self.table, lambda place: place.read_bytes())).hexdigest()
        history = {
            "schema": 1, "from": {"file": os.path.basename(self.table), "sha256": digest}, "edits": kept,
            "before": read_history(self.table),
        }  # fmt: skip
        for k in range(1, MOST_NAMES):
            path = Path(self.folder) / f"{self.stem}.corrected-{k}.passes.parquet"
            if not path.exists() and not current(path).exists():
                check_target(path)
                write_truth(path, truth, history=history)
                return str(path)
        raise TruthError(f"{self.folder}: there are {MOST_NAMES:,} corrected tables. Move some away.")
