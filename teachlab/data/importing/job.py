"""One import: look at the log once, check all of it, then write the recording."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.atomic_files import one_result
from teachlab.data.border_doubt import BorderDoubt
from teachlab.data.importing.cells import to_arrays, to_numbers
from teachlab.data.importing.interval_table import read_intervals
from teachlab.data.importing.logs import Log, open_log
from teachlab.data.importing.request import ImportJob
from teachlab.data.importing.survey import Survey
from teachlab.data.importing.time_axis import TimeReport
from teachlab.data.importing.truth_columns import ignored, in_samples
from teachlab.data.recording_files import GROUP_ROWS, RecordingWriter
from teachlab.data.truth_files import beside, write_truth
from teachlab.errors import ParameterError, TruthError
from teachlab.model.recording import RecordingInfo
from teachlab.model.truth import Truth

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True, eq=False)
class Imported:
    """What was imported.

    Parameters
    ----------
    recording, truth_path : str
        Files written.
    info : RecordingInfo
    rows, samples, invalid, filled : int
        Rows of the log, samples written, those without a valid value (filled ones included).
    dtype : str
        Stored type.
    column, time_column : str
        Columns read.
    rate_from : str
        ``given``, ``time column`` or ``WAV header``.
    time : TimeReport, optional
    truth : Truth, optional
    doubt : BorderDoubt, optional
        How far its borders may be wrong, as found; None where the table or the user said so.
    notes : tuple of str
        What was found without being told.
    """

    recording: str
    truth_path: str | None
    info: RecordingInfo
    rows: int
    samples: int
    invalid: int
    filled: int
    dtype: str
    column: str
    time_column: str | None
    rate_from: str
    time: TimeReport | None
    truth: Truth | None
    doubt: BorderDoubt | None
    notes: tuple[str, ...]


def import_log(job: ImportJob, *, progress: Progress = lambda share: None) -> Imported:
    """Turn a log into a recording, and its truth if there is one.

    The log is read twice: once to check every row, once to write. Nothing is resampled, and nothing is
    written if anything is wrong.

    Raises
    ------
    InputError
        With file, column, row and value.
    """
    _check_job(job)
    log = open_log(job.path, job.text)
    survey = Survey(log, job)
    survey.run()
    progress(0.5)
    axis = survey.axis.finish(fill_gaps=job.fill_gaps) if survey.axis is not None else None
    rate, rate_from = _rate(job, log, axis)
    info = replace(job.info, sample_rate_hz=rate)
    truth, doubt = _truth(job, survey, axis, rate)
    samples = survey.light.rows + (0 if axis is None else axis.filled)
    if truth is not None:
        try:
            truth.check_inside(samples)
        except TruthError as fault:
            raise TruthError(f"{job.passes or job.path}: {fault}") from None
    truth_path = None if truth is None else beside(job.out, ".passes.parquet")
    with one_result():
        with RecordingWriter(job.out, info, survey.light.dtype) as writer:
            for light, invalid in _pieces(log, survey, axis):
                writer.append(light, invalid)
                progress(0.5 + 0.5 * writer.samples / samples)
        if truth is not None and truth_path is not None:
            write_truth(truth_path, truth.tied_to(writer.digest))
    filled = samples - survey.light.rows
    return Imported(
        recording=job.out,
        truth_path=truth_path,
        info=info,
        rows=survey.light.rows,
        samples=samples,
        invalid=survey.light.invalid + filled,
        filled=filled,
        dtype=str(survey.light.dtype),
        column=log.columns[survey.light_at],
        time_column=None if survey.time_at is None else log.columns[survey.time_at],
        rate_from=rate_from,
        time=axis,
        truth=truth,
        doubt=doubt,
        notes=tuple(survey.notes),
    )


def _check_job(job: ImportJob) -> None:
    if not job.out.lower().endswith(".parquet"):
        raise ParameterError(f"--out must end in .parquet, got '{job.out}'.")
    if job.truth_column is not None and job.passes is not None:
        raise ParameterError("passes come from --truth-column or from --passes, not from both. Choose one.")
    if job.ignore and job.truth_column is None and job.passes is None:
        raise ParameterError("--ignore needs passes: name --truth-column or --passes.")
    if job.no_time and job.time is not None:
        raise ParameterError("--time and --no-time contradict each other. Choose one.")
    for name, given in (("the log", job.path), ("the table of passes", job.passes)):
        for target in (job.out, beside(job.out, ".passes.parquet")):
            if given is not None and _same_file(given, target):
                raise ParameterError(f"{target}: this is {name} itself, and inputs are never modified. Choose --out.")
    has_truth = job.truth_column is not None or job.passes is not None
    for ending in (".passes.csv",) if has_truth else (".passes.csv", ".passes.parquet"):
        stale = beside(job.out, ending)
        if Path(stale).exists():
            raise TruthError(
                f"{stale}: this table of passes lies beside --out already and would be taken for the new recording's. "
                "Remove it, or choose another --out."
            )


def _same_file(a: str, b: str) -> bool:
    return "://" not in a and Path(a).exists() and Path(b).exists() and Path(a).samefile(b)


def _rate(job: ImportJob, log: Log, axis: TimeReport | None) -> tuple[float, str]:
    known = log.rate_hz
    if known is not None and job.rate_hz is not None and abs(known / job.rate_hz - 1) > 1e-9:
        raise ParameterError(
            f"{job.path}: its header says {known:.9g} Hz, but --rate says {job.rate_hz:.9g} Hz. Leave --rate out."
        )
    if axis is not None:
        return axis.rate_hz, axis.rate_from
    if job.rate_hz is not None:
        return job.rate_hz, "given"
    if known is not None:
        return known, "file header"
    raise ParameterError(
        f"{job.path}: the sample rate is not known. Give --rate HZ, or name a column of times with --time."
    )


def _truth(
    job: ImportJob, survey: Survey, axis: TimeReport | None, rate: float
) -> tuple[Truth | None, BorderDoubt | None]:
    truth: Truth | None = None
    doubt: BorderDoubt | None = None
    if survey.truth is not None:
        rows = survey.truth.passes()
        gaps = (np.empty(0, np.int64),) * 2 if axis is None else (axis.gap_rows, axis.missing)
        truth = Truth.from_arrays(
            in_samples(rows.start, *gaps), in_samples(rows.end - 1, *gaps) + 1, label=np.array(rows.label, object)
        )
        doubt = BorderDoubt.of_rows(truth.start, truth.end)
    elif job.passes is not None:
        truth, doubt = read_intervals(
            job.passes,
            counted=job.passes_in,
            start=job.pass_start,
            end=job.pass_end,
            rate_hz=rate,
            axis=axis,
            clockwork=survey.clockwork,
            time_unit=job.time_unit,
        )
    if truth is None:
        return None, None
    changes: dict[str, Any] = {} if doubt is None else {"uncertainty_samples": doubt.samples}
    if job.ignore:
        changes["detect"] = truth.detect & ignored(truth.label.tolist(), job.ignore)
    if job.source is not None:
        changes["source"] = job.source
    if job.uncertainty_samples is not None:
        changes["uncertainty_samples"], doubt = job.uncertainty_samples, None
    return replace(truth, **changes), doubt


def _pieces(log: Log, survey: Survey, axis: TimeReport | None) -> Iterator[tuple[NDArray[Any], NDArray[np.bool_]]]:
    """Read the light again, with invalid samples where the log has gaps."""
    gap_rows = np.empty(0, np.int64) if axis is None else axis.gap_rows
    missing = np.empty(0, np.int64) if axis is None else axis.missing
    row, dtype = 0, survey.light.dtype
    for (cells,) in log.batches([survey.light_at]):
        numbers = to_numbers(cells, bool(survey.decimal_comma), survey.light_place, row)
        light, invalid = to_arrays(numbers, dtype)
        a = 0
        for k in range(*np.searchsorted(gap_rows, [row, row + light.size]).tolist()):
            b = int(gap_rows[k]) - row
            yield light[a:b], invalid[a:b]
            for rest in range(int(missing[k]), 0, -GROUP_ROWS):
                size = min(rest, GROUP_ROWS)
                yield np.zeros(size, dtype), np.ones(size, bool)
            a = b
        yield light[a:], invalid[a:]
        row += light.size
