"""The recordings of a log, one a channel, written while its rows come."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from typing import Any, Self

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from teachlab.data.atomic_files import changed
from teachlab.data.importing.reading.cells import to_arrays
from teachlab.data.importing.request import ImportJob
from teachlab.data.importing.survey import Rows, Survey
from teachlab.data.importing.times.time_axis import TimeReport
from teachlab.data.recording_files import GROUP_ROWS, RecordingWriter
from teachlab.model.recording import RecordingInfo

NO_TIME = np.iinfo(np.int64).min
NO_ROWS = np.empty(0, np.int64)


def places_of(job: ImportJob) -> tuple[str, ...]:
    """Return the recordings to write: one per channel."""
    if not job.more_columns:
        return (job.out,)
    stem = job.out[: -len(".parquet")]
    columns = (job.column or "light", *job.more_columns)
    names = [re.sub(r"[^\w.+-]+", "_", name).strip("_") or str(k) for k, name in enumerate(columns, 1)]
    if len(set(names)) < len(names):
        names = [f"{k}-{name}" for k, name in enumerate(names, 1)]
    return tuple(f"{stem}-{name}.parquet" for name in names)


class Recordings:
    """Writes the recordings of a log.

    How a row lies in its recording may depend on later rows: the type of light that was written as text is that of all
    rows, and how many samples lie in a gap is known with the rate, by the last row. What was written then does not
    hold, and all rows are written again.
    `survey`: has taken the rows into account that are appended.
    `about`: further metadata of the files.
    `at_once`: whether to write rows as they are appended; else all of them by `finish`.
    `hold`: whether what was written so far holds, as far as the rows show.
    """

    def __init__(self, job: ImportJob, survey: Survey, about: dict[bytes, bytes], *, at_once: bool) -> None:
        self._job, self._survey, self._about, self.hold = job, survey, about, at_once
        self._writers: list[RecordingWriter] = []
        self._form: object = None
        self._leaving = ExitStack()

    def append(self, rows: Rows) -> None:
        """Write the next rows, as long as what was written holds."""
        if self.hold and not self._writers:
            self._begin()
        self.hold = self.hold and self._form == self._found() and not (self._survey.axis and self._survey.axis.has_gaps)
        if self.hold:
            self._write(rows, 0, NO_ROWS, NO_ROWS)
        else:
            self._give_up()

    def finish(
        self,
        infos: Sequence[RecordingInfo],
        axis: TimeReport | None,
        again: Callable[[], Iterator[Rows]],
        progress: Callable[[float], None],
    ) -> list[str]:
        """Complete the recordings, after the last row; return the digest of each.

        `axis`: with the gaps.
        `again`: iterates over all rows once more; called only if they must be written again.
        `progress`: takes the share that is written again.
        """
        gap_rows, missing = (NO_ROWS, NO_ROWS) if axis is None else (axis.gap_rows, axis.missing)
        if not self.hold or gap_rows.size or self._form != self._found():
            self._give_up()
            self._begin()
            row = 0
            for rows in again():
                row += self._write(rows, row, gap_rows, missing)
                progress(row / self._survey.rows)
            if row != self._survey.rows:
                raise changed(self._job.path)
        for writer, info in zip(self._writers, infos, strict=True):
            writer.tell(info)
            writer.close()
        return [str(writer.digest) for writer in self._writers]

    @property
    def place(self) -> str:
        """Where the first recording lies, complete, until it appears under its name."""
        return str(self._writers[0].aside)

    def _found(self) -> tuple[Any, ...]:
        """Return what decides the types of the columns, as far as the rows show."""
        return ([kind.dtype for kind in self._survey.lights], self._time_type())

    def _time_type(self) -> Any:
        stamps = self._survey.stamps
        if stamps is None:
            return None
        if not stamps.absolute:
            return pa.duration("ns")
        return pa.timestamp("ns", (self._job.time_zone or "UTC") if stamps.aware else None)

    def _begin(self) -> None:
        self._form = dtypes, time = self._found()
        self._writers = [
            self._leaving.enter_context(RecordingWriter(path, self._job.described, dtype, time=time, about=self._about))
            for path, dtype in zip(places_of(self._job), dtypes, strict=True)
        ]

    def _give_up(self) -> None:
        for writer in self._writers:
            writer.abort()
        self._writers = []

    def _write(self, rows: Rows, row: int, gap_rows: NDArray[np.int64], missing: NDArray[np.int64]) -> int:
        """Write a batch, the first of it being this row of the log, with invalid samples in its gaps."""
        shared: dict[str, Any] = {
            name: rows[name].to_numpy(zero_copy_only=False) for name in ("output", "time") if name in rows
        }
        for k, writer in enumerate(self._writers):
            light, invalid = to_arrays(rows[f"light{k}"], writer.dtype)
            whole = {"light": light, **shared} | ({} if invalid is None else {"invalid": invalid})
            a = 0
            for gap in range(*np.searchsorted(gap_rows, [row, row + light.size]).tolist()):
                b = int(gap_rows[gap]) - row
                writer.append(**{name: column[a:b] for name, column in whole.items()})
                for rest in range(int(missing[gap]), 0, -GROUP_ROWS):
                    writer.append(**_filler(whole, min(rest, GROUP_ROWS)))
                a = b
            writer.append(**{name: column[a:] for name, column in whole.items()})
        return len(rows["light0"])

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *fault: Any) -> None:
        self._leaving.__exit__(*fault)


def _filler(like: dict[str, Any], samples: int) -> dict[str, Any]:
    """Return so many invalid samples, in the columns and types of others."""
    filler = {name: np.zeros(samples, column.dtype) for name, column in like.items()}
    filler["invalid"] = np.ones(samples, bool)
    if "time" in filler:
        filler["time"] = np.full(samples, NO_TIME)
    return filler
