"""What light and passes may not be used for, in the same words at the terminal, on the page and in every table."""

from __future__ import annotations

from collections.abc import Sequence

from teachlab.model.printable_text import number_of
from teachlab.model.recording import Origin, Recording
from teachlab.model.truth import Truth, TruthSource

SYNTHETIC = "Synthetic light: no evidence about a real line."
SELF_LABELLED = "The passes are self-labelled: made from this very light. They may tune; they support no claim."
GENERATED = "The passes come from a generator, not from a line."
NOT_TIED = "Passes not tied to the recording: check that they belong to it."


def passes_note(truth: Truth | None) -> str:
    """Return the remarks that every result on these passes needs: self-labelled, not tied, stretches left out."""
    if truth is None:
        return ""
    notes = [SELF_LABELLED] if truth.source is TruthSource.SELF_LABELLED else []
    if truth.recording_digest is None:
        notes.append(NOT_TIED)
    if truth.except_:
        several = number_of(len(truth.except_), "stretch is", "stretches are")
        samples = number_of(sum(end - start for start, end in truth.except_), "sample")
        notes.append(f"{several} left out of scoring, as the passes say: {samples} in all.")
    return " ".join(notes)


def passes_notes(opened: Sequence[tuple[Recording, Truth]]) -> list[str]:
    """Return the remarks on the passes of several recordings: each once, with the names that it is about."""
    about: dict[str, list[str]] = {}
    for recording, truth in opened:
        about.setdefault(passes_note(truth), []).append(recording.name)
    several = len(opened) > 1
    return [f"{', '.join(names)}: {note}" if several else note for note, names in about.items() if note]


def recording_cautions(recording: Recording, truth: Truth) -> list[str]:
    """Return what light and passes may not be used for."""
    found = (
        (recording.info.origin is Origin.SYNTHETIC, SYNTHETIC),
        (truth.source is TruthSource.SELF_LABELLED, SELF_LABELLED),
        (truth.source is TruthSource.GENERATOR, GENERATED),
    )
    return [text for holds, text in found if holds]
