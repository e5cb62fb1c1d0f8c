"""Open a recording together with its passes."""

from __future__ import annotations

from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import find_truth, read_truth
from teachlab.errors import TruthError
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth


def open_with_passes(recording: str, truth: str | None = None) -> tuple[Recording, Truth | None]:
    """Open a recording and the table of passes named, or found beside it; None where there is none."""
    opened = read_recording(recording)
    where = truth if truth is not None else find_truth(recording)
    return opened, None if where is None else read_truth(where, samples=opened.samples)


def open_pair(recording: str, truth: str | None = None) -> tuple[Recording, Truth]:
    """Open a recording and the passes named, or found beside it.

    Raises
    ------
    TruthError
        If there are none.
    """
    opened, passes = open_with_passes(recording, truth)
    if passes is None:
        raise TruthError(
            f"{recording}: no table of passes lies beside it (NAME.passes.parquet or NAME.passes.csv). "
            f"Name one with --truth, or propose passes with: teachlab label {recording}"
        )
    return opened, passes
