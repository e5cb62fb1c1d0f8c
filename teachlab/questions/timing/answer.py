"""Dwell, gap, response, delays and scan of one line, with what filter and delays alone lose, as one value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from teachlab.model.verdict import Verdict, VerdictReason, sentence
from teachlab.questions.timing.budget import Timing, timing
from teachlab.questions.timing.dwelling import DwellSpans, Predicted, delay_at_fault, line_of, predict

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.questions.timing.line import TimeBudget


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TimingAnswer:
    """Whether there is time enough.

    Parameters
    ----------
    budget : Timing
    predicted : Predicted or None
        What filter and delays alone miss and merge; None without a recording.
    delay_at_fault : str or None
        The delay that is to blame for it.
    at_levels : bool
        Whether the light was measured at the levels of a setting.
    """

    budget: Timing
    predicted: Predicted | None = None
    delay_at_fault: str | None = None
    at_levels: bool = False

    @property
    def verdict(self) -> Verdict:
        """Whether there is time enough, and what is at fault."""
        budget = self.budget
        reasons = [VerdictReason(text=sentence(budget.because))] if budget.because else []
        if self.delay_at_fault:
            reasons.append(VerdictReason(text=sentence(self.delay_at_fault)))
        if (found := self.predicted) is not None:
            reasons.append(
                VerdictReason(
                    text=f"Filter and delays alone miss {found.missed:.4g} of {found.passes} passes and merge "
                    f"{found.merged:.4g} of {found.gaps} neighbours."
                )
            )
        return Verdict(decision=budget.fits, about="time from object to controller", reasons=tuple(reasons))

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "schema": 1,
            "verdict": self.verdict.as_dict(),
            **self.budget.as_dict(),
            "predicted": None if self.predicted is None else self.predicted.as_dict(),
            "delay_at_fault": self.delay_at_fault,
        }


def time_budget(line: TimeBudget) -> TimingAnswer:
    """Answer for a line known by its lengths and speed."""
    return TimingAnswer(budget=timing(line))


def time_budget_of(
    recording: Recording,
    setting: Setting,
    spans: DwellSpans,
    *,
    scan_ms: float = 0.0,
    input_filter_ms: float = 0.0,
    speed_mm_s: float | None = None,
    speed_change: float = 0.0,
) -> TimingAnswer:
    """Answer for the passes and gaps of a recording under filter and delays of a setting.

    Parameters
    ----------
    recording, setting
    spans : DwellSpans
        How long passes and gaps last, between the borders or at the levels of a setting.
    scan_ms, input_filter_ms : float, ms
        Of the controller.
    speed_mm_s : float, mm/s, optional
        Of the line; default: as stored with the recording.
    speed_change : float
        Relative.
    """
    line = line_of(
        recording, setting, spans, scan_ms=scan_ms, input_filter_ms=input_filter_ms, speed_mm_s=speed_mm_s,
        speed_change=speed_change,
    )  # fmt: skip
    return TimingAnswer(
        budget=timing(line),
        predicted=predict(spans, line),
        delay_at_fault=delay_at_fault(spans, line),
        at_levels=spans.at_levels,
    )
