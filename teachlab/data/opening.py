"""Open a recording together with its passes."""

from __future__ import annotations

from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import find_truth, read_truth
from teachlab.errors import TruthError
from teachlab.model.printable_text import typed_again
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth


def open_with_passes(recording: str, truth: str | None = None) -> tuple[Recording, Truth | None]:
    """Open a recording and the named table of passes, or the table beside it; None if there is none.

    Raises TruthError if the passes were written for another recording.
    """
    opened = read_recording(recording)
    where = truth if truth is not None else find_truth(recording)
    if where is None:
        return opened, None
    passes = read_truth(where)
    check_tie(opened, passes, str(where))
    try:
        passes.check_inside(opened.samples)
    except TruthError as fault:
        raise TruthError(f"{where}: {fault}") from None
    return opened, passes


def check_tie(recording: Recording, truth: Truth, where: str) -> None:
    """Refuse passes that were written for another recording: both digests are in the metadata, and differ."""
    ours, theirs = recording.info.digest, truth.recording_digest
    if ours is not None and theirs is not None and ours != theirs:
        raise TruthError(
            f"{where}: these passes were written for another recording: they name the digest {theirs[:12]}…, "
            f"{recording.name} has {ours[:12]}…. Give the passes of {recording.name}, or open the recording "
            "that these passes belong to."
        )


def open_pair(recording: str, truth: str | None = None) -> tuple[Recording, Truth]:
    """Open a recording and the named passes, or those beside it.

    Raises TruthError if there are none.
    """
    opened, passes = open_with_passes(recording, truth)
    if passes is None:
        raise TruthError(
            f"{recording}: no table of passes lies beside it (NAME.passes.parquet or NAME.passes.csv). "
            f"Put one there, or propose passes with: teachlab label {typed_again(recording)}. Commands for one "
            "recording also take --truth."
        )
    return opened, passes
