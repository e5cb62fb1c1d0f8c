"""Aligned passes in files: beside a copy of the recording, or alone."""

from __future__ import annotations

import shutil

from teachlab.data.addresses import divided, same_file
from teachlab.data.atomic_files import one_result, write_aside
from teachlab.data.parquet_source import open_input
from teachlab.data.recording_places import PASSES
from teachlab.data.truth_files import beside, find_truth, write_truth
from teachlab.errors import ParameterError, RecordingError
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth


def check_out(out: str, recording: str, truth: str | None) -> None:
    """Refuse, before any work, a name that cannot be written or that is one of the inputs."""
    if not divided(out)[0].lower().endswith((".parquet", ".passes.csv")):
        raise ParameterError(f"--out takes NAME.parquet, or NAME.passes.parquet for the passes alone, got '{out}'.")
    source = find_truth(recording) if truth is None else truth
    for target in {out, _passes_of(out)}:
        for given in (recording, source):
            if given is not None and same_file(str(given), target):
                raise ParameterError(
                    f"{target}: this is an input, and inputs are never modified. Choose another --out."
                )


def write_aligned(out: str, recording: str, opened: Recording, truth: Truth) -> str:
    """Write passes, and before them a copy of the recording unless the name is one of passes; return their name.

    The copy has the bytes of the original: its light is unchanged, and the passes are tied to it.
    """
    target = _passes_of(out)
    with one_result():
        if target != out:
            source = open_input(recording, "a recording", RecordingError)
            with source, write_aside(out) as aside, aside.open("wb") as copy:
                shutil.copyfileobj(source, copy, 1 << 20)
        write_truth(target, truth if opened.info.digest is None else truth.tied_to(opened.info.digest))
    return target


def _passes_of(out: str) -> str:
    return out if divided(out)[0].lower().endswith(PASSES) else beside(out, ".passes.parquet")
