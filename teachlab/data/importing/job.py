"""One import: read the log, check all of it, and write the recordings meanwhile."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from teachlab.data.addresses import ending_of, same_file
from teachlab.data.alignment.shift import ClockShift, shifted
from teachlab.data.atomic_files import one_result
from teachlab.data.border_doubt import BorderDoubt
from teachlab.data.importing.imported import Imported
from teachlab.data.importing.instants import borders_from_light
from teachlab.data.importing.interval_table import CountedIn, LogTimes, read_excepted, read_intervals
from teachlab.data.importing.line_signals import LinePosition, passes_of_signal
from teachlab.data.importing.part import import_part
from teachlab.data.importing.reading.arrow_log import SINCE, ArrowLog, HeadBegin, since_1970
from teachlab.data.importing.reading.cells import StoredType
from teachlab.data.importing.reading.logs import open_log
from teachlab.data.importing.reading.place import Place
from teachlab.data.importing.reading.text_layout import UNITS, Layout, rate_said, time_unit_in, unit_in_name
from teachlab.data.importing.reading.text_log import STANDARD_INPUT, Log, TextLog
from teachlab.data.importing.recordings import Recordings, places_of
from teachlab.data.importing.request import ImportJob
from teachlab.data.importing.spool import Spool, layout_from, unfinished_name
from teachlab.data.importing.survey import Rows, Survey
from teachlab.data.importing.times.time_axis import RATE_TOLERANCE, TimeReport
from teachlab.data.importing.times.time_stamps import NANOSECONDS, origin_of
from teachlab.data.importing.truth_columns import RowPasses, ignored, in_samples, names_at
from teachlab.data.importing.unit_of_passes import CountedPasses, ReadTable, doubt_of_unit, inside, other_readings
from teachlab.data.quality.labelling import CLEAR_MINORITY
from teachlab.data.recording_files import GROUP_ROWS, read_recording
from teachlab.data.strict_json import shown
from teachlab.data.truth_files import beside, find_truth, read_table, write_truth
from teachlab.errors import InputError, ParameterError, TruthError
from teachlab.model.printable_text import in_figures, number_of
from teachlab.model.recording import RecordingInfo, keep_freed_memory
from teachlab.model.truth import Aligned, Truth, joined

Progress = Callable[[float], None]
IMPORT_KEY = b"teachlab.import"
"""Metadata of a recording with the layout of its log, so that the rest of the log can be appended."""
SLOWEST_UNTOLD_HZ, SLOWEST_DATED_HZ, FASTEST_UNTOLD_HZ = 20.0, 1.0, 1e7
"""At or beyond these rates the unit of times must be stated; what would be 2 Hz in seconds may well be 2 kHz in ms."""
RATE_SAID_TOLERANCE = 0.01
FASTEST_HZ = 1e9
LATEST_NS = 2**63 - 1 - 10**15
"""Nanoseconds since 1970, less the days that a zone may add."""
SHEETS_HZ = 1e4
"""Above this rate, times that would be dates as days, or come from a sheet, may be days."""


def import_log(job: ImportJob, *, progress: Progress = lambda share: None) -> Imported:
    """Turn a log into a recording, and its truth if there is one; several channels give several recordings.

    A file is read once, block by block, and its recordings are written meanwhile; only where later rows show that
    earlier ones must lie otherwise is it read again. Rows from a pipe wait in ``NAME.parquet.unfinished`` until the
    last one is checked, and are kept there if the run ends early. `append` continues from them, or from a recording
    that was written. Nothing is resampled, and no recording appears if anything is wrong. With `from_s` or `to_s`, a
    recording and its passes are cut instead.
    Raises InputError with file, column, row and value.
    """
    _check_job(job)
    keep_freed_memory()
    if job.is_part:
        return import_part(job, progress)
    if job.path != STANDARD_INPUT:
        return _imported(job, None, progress)
    with Spool(job.out) as spool:
        done = _imported(job, spool, progress)
        spool.discard()
    return done


def _imported(job: ImportJob, spool: Spool | None, progress: Progress) -> Imported:
    """Import a log whose rows are kept in a spool, or can be read again."""
    earlier, layout = _earlier(job, spool)
    log = open_log(job.path, job.text, layout=layout)
    text = log.layout if isinstance(log, TextLog) else None
    about = {} if text is None else {IMPORT_KEY: json.dumps({"schema": 1, "layout": asdict(text)}).encode()}

    def again() -> Iterator[Rows]:
        if spool is not None:
            yield from spool.batches()
            return
        once_more = log if isinstance(log, ArrowLog) else open_log(job.path, job.text, layout=layout)
        with closing(once_more):
            rest = Survey(once_more, job)
            for rows in chain(earlier(), rest.understand()):
                rest.pass_over(rows)
                yield rows

    with closing(log), one_result():
        survey = Survey(log, job)
        with Recordings(job, survey, about, at_once=spool is None and not job.append) as recordings:
            for rows in earlier():
                survey.take(rows)
                recordings.append(rows)
            kept = survey.rows
            once = 0.0  # up to this share, rows need not be written again
            for rows in survey.understand():
                survey.take(rows)
                if spool is not None:
                    spool.write(rows, text)
                recordings.append(rows)
                once = log.share if recordings.hold else once
                progress((once + log.share) / 2)
            if survey.rows == kept:  # earlier rows alone do not tell what their times count from
                further = "further " if kept else ""
                raise InputError(f"{job.path}: there are no {further}rows. Give a log with samples.")
            begun = (1 + once) / 2
            found = _finish(
                job, log, survey, recordings, again, lambda share: progress(begun + (1 - begun) * share), kept
            )
    progress(1.0)
    return replace(found, kept=kept)


def kept_rows(out: str) -> int:
    """Return how many rows from a pipe are kept for a recording that is not yet written."""
    if not Path(unfinished_name(out)).exists():
        return 0
    with Spool(out) as spool:
        return spool.rows


def _check_job(job: ImportJob) -> None:
    if ending_of(job.out) != ".parquet":
        raise ParameterError(f"--out must end in .parquet, got '{job.out}'.")
    has_truth = job.truth_column is not None or job.passes is not None
    without = "name --truth-column or --passes."
    for wrong, said in (
        (
            job.truth_column is not None and job.passes is not None,
            "passes come from --truth-column or from --passes, not from both. Choose one.",
        ),
        (job.ignore and not has_truth, f"--ignore needs passes: {without}"),
        (job.lot_column is not None and not has_truth, f"--lot-column names the lots of passes: {without}"),
        (job.excepted is not None and not has_truth, f"--except is kept with the passes: {without}"),
        (not _zone_is_known(job.time_zone), f"--time-zone '{job.time_zone}' is not known. Give a name such as "
         "Europe/Berlin or UTC."),
        (
            "%p" in (form := job.time_format or "") and "%I" not in form,
            f"--time-format '{form}' takes hours of 24 (%H) and leaves AM and PM (%p) out. Write %I for %H.",
        ),
        (
            "%I" in form and "%p" not in form,
            f"--time-format '{form}' takes hours of 12 (%I) without AM or PM (%p): morning and afternoon would be one. "
            "Write %H for %I if the day has 24 hours, or add %p.",
        ),
        (job.no_time and job.time is not None, "--time and --no-time contradict each other. Choose one."),
        (
            job.pass_ms is not None and (job.passes is None or not job.pass_ms > 0),
            f"--pass-ms is the length of the passes of a table (--passes), above 0, got {job.pass_ms or 0:g}.",
        ),
        (
            job.borders_from_light and job.passes is None,
            "--borders-from-light needs a table with one time per product (--passes).",
        ),
        (
            job.truth_level is not None and job.truth_column is None,
            "--truth-level splits a column: name it with --truth-column.",
        ),
        (
            job.path == STANDARD_INPUT and (job.text.skip or job.text.header is False) and job.append,
            "--append knows the layout of the text already. Leave --skip and --no-header out.",
        ),
        (
            (job.shift_ms or job.clock_ppm) and not has_truth,
            f"--shift-ms and --clock-ppm set the clock of passes: {without}",
        ),
    ):  # fmt: skip
        if wrong:
            raise ParameterError(said)
    for out in places_of(job):
        _check_place(job, out, has_truth=has_truth or (job.is_part and find_truth(job.path) is not None))


def _zone_is_known(name: str | None) -> bool:
    try:
        return name is None or bool(ZoneInfo(name))
    except (OSError, ValueError, KeyError):
        return False


def _check_place(job: ImportJob, out: str, *, has_truth: bool) -> None:
    """Refuse results in the place of an input, and a table of other passes beside the recording."""
    named = (("the log", job.path), ("the table of passes", job.passes), ("the table of --except", job.excepted))
    for name, given in named:
        for target in (out, beside(out, ".passes.parquet")):
            if given is not None and same_file(given, target):
                raise ParameterError(f"{target}: this is {name} itself, and inputs are never modified. Choose --out.")
    for ending in (".passes.csv",) if has_truth else (".passes.csv", ".passes.parquet"):
        stale = beside(out, ending)
        if Path(stale).exists():
            raise TruthError(
                f"{stale}: this table of passes lies beside --out already and would be taken for the new "
                "recording's. Remove it, or choose another --out."
            )


def _earlier(job: ImportJob, spool: Spool | None) -> tuple[Callable[[], Iterator[Rows]], Layout | None]:
    """Return the rows of an earlier run, which come first, and the layout of its text; rows of a spool are in it."""
    if spool is not None and spool.rows and not job.append:
        raise ParameterError(
            f"{spool.name} keeps {number_of(spool.rows, 'row')} of a run that ended early. Go on from them with "
            "--append, or remove the file."
        )
    outs = places_of(job)
    layout = None if spool is None else spool.layout
    if job.append and not (spool is not None and spool.rows) and Path(outs[0]).exists():
        if not {job.truth_column, job.lot_column, job.encoder_column} <= {None}:
            raise ParameterError(
                f"{outs[0]}: the recording is finished, and the columns that passes, lots and positions came from are "
                "not kept in it. Import the whole log again, or bring passes as a table (--passes)."
            )
        stored = (pq.read_metadata(outs[0]).metadata or {}).get(IMPORT_KEY)
        layout = None if stored is None else layout_from(json.loads(stored)["layout"])
        if spool is None:
            return lambda: _rows_of(outs), layout
        for rows in _rows_of(outs):
            spool.write(rows, layout)
    return (lambda: iter(())) if spool is None else spool.batches, layout


def _rows_of(outs: Sequence[str]) -> Iterator[Rows]:
    """Yield the rows of finished recordings, of one channel each."""
    files = [pq.ParquetFile(out) for out in outs]
    for batches in zip(*(file.iter_batches(batch_size=GROUP_ROWS) for file in files), strict=True):
        rows = {f"light{k}": batch.column("light") for k, batch in enumerate(batches)}
        names = batches[0].schema.names
        if "output" in names:
            rows["output"] = batches[0].column("output")
        if "time" in names:
            times = batches[0].column("time")
            rows["time"] = times.cast(pa.int64())
            known = times.is_valid()  # gaps were filled with samples that have no time
            rows = {name: column.filter(known) for name, column in rows.items()}
        yield rows


@dataclass(frozen=True, slots=True, kw_only=True)
class _ReadLog:
    """A log after its last row: what was asked, and what was found in it.

    `axis` is None without times, `position` None without an encoder.
    `begun`: time of the first row, ns since 1970, and whether its zone is known.
    `table`: of passes, with its metadata; read once, as it may come through a pipe.
    """

    job: ImportJob
    log: Log
    survey: Survey
    axis: TimeReport | None
    rate_hz: float
    position: LinePosition | None
    begun: tuple[int, bool] | None
    table: tuple[pa.Table, Any] | None

    @property
    def filled(self) -> int:
        """Samples that stand for missing rows."""
        return 0 if self.axis is None else self.axis.filled

    @property
    def samples(self) -> int:
        """Samples of the recording."""
        return self.survey.rows + self.filled


def _finish(
    job: ImportJob,
    log: Log,
    survey: Survey,
    recordings: Recordings,
    again: Callable[[], Iterator[Rows]],
    progress: Progress,
    kept: int,
) -> Imported:
    """Find rate and passes, and complete the recordings."""
    axis = survey.axis.finish(fill_gaps=job.fill_gaps) if survey.axis is not None else None
    rate, rate_from = _rate(job, log, axis)
    _check_unit_of_times(job, log, survey, axis, rate)
    position = None
    if survey.position_at is not None:
        position = LinePosition.of_counts(np.concatenate(survey.positions), job.encoder_mm, rate)
    begun = _begun(job, log, survey, rate, kept)
    table = None if job.passes is None else read_table(job.passes)
    read = _ReadLog(
        job=job, log=log, survey=survey, axis=axis, rate_hz=rate, position=position, begun=begun, table=table
    )
    info, notes = _described(read)
    truth, doubt, unread = _truth(read)
    outs = places_of(job)
    truth_paths = [None if truth is None else beside(out, ".passes.parquet") for out in outs]
    told = [replace(info, unit=_unit(read, k)) for k in range(len(outs))]
    for k, light in enumerate(survey.lights):
        if light.invalid == survey.rows:
            raise InputError(
                f"{job.path}: no row of column '{log.columns[survey.lights_at[k]]}' holds a number ({survey.rows:,} "
                "rows are empty or NaN). Name the column of the light with --column, or log again."
            )
        if light.beyond:
            notes.append(
                f"{number_of(light.beyond, 'sample')} of column '{log.columns[survey.lights_at[k]]}' "
                f"{'is' if light.beyond == 1 else 'are'} infinite or beyond 10^30, and will switch the output. If such "
                "a number stands for no value: --missing NUMBER."
            )
        notes += _codes(job, light, log.columns[survey.lights_at[k]], survey.rows)
    digests = recordings.finish(told, axis, again, progress)
    if truth is not None:
        if truth.detect_passes == 0:
            notes.append(_nothing_to_detect(read, truth))
        truth, doubt, more = _placed(read, truth, doubt, unread, recordings.place)
        notes += more
        for path, digest in zip(truth_paths, digests, strict=True):
            write_truth(str(path), truth.tied_to(digest))
    channels = [
        Imported(
            recording=out,
            truth_path=path,
            info=told[k],
            rows=survey.rows,
            samples=read.samples,
            invalid=survey.lights[k].invalid + read.filled,
            filled=read.filled,
            dtype=str(survey.lights[k].dtype),
            column=log.columns[survey.lights_at[k]],
            time_column=None if survey.time_at is None else log.columns[survey.time_at],
            rate_from=rate_from,
            time=axis,
            truth=truth,
            doubt=doubt,
            notes=tuple(notes),
            began="" if begun is None else _date(*begun),
        )
        for k, (out, path) in enumerate(zip(outs, truth_paths, strict=True))
    ]
    return replace(channels[0], also=tuple(channels[1:]))


def _codes(job: ImportJob, light: StoredType, column: str, rows: int) -> list[str]:
    """Say which numbers of the light may be codes for no value: one that lies alone, and what exceeds full scale."""
    notes, top = [], light.highest.end
    if (found := light.apart(rows)) is not None:
        one, low, high = found
        code = f"{one.sign * one.end!r}".removesuffix(".0")
        notes.append(
            f"{number_of(one.count, 'sample')} of column '{column}' {'is' if one.count == 1 else 'are'} {code}; all "
            f"others lie between {low:.9g} and {high:.9g}. If that number stands for no value: --missing={code}."
        )
    if job.info.full_scale is not None and top > job.info.full_scale:
        notes.append(
            f"Column '{column}' goes up to {top:.9g}, beyond the full scale of {job.info.full_scale:.9g}. Correct "
            "--full-scale, or leave out what stands for no value by --missing."
        )
    return notes


def _described(read: _ReadLog) -> tuple[RecordingInfo, list[str]]:
    """Return what is known of the recording, and the notes on the log."""
    job, log, survey = read.job, read.log, read.survey
    info = replace(job.described, sample_rate_hz=read.rate_hz, unit=_unit(read, 0), began=_began(job, begun=read.begun))
    notes = [
        *log.notes,
        *survey.notes,
        *survey.missing_rows,
        *(survey.stamps.notes if survey.stamps is not None else ()),
    ]
    if survey.output_missing:
        notes.append(
            f"{number_of(survey.output_missing, 'value')} of the sensor's output missing: each is taken as the one "
            "before."
        )
    if read.position is not None:
        speed, low, high = read.position.speed_m_s
        notes.append(
            f"The line ran at {speed:.4g} m/s (median over its way), {low:.4g} to {high:.4g} m/s for nine tenths of "
            "the time."
        )
        if read.position.back_mm:
            seconds = read.position.back_row / read.rate_hz
            notes.append(
                f"The line ran back by up to {in_figures(read.position.back_mm)} mm, first at {in_figures(seconds)} s: "
                "the sensor sees what comes back twice. Leave that time out with --except."
            )
        info = replace(info, line_speed_m_s=info.line_speed_m_s or speed or None)
    if read.axis is not None and read.axis.wander:
        beside = read.axis.wander
        notes.append(
            f"The rows are read as evenly spaced at {in_figures(read.rate_hz, 6)} Hz, and their times lie up to "
            f"{in_figures(1000 * beside / read.rate_hz)} ms ({number_of(round(beside), 'sample')}) beside that: the "
            "clock wandered, or the rate changed. Passes of another clock may lie as far beside the light."
        )
    hint = log.rate_hint or ("" if log.rate_hz is None else f"{log.rate_hz:.9g} Hz")
    said = log.rate_hz or rate_said(hint)
    if said is not None and abs(said / read.rate_hz - 1) > RATE_SAID_TOLERANCE:
        notes.append(
            f"The log says {shown(hint)}, but the rate used is {read.rate_hz:.9g} Hz "
            f"({'from the times' if read.axis is not None else '--rate'}). Which is right?"
        )
    if isinstance(log, TextLog) and log.comments:
        notes.append(f"{number_of(log.comments, 'comment line')} among the rows left out.")
    return info, notes


def _placed(
    read: _ReadLog, truth: Truth, doubt: BorderDoubt | None, unread: list[str], recording: str
) -> tuple[Truth, BorderDoubt | None, list[str]]:
    """Return passes on the clock of the light, with the borders and exceptions that were asked for, and notes."""
    job, notes = read.job, list[str]()
    if job.passes is not None and truth.passes:
        others = other_readings(partial(_intervals, read), _counted(job), read.samples)
        notes += filter(None, [doubt_of_unit(
            read_recording(recording), CountedPasses(_counted(job), truth, read.samples), others, job.passes,
            stated=job.passes_in is not None, borders=not job.borders_from_light,
        )])  # fmt: skip
    if job.truth_column is not None and read.survey.truth is not None and truth.passes:
        share = float((truth.end - truth.start).sum()) / read.samples
        if share > 1 - CLEAR_MINORITY:
            notes.append(
                f"Column '{read.log.columns[read.survey.truth_at or 0]}' has an object in view for {100 * share:.0f} % "
                "of the time. If it says the opposite: --truth-kind level takes the rarer side for objects."
            )
    if job.shift_ms or job.clock_ppm:
        clocks = ClockShift(read.samples, job.shift_ms * read.rate_hz / 1000, job.clock_ppm * 1e-6)
        truth, gone = shifted(replace(truth, aligned=Aligned(job.shift_ms, job.clock_ppm)), clocks)
        if gone:
            notes.append(
                f"{number_of(gone, 'pass', 'passes')} left out: outside of the recording when their clock was set."
            )
    if job.borders_from_light and truth.passes:
        truth, said = borders_from_light(read_recording(recording), truth, job.passes or job.path)
        doubt = BorderDoubt(truth.uncertainty_samples, "no crossing of the light is known better than one sample")
        notes.append(said)
    if unread:
        few = unread[:6]
        names = ", ".join(f"'{name}'" for name in few) + (" …" if len(unread) > len(few) else "")
        notes.append(
            f"{job.passes}: not used: {names}. The kind of a product is read from a column 'label', its shift, pallet "
            "or batch from a column 'lot': rename what holds them, and import again."
        )
    if job.excepted is not None:
        left_out = read_excepted(job.excepted, counted=_counted(job), samples=read.samples, log=_log_times(read))
        truth = replace(truth, except_=joined([*truth.except_, *left_out]))
    return truth, doubt, notes


def _nothing_to_detect(read: _ReadLog, truth: Truth) -> str:
    """Say that no product passed, as it is told: right for a log of the empty line, and for no other."""
    if truth.passes:
        return (
            f"{number_of(truth.passes, 'pass', 'passes')}, all to be ignored: no product is to be detected. If one is, "
            "correct their column 'expect', or --ignore, and import the log again."
        )
    column = None if read.survey.truth_at is None else read.log.columns[read.survey.truth_at]
    what = f"{read.job.passes} names no pass" if column is None else f"Column '{column}' names an object in no row"
    mend = "a table that has them" if column is None else "another --truth-column"
    return (
        f"{what}: nothing passed, and every switching will count as a false trip. If products passed, import the log "
        f"again with {mend}, or without passes and label it."
    )


def _begun(job: ImportJob, log: Log, survey: Survey, rate: float, kept: int) -> tuple[int, bool] | None:
    """Return when the first row was logged, ns since 1970, and whether its zone is known; None if nothing tells it.

    Dates in the rows tell it, else the head of the file. Where rows of an earlier run come first, their recording does,
    and what follows must begin where they end.
    """
    stamps = survey.stamps
    if stamps is not None and stamps.absolute:
        return survey.first_ns, stamps.aware
    begin = None if job.no_time else log.begins.get(survey.lights_at[0])
    if survey.time_at is not None and (counted := log.begins.get(survey.time_at)) is not None and counted.of_times:
        begin = replace(counted, at_ns=counted.at_ns + survey.first_ns)
    if begin is not None and not LATEST_NS >= begin.at_ns >= -LATEST_NS:
        raise ParameterError(
            f"{job.path}: its head tells a date of the first sample outside the years 1678 to 2262. Correct it, or say "
            "--no-time."
        )
    found = None if begin is None else _in_zone(begin, job.time_zone)
    if kept == 0 or job.path == STANDARD_INPUT:
        return found
    began = read_recording(places_of(job)[0]).info.began
    before = None if began is None else (since_1970(began), began.tzinfo is not None)
    if begin is not None and not begin.of_times and found is not None and before is not None and found[1] == before[1]:
        apart = (found[0] - before[0]) / 1e9 - kept / rate
        if abs(apart) > max(1.5 / rate, RATE_TOLERANCE * kept / rate):
            raise ParameterError(
                f"{job.path}: it begins {in_figures(abs(apart), 6)} s {'after' if apart > 0 else 'before'} the end of "
                f"{places_of(job)[0]}. Import it by itself, or say --no-time if no sample is missing between them."
            )
    return before


def _in_zone(begin: HeadBegin, zone: str | None) -> tuple[int, bool]:
    """Return when a log began, in UTC if its zone is known or stated."""
    if begin.aware or zone is None:
        return begin.at_ns, begin.aware
    local = (SINCE + timedelta(microseconds=begin.at_ns // 1000)).replace(tzinfo=ZoneInfo(zone))
    return since_1970(local), True


def _began(job: ImportJob, begun: tuple[int, bool] | None) -> datetime | None:
    """Return date and time of the first sample, to the microsecond, in the stated zone."""
    if begun is None:
        return None
    first_ns, aware = begun
    first = SINCE + timedelta(microseconds=first_ns // 1000)
    if not aware:
        return first.replace(tzinfo=None)
    return first if job.time_zone is None else first.astimezone(ZoneInfo(job.time_zone))


def _date(first_ns: int, aware: bool) -> str:
    whole = str(np.datetime64(first_ns, "ns"))
    return whole.rstrip("0").rstrip(".") + ("Z" if aware else "")


def _unit(read: _ReadLog, k: int) -> str:
    job, log, survey = read.job, read.log, read.survey
    found = survey.unit_of(survey.lights_at[k]) or unit_in_name(log.columns[survey.lights_at[k]])
    if job.unit_given:
        if found and found.lower() != job.info.unit.lower():
            note = f"The log gives the light in '{found}', --unit says '{job.info.unit}'. Its numbers are not changed."
            if note not in survey.notes:
                survey.notes.append(note)
        return job.info.unit
    if not found:
        raise ParameterError(
            f"{job.path}: the unit of column '{log.columns[survey.lights_at[k]]}' is not known. Give --unit mV, for "
            "example."
        )
    if found.lower() not in UNITS:
        note = f"The unit of column '{log.columns[survey.lights_at[k]]}' is taken as '{found}'; state it with --unit."
        if note not in survey.notes:
            survey.notes.append(note)
    return found


def _rate(job: ImportJob, log: Log, axis: TimeReport | None) -> tuple[float, str]:
    known = log.rate_hz
    if known is not None and not known <= FASTEST_HZ:
        raise ParameterError(
            f"{job.path}: its header says {known:.9g} Hz, more than the {FASTEST_HZ:,.0f} Hz that a log may have. The "
            "file is damaged; copy it again."
        )
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
    hint = f" The log may say it: {shown(log.rate_hint)}." if log.rate_hint else ""
    raise ParameterError(
        f"{job.path}: the sample rate is not known. Give --rate HZ, or name a column of times with --time.{hint}"
    )


def _check_unit_of_times(job: ImportJob, log: Log, survey: Survey, axis: TimeReport | None, rate: float) -> None:
    """Refuse an implausible sample rate if it depends on a unit that was not stated."""
    stamps = survey.stamps
    if axis is None or stamps is None or stamps.unit is None or axis.rate_from == "given":
        return
    stated = job.time_unit is not None
    if stated or (stamps.named == stamps.unit and not stamps.by_size and rate <= FASTEST_UNTOLD_HZ):
        if not stated and stamps.named is not None and survey.time_at is not None:
            name = stamps.place.column
            source = "name" if time_unit_in(name) == stamps.unit else "unit"
            survey.notes.append(
                f"The numbers in column '{name}' are read as {stamps.unit} (from its {source}; state it with "
                f"--time-unit {stamps.unit})."
            )
        return
    named = "" if survey.time_at is None or stamps.by_size else survey.unit_of(survey.time_at)
    strange = named if stamps.named is None and re.search(r"[^\W\d_]", named) else ""
    # Days as sheets count them, or as MATLAB does; a few hours, too, are as many seconds as there are days since 1970.
    since = origin_of("d", survey.first_ns / 1e9)
    dated = log.is_sheet or (since is not None and since.days > 0)
    days = stamps.unit == "s" and rate > (SHEETS_HZ if dated else FASTEST_UNTOLD_HZ)
    slowest = SLOWEST_DATED_HZ if stamps.by_size else SLOWEST_UNTOLD_HZ
    if days or strange or not slowest < rate <= FASTEST_UNTOLD_HZ:
        others = [
            f"{in_figures(rate * NANOSECONDS[stamps.unit] / NANOSECONDS[unit], 6)} Hz as {unit}"
            for unit in ("s", "ms", "us", "ns", *(["d"] if days or rate > FASTEST_UNTOLD_HZ else []))
            if unit != stamps.unit and rate * NANOSECONDS[stamps.unit] / NANOSECONDS[unit] <= 1e9
        ]
        what = f", {shown(strange)}," if strange else ""
        raise ParameterError(
            f"{stamps.place(0)}: the unit of the times{what} is not known; as {stamps.unit} they would say "
            f"{in_figures(rate, 6)} Hz, {', '.join(others)}. Name it: --time-unit."
        )
    if not stamps.by_size:
        survey.notes.append("The times name no unit and are read as s (state it with --time-unit s).")


def _log_times(read: _ReadLog) -> LogTimes:
    job, survey, axis, rate, position = read.job, read.survey, read.axis, read.rate_hz, read.position

    def samples_at(millimetres: NDArray[np.float64], place: Place) -> NDArray[np.float64]:
        rows = position.rows_at(millimetres, place)  # type: ignore[union-attr]
        if axis is None:
            return rows
        whole = np.floor(rows).astype(np.int64)
        samples: NDArray[np.float64] = in_samples(whole, axis.gap_rows, axis.missing).astype(np.float64)
        samples += rows - whole
        return samples

    return LogTimes(
        rate_hz=rate,
        axis=axis,
        stamps=survey.stamps,
        first_ns=survey.first_ns,
        begun=read.begun,
        samples_at=None if position is None else samples_at,
        time_zone=job.time_zone,
        time_format=job.time_format,
        # Without a length, an instant is two samples long until the light gives it borders.
        pass_ms=2000 / rate if job.borders_from_light and job.pass_ms is None else job.pass_ms,
    )


def _truth(read: _ReadLog) -> tuple[Truth | None, BorderDoubt | None, list[str]]:
    """Return the passes, how far their borders may be wrong, and columns of their table that are not read."""
    job, survey, axis = read.job, read.survey, read.axis
    truth: Truth | None = None
    doubt: BorderDoubt | None = None
    rows: RowPasses | None = None
    unread: list[str] = []
    if survey.truth is not None:
        rows = survey.truth.passes()
    elif survey.truth_at is not None:
        try:
            rows = passes_of_signal(survey.signal, survey.rows, job.truth_level, read.log.columns[survey.truth_at])
        except TruthError as fault:
            raise TruthError(f"{job.path}: {fault}") from None
    if rows is not None:
        found = _runs_in_samples(rows, axis)
        truth = Truth.from_arrays(found.start, found.end, label=np.array(found.label, object))
        truth = replace(truth, except_=_borders_in_gaps(truth, axis))
        doubt = BorderDoubt.of_rows(truth.start, truth.end)
    elif job.passes is not None:
        truth, doubt, unread = inside(partial(_intervals, read), _counted(job), read.samples, job.passes)
    if truth is None:
        return None, None, []
    changes: dict[str, Any] = {} if doubt is None else {"uncertainty_samples": doubt.samples}
    if survey.lots is not None:
        if truth.lot is not None and any(truth.lot):
            raise TruthError(
                f"{job.passes}: lots come from this table or from --lot-column, not from both. Choose one."
            )
        changes["lot"] = np.array(names_at(_runs_in_samples(survey.lots.passes(), axis), truth.start), object)
    if job.ignore:
        changes["detect"] = truth.detect & ignored(truth.label.tolist(), job.ignore)
    if job.source is not None:
        changes["source"] = job.source
    if job.uncertainty_samples is not None:
        changes["uncertainty_samples"], doubt = job.uncertainty_samples, None
    return replace(truth, **changes), doubt, unread


def _counted(job: ImportJob) -> CountedIn:
    return job.passes_in or CountedIn.SAMPLES


def _intervals(read: _ReadLog, counted: CountedIn) -> ReadTable:
    """Read the table of passes with its positions in a unit."""
    job = read.job
    end = job.pass_end if job.pass_ms is None and not job.borders_from_light else job.pass_start
    where, log = str(job.passes), _log_times(read)
    return read_intervals(where, counted=counted, start=job.pass_start, end=end, log=log, known=read.table)


def _borders_in_gaps(truth: Truth, axis: TimeReport | None) -> tuple[tuple[int, int], ...]:
    """Return the missing rows at which a pass begins or ends, with a sample on either side.

    Its border lies anywhere in them: the pass and the gap beside it can't be scored.
    """
    if axis is None:
        return ()
    stop = in_samples(axis.gap_rows, axis.gap_rows, axis.missing)
    start = stop - axis.missing
    hidden = np.isin(stop, truth.start) | np.isin(start, truth.end)
    return joined(zip((start[hidden] - 1).tolist(), (stop[hidden] + 1).tolist(), strict=True))


def _runs_in_samples(runs: RowPasses, axis: TimeReport | None) -> RowPasses:
    if axis is None:
        return runs
    gaps = axis.gap_rows, axis.missing
    return replace(runs, start=in_samples(runs.start, *gaps), end=in_samples(runs.end - 1, *gaps) + 1)
