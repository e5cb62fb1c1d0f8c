"""Open a recording together with its passes."""

from __future__ import annotations

from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import find_truth, read_truth
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth


def open_with_passes(recording: str, truth: str | None = None) -> tuple[Recording, Truth | None]:
    """Open a recording and the table of passes named, or found beside it; None where there is none."""
    opened = read_recording(recording)
    where = truth if truth is not None else find_truth(recording)
    return opened, None if where is None else read_truth(where, samples=opened.samples)
