"""A part of a recording, with its passes, as a recording of its own."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import MISSING, fields
from pathlib import Path

import numpy as np

from teachlab.data.atomic_files import one_result
from teachlab.data.importing.imported import Imported
from teachlab.data.importing.request import ImportJob
from teachlab.data.opening import open_with_passes
from teachlab.data.parquet_source import open_parquet
from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import beside, write_truth
from teachlab.errors import ParameterError, RecordingError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth


def import_part(job: ImportJob, progress: Callable[[float], None]) -> Imported:
    """Write a part of a recording, and of the passes beside it; a cut inside a pass moves to the next gap outwards.

    Raises InputError if the part does not lie in the recording, or an option says how to read a log.
    """
    own = {"path", "out", "info", "unit_given", "from_s", "to_s"}
    others = [one for one in fields(job) if one.name not in own]
    usual = [one.default if one.default_factory is MISSING else one.default_factory() for one in others]
    name = Path(job.path).name.partition(".")[0]
    plain = RecordingInfo(sample_rate_hz=job.info.sample_rate_hz, unit=job.info.unit, title=job.info.title and name)
    whole, truth = open_with_passes(job.path)
    as_it_is = job.info == plain and not (job.unit_given and job.info.unit != whole.info.unit)
    if not as_it_is or [getattr(job, one.name) for one in others] != usual:
        raise ParameterError("--from and --to take a part of a recording as it is. Leave the other options out.")
    start, stop = _samples(job, whole)
    notes, where = [], None
    if truth is not None:
        asked, (start, stop) = (start, stop), _in_gaps(truth, start, stop, whole.samples)
        if asked != (start, stop):
            a, b = (f"{one / whole.info.sample_rate_hz:.9g} s" for one in (start, stop))
            notes.append(f"The part goes from {a} to {b}: a cut would have divided a pass.")
    part = whole.part(start, stop)
    with one_result():
        digest = write_recording(job.out, part, progress=progress)
        if truth is not None:
            truth, where = truth.within(start, stop).tied_to(digest), beside(job.out, ".passes.parquet")
            write_truth(where, truth)
    footer = open_parquet(job.out, "a recording", RecordingError).metadata
    groups = (footer.row_group(k).column(0).statistics for k in range(footer.num_row_groups))
    began = part.info.began
    return Imported(
        recording=job.out, truth_path=where, info=part.info, rows=part.samples, samples=part.samples,
        invalid=sum(one.null_count for one in groups), filled=0, dtype=str(part.dtype), column="light",
        time_column=None, rate_from=f"as {whole.name}", time=None, truth=truth, doubt=None, notes=tuple(notes),
        began="" if began is None else began.isoformat(),
    )  # fmt: skip


def _samples(job: ImportJob, whole: Recording) -> tuple[int, int]:
    rate, begin = whole.info.sample_rate_hz, job.from_s or 0.0
    end = whole.seconds if job.to_s is None else job.to_s
    if not 0 <= begin < end <= whole.seconds:
        raise ParameterError(
            f"--from and --to must lie in {job.path}, which lasts {whole.seconds:.9g} s, and --from before --to; got "
            f"{begin:.9g} and {end:.9g} s."
        )
    # The first sample at or after a moment; a moment that is written with few digits means the sample beside it.
    start, stop = (math.ceil(round(at * rate, 3)) for at in (begin, end))
    return min(start, max(stop, 1) - 1), max(stop, 1)


def _in_gaps(truth: Truth, start: int, stop: int, samples: int) -> tuple[int, int]:
    """Return the part with every pass that a border divides, as far as the middle of the gap beside it."""
    before, after = np.append(0, truth.end[:-1]), np.append(truth.start[1:], samples)
    for row in np.flatnonzero((truth.start < start) & (truth.end > start))[:1]:
        start = int(before[row] + truth.start[row]) // 2
    for row in np.flatnonzero((truth.start < stop) & (truth.end > stop))[-1:]:
        stop = int(after[row] + truth.end[row] + 1) // 2
    return start, stop
