"""The result of an import."""

from __future__ import annotations

from dataclasses import dataclass

from teachlab.data.border_doubt import BorderDoubt
from teachlab.data.importing.times.time_axis import TimeReport
from teachlab.model.json_values import picked
from teachlab.model.recording import RecordingInfo
from teachlab.model.truth import Truth


@dataclass(frozen=True, slots=True, eq=False)
class Imported:
    """What was imported.

    `rows`, `samples`, `invalid`, `filled`: rows of the log, samples written, samples without a valid value (including
    filled ones), and filled samples.
    `rate_from`: ``given``, ``time column`` or ``file header``.
    `doubt`: uncertainty of its borders, as found; None if the table or the user stated it.
    `notes`: what was found without being stated.
    `began`: date and time of the first sample according to the log; empty if unknown.
    `kept`: rows that an earlier run had already read.
    `also`: further channels of the same log.
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
    began: str = ""
    kept: int = 0
    also: tuple[Imported, ...] = ()

    def as_dict(self) -> dict[str, object]:
        """Return the document of this import."""
        time, truth = self.time, self.truth
        return {
            "schema": 1,
            **picked(self, "recording", "samples"),
            "sample_rate_hz": self.info.sample_rate_hz,
            "rate_from": self.rate_from,
            "seconds": self.samples / self.info.sample_rate_hz,
            "unit": self.info.unit,
            **picked(self, "dtype", "column", "rows"),
            "rows_kept": self.kept,
            "invalid_samples": self.invalid,
            "filled_samples": self.filled,
            "began": self.began or None,
            "time": None
            if time is None
            else {
                "column": self.time_column,
                "jitter_periods": time.jitter,
                **picked(time, "jitter_row", "tick_s"),
                "gaps": int(time.gap_rows.size),
                "gap_rows": time.gap_rows,
                "gap_missing": time.missing,
                "gap_phase_periods": time.gap_phase,
            },
            "truth": self.truth_path,
            "passes": None if truth is None else truth.passes,
            "uncertainty_samples": None if truth is None else truth.uncertainty_samples,
            "uncertainty_because": None if self.doubt is None else self.doubt.because,
            "left_out": None if truth is None else [list(stretch) for stretch in truth.except_],
            "output": None if self.info.output is None else str(self.info.output.active),
            "notes": list(self.notes),
            "also": [other.recording for other in self.also],
        }
