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

    Fields are the options of `teachlab import`, where each is described. These differ from them or say more:
    `out`: with several channels, one ``NAME-CHANNEL.parquet`` for each.
    `info`: metadata of the recording; the rate in it counts only if `rate_hz` is given, and the unit only if
    `unit_given`.
    `column`: default: `light`, or the only column.
    `more_columns`: further channels, each a recording of its own.
    `lot_column`: a pass is of the lot of its first row.
    `clock_ppm` (parts per million): by how much the clock of the passes must be stretched around the middle of the log,
    where `shift_ms` holds.
    `source`: where the passes come from; default: as the table states, otherwise independent; self-labelled where
    `borders_from_light`.
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
    passes_in: CountedIn | None = None
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
