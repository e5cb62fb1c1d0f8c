"""What to import and how."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from teachlab.data.importing.interval_table import CountedIn
from teachlab.data.importing.reading.text_layout import TextOptions
from teachlab.data.importing.truth_columns import TruthKind
from teachlab.model.recording import LoggedOutput, RecordingInfo
from teachlab.model.truth import TruthSource


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportJob:
    """What to import and how; None is found from the log.

    Parameters
    ----------
    path : str
        The log; ``-`` for text from standard input.
    out : str
        The recording to write, ``NAME.parquet``; with several channels one ``NAME-CHANNEL.parquet`` for each.
    info : RecordingInfo
        Its metadata; the rate in it counts only if `rate_hz` is given, and the unit only if `unit_given`.
    unit_given : bool
        Whether the unit was stated; otherwise it is found in the log.
    rate_hz : float, Hz, optional
        Sample rate; otherwise found from the time column, or stated by the format.
    column : str, optional
        Column of the light: a name, or a number counted from 1; default `light`, or the only column.
    more_columns : tuple of str
        Further channels, each a recording of its own.
    time : str, optional
        Column of the times; default `time` if there is one.
    date : str, optional
        Column of the dates, if times of day have their own column.
    time_unit : str, optional
        Unit of times that are numbers: s, ms, us, ns, min, h, d, 100ns.
    time_zone : str, optional
        Zone of dates that state none.
    fill_gaps : bool
        Fill gaps in time with invalid samples.
    append : bool
        Continue where an earlier run ended or was ended.
    truth_column : str, optional
        Column that says when an object is in view.
    truth_level : float, optional
        Level of a second analogue signal at which an object begins.
    lot_column : str, optional
        Column that names the lot: shift, batch … A pass is of the lot of its first row.
    passes : str, optional
        Table of intervals: CSV or Parquet.
    pass_ms : float, ms, optional
        Length of a pass if the table has one time per product, in its middle.
    borders_from_light : bool
        Whether such a pass gets the borders that the light shows near its time: self-labelled.
    shift_ms : float, ms
        By how much the clock of the passes must be set later, in the middle of the log.
    clock_ppm : float, parts per million
        By how much it must be stretched around the middle.
    excepted : str, optional
        Table of stretches that are left out of scoring.
    encoder_column : str, optional
        Column of the encoder: position of the line.
    encoder_mm : float, mm
        Millimetres per encoder step.
    output_level : float, optional
        Level above which it is high, if it is a voltage.
    ignore : tuple of str
        Labels of passes that must not be detected.
    from_s, to_s : float, s, optional
        Of a recording instead of a log: only this part of it is kept, counted from its beginning.
    source : TruthSource, optional
        Where the passes come from; default: as the table states, otherwise independent.
    uncertainty_samples : float, samples, optional
        Uncertainty of their borders.
    """

    path: str
    out: str
    info: RecordingInfo
    unit_given: bool = True
    rate_hz: float | None = None
    column: str | None = None
    more_columns: tuple[str, ...] = ()
    time: str | None = None
    date: str | None = None
    no_time: bool = False
    time_unit: str | None = None
    time_zone: str | None = None
    time_format: str | None = None
    fill_gaps: bool = False
    from_s: float | None = None
    to_s: float | None = None
    append: bool = False
    truth_column: str | None = None
    truth_kind: TruthKind = TruthKind.AUTO
    truth_level: float | None = None
    lot_column: str | None = None
    passes: str | None = None
    passes_in: CountedIn = CountedIn.SAMPLES
    pass_start: str = "start"
    pass_end: str = "end"
    pass_ms: float | None = None
    borders_from_light: bool = False
    shift_ms: float = 0.0
    clock_ppm: float = 0.0
    excepted: str | None = None
    encoder_column: str | None = None
    encoder_mm: float = 1.0
    output_column: str | None = None
    output_level: float | None = None
    ignore: tuple[str, ...] = ()
    source: TruthSource | None = None
    uncertainty_samples: float | None = None
    text: TextOptions = field(default_factory=TextOptions)

    @property
    def is_part(self) -> bool:
        """Whether a part of a recording is kept, and no log is read."""
        return self.from_s is not None or self.to_s is not None

    @property
    def described(self) -> RecordingInfo:
        """The metadata, with an output where one is imported."""
        without = self.output_column is None or self.info.output is not None
        return self.info if without else replace(self.info, output=LoggedOutput())
