"""Dwell, gap, response, delays and scan of one line, and what filter and delays alone lose, as one value."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from teachlab.errors import ParameterError
from teachlab.model.printable_text import number_of
from teachlab.model.score import MOST_OF_THE_TIME
from teachlab.model.setting import Setting
from teachlab.model.verdict import Verdict, VerdictReason, sentence
from teachlab.questions.timing.budget import Timing, shortened, timing
from teachlab.questions.timing.dwelling import (
    Predicted,
    delay_at_fault,
    line_of,
    predict,
    spans_at_levels,
    spans_of_truth,
)
from teachlab.questions.timing.line import in_words, line_from_lengths

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TimingAnswer:
    """Whether there is enough time.

    `predicted`: what filter and delays alone miss and merge; None without a recording.
    `delay_at_fault`: the delay that causes it.
    `at_levels`: whether the light was measured at the levels of a setting.
    `beyond`: share of the gap time in which the light is beyond these levels.
    `separated`: budget of the passes and gaps that the levels separate; None if they separate all, or none.
    `shorten_to`: longest on-delay and off-delay, ms, of those that must be shortened.
    """

    budget: Timing
    predicted: Predicted | None = None
    delay_at_fault: str | None = None
    at_levels: bool = False
    beyond: float = 0.0
    separated: Timing | None = None
    shorten_to: dict[str, float] = field(default_factory=dict)

    @property
    def gap_measured(self) -> bool:
        """Whether there is a gap between two passes, measured or given by its length."""
        return self.predicted is None or self.predicted.gaps > 0

    @property
    def by_level(self) -> str:
        """The passes and gaps that the levels do not separate, in one clause: no question of time; else empty."""
        found, out = self.predicted, []
        if self.at_levels and found is not None and found.unlit:
            out.append(
                f"the light of {found.unlit} of {number_of(found.passes, 'pass', 'passes')} never reaches the level"
            )
        if self.at_levels and found is not None and found.unbroken:
            out.append(
                f"between {found.unbroken} of {number_of(found.gaps, 'pair')} of neighbours the light never falls back"
            )
        if not out and self.beyond > MOST_OF_THE_TIME:
            out.append(f"the output is active for {100 * self.beyond:.3g} % of the gap time, too")
        return "; ".join(out)

    @property
    def shorten(self) -> str:
        """To what delays must be shortened, in one sentence; empty if none must, or none can."""
        told = " and ".join(f"the {name} to at most {in_words(ms)}" for name, ms in self.shorten_to.items())
        return f"Shorten {told}." if told else ""

    @property
    def mend(self) -> str:
        """What mends the first cause, in one sentence; empty if the level is the cause, or there is enough time."""
        judged = self.separated or self.budget
        if self.by_level or judged.fits == "fine":
            return ""
        return f"{self.shorten or judged.because.rpartition('. ')[2]} Then run this again."

    @property
    def verdict(self) -> Verdict:
        """Whether there is enough time, and what the cause is if not."""
        budget, by_level = self.separated or self.budget, self.by_level
        reasons = []
        if by_level:
            reasons.append(VerdictReason(text="This is not a question of time: change the level first."))
        if budget.because and not (by_level and self.separated is None):
            # What mends the cause is the next step.
            because = budget.because if self.gap_measured else budget.because.replace("gap, ", "", 1)
            text = sentence(because.rpartition(". ")[0] if self.mend else because)
            reasons.append(VerdictReason(text=f"For what the level separates: {budget.because}." if by_level else text))
        if self.delay_at_fault:
            reasons.append(VerdictReason(text=sentence(self.delay_at_fault)))
        if (found := self.predicted) is not None:
            # What the level loses is no loss by filter and delays.
            unlit, unbroken = (found.unlit, found.unbroken) if self.at_levels else (0, 0)
            passes, gaps = found.passes - unlit, found.gaps - unbroken
            missed = f"miss {found.missed - unlit:.4g} of {number_of(passes, 'pass', 'passes')}"
            # A single pass, or passes that all touch, have no gap that could be lost.
            merged = f" and merge {found.merged - unbroken:.4g} of {number_of(gaps, 'pair')} of neighbours"
            if passes:
                reasons.append(VerdictReason(text=f"Filter and delays alone {missed}{merged if gaps else ''}."))
            if found.touching:
                touch = number_of(found.touching, "pass touches", "passes touch")
                text = f"{touch} the one before: no setting separates them, and they count as one product."
                reasons.append(VerdictReason(text=text, count=found.touching))
        # `fits` is a word of the document; the screen begins with its meaning.
        decision = {"fine": "fast enough", "at risk": "at risk", "impossible": "too slow"}[budget.fits]
        about = "from product to controller"
        if budget.controller_ms == 0:
            about = "from product to output. The controller was not checked: no time of it was given"
        if not self.gap_measured:
            about += ". The gap was not checked: none between two passes was measured"
        if by_level:
            decision, about = "level first", by_level
        return Verdict(decision=decision, about=about, reasons=tuple(reasons))

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "schema": 1,
            "verdict": self.verdict.as_dict(),
            **self.budget.as_dict(),
            "predicted": None if self.predicted is None else self.predicted.as_dict(),
            "delay_at_fault": self.delay_at_fault,
        }


def time_budget(
    recording: Recording | None = None,
    truth: Truth | None = None,
    setting: Setting | None = None,
    *,
    speed_mm_s: float | None = None,
    length_mm: float | None = None,
    gap_mm: float | None = None,
    beam_mm: float = 0.0,
    on_share: float = 0.5,
    off_share: float | None = None,
    evaluation_rate_hz: float | None = None,
    consecutive: int | None = None,
    on_delay_ms: float | None = None,
    off_delay_ms: float | None = None,
    scan_ms: float = 0.0,
    input_filter_ms: float = 0.0,
    speed_change: float = 0.0,
) -> TimingAnswer:
    """Answer for the passes and gaps of a recording, or for a line known by its lengths and speed.

    `recording`, `truth`: both or neither.
    `setting`: filter, delays and rate are taken from it. With a recording, the light is measured at its levels; without
    a setting, between the borders of the truth.
    `speed_mm_s` (mm/s): speed of the line; with a recording, by default the stored speed.
    `length_mm`, `gap_mm`: shortest object and gap; only without a recording, and then required.
    `beam_mm`: 1/e² radius of the beam; 0: sharp edges.
    `on_share`, `off_share` (in (0, 1)): heights of the levels, as shares from background to object.
    `evaluation_rate_hz`, `consecutive`, `on_delay_ms`, `off_delay_ms`: used instead of those of the setting.
    `scan_ms`, `input_filter_ms`: scan and input filter of the controller.
    `speed_change`: relative.
    Raises ParameterError if lengths and a recording are given, too little of either, or shares together with a setting
    whose levels count.
    """
    given = {
        "consecutive": consecutive, "on_delay_ms": on_delay_ms, "off_delay_ms": off_delay_ms,
        "evaluation_rate_hz": evaluation_rate_hz,
    }  # fmt: skip
    overrides: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    unit = "-" if recording is None else recording.info.unit
    used = replace(setting or Setting(unit=unit, on_level=0.0, off_level=0.0), **overrides)
    if recording is None or truth is None:
        missing = [
            n for n, v in (("--speed-mm-s", speed_mm_s), ("--length-mm", length_mm), ("--gap-mm", gap_mm)) if v is None
        ]
        rate = used.evaluation_rate_hz
        if rate is None:
            missing.append("--evaluation-rate-hz")
        if speed_mm_s is None or length_mm is None or gap_mm is None or rate is None:
            raise ParameterError(f"timing needs a recording, or numbers; missing: {', '.join(missing)}.")
        line = line_from_lengths(
            speed_mm_s=speed_mm_s, length_mm=length_mm, gap_mm=gap_mm, evaluation_rate_hz=rate, beam_mm=beam_mm,
            on_share=on_share, off_share=off_share, switching=used.switching, scan_ms=scan_ms,
            input_filter_ms=input_filter_ms, speed_change=speed_change,
        )  # fmt: skip
        return TimingAnswer(budget=timing(line), shorten_to=shortened(line))
    if length_mm is not None or gap_mm is not None:
        raise ParameterError("give a recording, or --length-mm and --gap-mm, not both.")
    if setting is None:
        spans = spans_of_truth(
            recording, truth, speed_mm_s=speed_mm_s, beam_mm=beam_mm, on_share=on_share, off_share=off_share
        )
    elif beam_mm or (on_share, off_share) != (0.5, None):
        raise ParameterError(
            "with --setting the light of the recording is measured at its levels: leave out --beam-mm, --on-share and "
            "--off-share, or leave out --setting and give filter and delays as options."
        )
    else:
        spans = spans_at_levels(recording, truth, used)
    line_for = partial(
        line_of, recording, used, scan_ms=scan_ms, input_filter_ms=input_filter_ms, speed_mm_s=speed_mm_s,
        speed_change=speed_change,
    )  # fmt: skip
    line = line_for(spans)
    apart = spans.separated() if spans.at_levels and not (spans.dwell_ms.all() and spans.gap_ms.all()) else None
    judged = line if apart is None else line_for(apart)
    return TimingAnswer(
        budget=timing(line),
        predicted=predict(spans, line),
        delay_at_fault=delay_at_fault(spans, line),
        at_levels=spans.at_levels,
        beyond=spans.beyond,
        separated=None if apart is None else timing(judged),
        shorten_to=shortened(judged),
    )
