"""What to import and how."""

from __future__ import annotations

from dataclasses import dataclass, field

from teachlab.data.importing.interval_table import Counted
from teachlab.data.importing.text_log import TextOptions
from teachlab.data.importing.truth_columns import TruthKind
from teachlab.model.recording import RecordingInfo
from teachlab.model.truth import TruthSource


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportJob:
    """What to import and how; None is found from the log.

    Parameters
    ----------
    path : str
        The log.
    out : str
        The recording to write, ``NAME.parquet``.
    info : RecordingInfo
        Its metadata; the rate in it counts only if `rate_hz` is given.
    rate_hz : float, Hz, optional
        Sample rate; found from the time column, or from a WAV file.
    column : str, optional
        Column of the light: a name, or a number counted from 1; default `light`, or the only one.
    time : str, optional
        Column of the times; default `time` if there is one.
    no_time : bool
        Do not look at times.
    time_unit : str
        Of times that are numbers: s, ms, us, ns, min, h, d.
    fill_gaps : bool
        Fill gaps in time with invalid samples.
    truth_column : str, optional
        Column that says when an object is in view.
    truth_kind : TruthKind
        What it holds.
    passes : str, optional
        Table of intervals: CSV or Parquet.
    passes_in : Counted
        What its positions count.
    pass_start, pass_end : str
        Its columns.
    ignore : tuple of str
        Labels of passes that must not be detected.
    source : TruthSource, optional
        Where the passes come from; default as the table says, else independent.
    uncertainty_samples : float, samples, optional
        Of their borders.
    text : TextOptions
        How a text log is laid out.
    """

    path: str
    out: str
    info: RecordingInfo
    rate_hz: float | None = None
    column: str | None = None
    time: str | None = None
    no_time: bool = False
    time_unit: str = "s"
    fill_gaps: bool = False
    truth_column: str | None = None
    truth_kind: TruthKind = TruthKind.AUTO
    passes: str | None = None
    passes_in: Counted = Counted.SAMPLES
    pass_start: str = "start"
    pass_end: str = "end"
    ignore: tuple[str, ...] = ()
    source: TruthSource | None = None
    uncertainty_samples: float | None = None
    text: TextOptions = field(default_factory=TextOptions)
