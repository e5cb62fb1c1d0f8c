"""Quality, alignment and the counted best pair of fixed levels, as one value."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from teachlab.data.alignment import NOT_MEASURED, Alignment, aligned_truth, alignment_of
from teachlab.data.alignment.finding import off_lines
from teachlab.data.alignment.measure import AlignmentReading
from teachlab.data.quality.report import Quality, inspect_recording
from teachlab.errors import InputError
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.arrays import Integers
from teachlab.model.json_values import Document
from teachlab.model.printable_text import in_figures, level_text, moment, number_of, wrong_text
from teachlab.model.recording import Block, Direction, Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict, VerdictReason, sentence
from teachlab.questions.feasibility.tried_cures import ELABORATE, WHOLE, TriedCure, cure_reason, tried_cures
from teachlab.questions.feasibility.two_sides import TwoSides, two_sides
from teachlab.questions.surface.hindsight import Hindsight, best_fixed, errors_of, level_decision, serves
from teachlab.questions.surface.values.levels import FirstLook
from teachlab.scoring.claimable import joined_where, touching_rows
from teachlab.scoring.reasons import STANDS_STILL, Reasons, empty_text, like_gaps, reasons_of
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

CLIPPED = 0.005
"""From this share of samples that are saturated, or at one extreme level, on, a sentence says so."""
FEWEST_LEVELS = 64
"""With fewer steps between lowest and highest light, equal samples do not indicate clipping."""
LOOKING, COUNTING = 0.15, 0.65
"""Shares of the time for the first reading, and for counting pairs of levels; aligning and trying cures is the rest."""
FEWEST = 3
"""With fewer passes nothing can be taught on some and scored on others."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WiderBorders(Document):
    """What the best pair of fixed levels makes if borders are taken as no sharper than the edges of the light.

    `tolerance_ms`: tolerance that allows for the edges.
    `errors`, `errors_now`: with this tolerance, and with the one asked for.
    `edge_ms`, `scatter_ms`, `doubt_ms`: 10 to 90 % time of the edges; twice the scatter of the borders about the light;
    half-width of the doubt of a border as it is.
    """

    tolerance_ms: float
    errors: int
    errors_now: int
    edge_ms: float
    scatter_ms: float
    doubt_ms: float

    @property
    def reason(self) -> VerdictReason:
        """Why levels fail at the borders, and what a wider tolerance gives."""
        left = "no error" if not self.errors else number_of(self.errors, "error")
        edge, scatter = in_figures(self.edge_ms, 2), in_figures(self.scatter_ms, 2)
        but = f"the edges of the light take {edge} ms: low levels switch before the border"
        if self.scatter_ms > max(self.doubt_ms, self.edge_ms / 2):
            but = f"they scatter by ±{scatter} ms about the light"
        elif self.edge_ms <= self.doubt_ms:
            but = f"they scatter by ±{scatter} ms about edges that take {edge} ms"
        return VerdictReason(
            text=f"Borders were taken as exact to ±{in_figures(self.doubt_ms, 2)} ms, but {but}. With a tolerance of "
            f"{self.tolerance_ms:g} ms the best pair of levels makes {left}.",
            count=self.errors_now,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InspectAnswer:
    """Everything that `inspect` finds out about a recording.

    `alignment`: how the passes lie against the light; None without passes, or if it cannot be measured.
    `best`: the best pair of fixed levels, with every pass and gap counted; None without passes that can be scored.
    `sides`: result of two thresholds if objects lie on both sides of the background.
    `step` (recording units): smallest step of the light, if it is stored in whole numbers: levels are not printed with
    finer steps.
    `cures`: changes of the best pair that leave fewer errors, one of each kind, best first; empty if it makes no error.
    `missing`: what is said of gaps in which the best pair trips on light as strong as a pass; empty if there are none.
    `stopped`: what is said of passes in which the log stands still.
    `wider`: if the borders are taken as sharper than the light is, and that is why the best pair fails.
    `misplaced`: whether the passes lie so that what no level gets right may be their own fault.
    `empty`: passes to be detected in which nothing is seen, if these are most of them.
    `full_scale` (recording units): stated end of the receiver's range.
    """

    quality: Quality
    alignment: Alignment | None
    best: Hindsight | None
    sides: TwoSides | None
    step: float | None = None
    cures: tuple[TriedCure, ...] = ()
    missing: str = ""
    stopped: VerdictReason | None = None
    wider: WiderBorders | None = None
    misplaced: bool = False
    empty: int = 0
    full_scale: float | None = None

    @property
    def touching(self) -> int:
        """Passes that touch the one before with the output of the best pair active between them."""
        return 0 if self.best is None else self.best.touching

    @property
    def few(self) -> bool:
        """Whether there are too few passes to teach on some and to score on others."""
        return (self.quality.passes or 0) > 0 and (self.quality.detect_passes or 0) < FEWEST

    @property
    def works(self) -> bool | None:
        """Whether some pair of fixed levels makes no error; None if nothing was counted."""
        return None if self.best is None else self.best.cost == 0

    @property
    def mending(self) -> TriedCure | None:
        """The change with which levels that fail make no more errors than are accepted; None if they do not fail."""
        if self.best is None or not self.cures or serves(errors_of(self.best), self._passes):
            return None
        return self.cures[0] if serves(self.cures[0].errors, self._passes) else None

    @property
    def _passes(self) -> int:
        return (self.quality.detect_passes or 0) - self.touching

    @property
    def wider_first(self) -> bool:
        """Whether borders are to be widened first: no level serves without that, and no simple change of one."""
        if self.wider is None or self.best is None or serves(errors_of(self.best), self._passes):
            return False
        return self.mending is None or self.mending.kind in ELABORATE or self.mending.errors > self.wider.errors

    @property
    def aside(self) -> bool:
        """Whether the passes lie beside the light, so that the answer is to align them."""
        return self.misplaced or (self.alignment is not None and self.alignment.off)

    @property
    def contradicted(self) -> bool:
        """Whether the light of the passes says another direction than the stored one, and no shift explains that."""
        q = self.quality
        found = None if q.contrasts is None or self.sides is not None else q.contrasts.direction
        clear = self.alignment is not None and self.alignment.is_clear
        return q.direction is not None and found not in (None, q.direction) and not clear

    @property
    def unmeasured(self) -> bool:
        """Whether no level works and no edge of the light lies at the borders of the passes."""
        return self.works is False and self.alignment is None and not (self.few or self.empty)

    @property
    def turned(self) -> bool:
        """Whether the borders of the passes tell that the stored direction is wrong, or may be."""
        return self.alignment is not None and (self.alignment.turned or self.alignment.contrary is not None)

    @property
    def above(self) -> str:
        """What is said of light above the receiver's range: all from there on counts as saturated; else empty."""
        q = self.quality
        if self.full_scale is None or not self.full_scale < q.high < math.inf:
            return ""
        return (
            f"Light of {in_figures(q.high)} {q.unit} lies above the full scale of {in_figures(self.full_scale)} "
            f"{q.unit}: one of them is wrong. Import again with the right full scale or unit."
        )

    @property
    def clipped(self) -> str:
        """Where many samples are at exactly one extreme level inside the receiver's range, in a clause; else empty."""
        q = self.quality
        if q.noise.step is None or q.noise.step * FEWEST_LEVELS > q.high - q.low:
            return ""
        ends = (("highest", q.high, q.at_high, self.full_scale), ("lowest", q.low, q.at_low, 0.0))
        found = [
            f"{in_figures(100 * share, 3)} % of the samples stand at the {name} level, {in_figures(level, 5)} {q.unit}"
            for name, level, share, limit in ends
            if share > CLIPPED and level != limit and math.isfinite(level)
        ]
        return "; ".join(found) + ": something clips before the log" if found else ""

    @property
    def verdict(self) -> Verdict:
        """What the recording can be used for; what makes the counts doubtful goes before them."""
        doubts = off_lines(self.alignment)
        if self.contradicted and not self.turned:
            told = self.quality.contrasts.direction if self.quality.contrasts else None
            doubts = [f"The stored direction is {self.quality.direction}, but the light of the passes says {told}."]
        elif self.unmeasured:
            doubts = [f"{NOT_MEASURED[0].upper()}{NOT_MEASURED[1:]}"]
        lead = (*doubts, *filter(None, (self.above,)))
        last = (*map(sentence, filter(None, (self.clipped,))), *filter(None, (self._unsolved,)))
        return self._judged.after(*(VerdictReason(text=text) for text in lead)).then(
            *(VerdictReason(text=text) for text in last)
        )

    @property
    def _unsolved(self) -> str:
        """What may help where the pair that was counted does not, and nothing said so far does."""
        if self.quality.passes is None:
            return "Without passes nothing can be scored. label proposes some."
        if not self.quality.passes:
            return "The table of passes is empty."
        if self.works is not False or self.aside or self.contradicted or self._obstacle or self.mending is not None:
            return ""
        return "A filter, delays or a mark `ignore` may do better. bench tells what each strategy loses."

    @property
    def _judged(self) -> Verdict:
        """Decision, and the reasons of what was counted."""
        q, best = self.quality, self.best
        reasons: list[VerdictReason] = []
        if self.sides is not None:
            reasons.append(VerdictReason(text=self.sides.sentence(), count=min(self.sides.above, self.sides.below)))
        if self.empty:
            return Verdict(
                decision=self._decision(),
                reasons=(VerdictReason(text=empty_text(self.empty, q.detect_passes or 0), count=self.empty),),
            )
        if self.stopped is not None:
            reasons.append(self.stopped)
        if self.wider is not None:
            reasons.append(self.wider.reason)
        if self.few:
            seen = number_of(q.detect_passes or 0, "pass is", "passes are")
            reasons.append(
                VerdictReason(
                    text=f"{seen} to be detected. bench needs at least {FEWEST}, a decision on this recording 50."
                )
            )
        if best is not None:
            at, name = best.setting, "on-level" if best.setting.light_on else "off-level"
            # The level at which the output becomes active, with the other one as it is.
            low, high = best.on_interval if at.light_on else best.off_interval
            open_below = best.open_below[0 if at.light_on else 1]
            wrong = sum(best.counts.get(k, 0) for k in ("extra", "false_trips", "ignore_trips"))
            lost = best.counts.get("lost", 0) - best.touching
            passes = number_of(self._passes, "pass", "passes")
            if self.touching:
                touch = "passes touch" if self.touching > 1 else "pass touches"
                reasons.append(
                    VerdictReason(
                        text=f"{self.touching} of {q.detect_passes} {touch} the one before, and the light does not "
                        "come back between: the output counts both as one. The other passes are counted below.",
                        count=self.touching,
                    )
                )
            from_, to = level_text(low, self.step), level_text(high, self.step)
            above = f"above {from_}, up to {to} {q.unit}," if open_below else f"from {from_} to {to} {q.unit}"
            # Of light with many levels some are counted; between them an error may come or go, unless there is none.
            every = f"Any {name}" if open_below or best.cost == 0 else f"Every {name} tried"
            any_of = f" {every} {above} is as good with this {'off' if at.light_on else 'on'}-level."
            reasons.append(
                VerdictReason(
                    text=f"{'As the passes lie now, the' if self.misplaced else 'The'} best pair of levels, on "
                    f"{level_text(at.on_level, self.step)}, off {level_text(at.off_level, self.step)} {q.unit}"
                    f"{'' if at.light_on else ', dark-on'}, leaves {wrong_text(lost, wrong)} on {passes}."
                    + (
                        ""
                        if self.misplaced
                        else any_of
                        if from_ != to
                        else f" No other {name}{' tried' if best.cost and not open_below else ''} is as good."
                    ),
                )
            )
            if self.missing:
                reasons.append(VerdictReason(text=sentence(self.missing)))
            if mended := cure_reason(self.cures, lost + wrong):
                reasons.append(mended)
        if q.saturated is not None and q.saturated > CLIPPED:
            reasons.append(
                VerdictReason(
                    text=f"{100 * q.saturated:.3g} % of the samples are saturated: their variance cannot be "
                    "measured, so no margin can be given."
                )
            )
        cures = tuple(cure.told for cure in self.cures)
        return Verdict(decision=self._decision(), about="", reasons=tuple(reasons), cures=cures)

    @property
    def _obstacle(self) -> str:
        """The decision before any level is judged; empty if levels are."""
        if not self.quality.passes:
            return "no passes are known"
        if self.turned:
            return "check the direction first"
        if self.misplaced:
            return "align the passes first" if self.alignment and self.alignment.belongs else "find the right passes"
        if self.sides is not None:
            return "two thresholds are needed"
        if self.empty:
            return "nothing is seen in most passes"
        if self.quality.direction is None:
            return "the direction is not known"
        if self.best is None:
            return "nothing can be scored"
        if self.few:
            return "record more passes"
        if self.unmeasured:
            return "find the right passes"
        if self.stopped is not None:
            return "part of the log stands still"
        return "allow for the edges of the light first" if self.wider_first else ""

    def _decision(self) -> str:
        if self.best is None or self._obstacle:
            return self._obstacle
        decided = level_decision(self.best, self._passes)
        if (cure := self.mending) is None:
            return f"{decided}, but it counts touching products as one" if self.touching else decided
        changed = cure.text.partition(" (")[0] if cure.kind in WHOLE else cure.text
        left = "no error" if not cure.errors else number_of(cure.errors, "error")
        if cure.plain:
            return f"a fixed level {'makes few errors' if cure.errors else 'can work'} here: {changed} leaves {left}"
        return f"{decided}; {changed} leaves {left}"

    def figure(self, recording: Recording, truth: Truth | None, *, logged: Integers | None, kind: str) -> bytes:
        """Draw the light over time with the best pair of levels, unless the passes must be mended first.

        `recording`, `truth`: the inspected ones.
        `logged`, `kind`: as for `trace_figure`.
        """
        from teachlab.data.quality.trace_figure import trace_figure

        first = self.verdict.decision if self.misplaced or self.empty else ""
        best = None if self.best is None else self.best.setting
        return trace_figure(recording, truth, self.quality, best=best, logged=logged, first=first, kind=kind)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "schema": 1,
            "verdict": self.verdict.as_dict(),
            "both_sides": None if self.sides is None else self.sides.as_dict(),
            **self.quality.as_dict(),
            "works": self.works,
            "best_fixed": None if self.best is None else self.best.as_dict(),
            "touching": self.touching,
            "alignment": None if self.alignment is None else self.alignment.as_dict(),
            "wider_borders": None if self.wider is None else self.wider.as_dict(),
        }


def inspected(
    recording: Recording,
    truth: Truth | None,
    *,
    rules: Rules = USUAL_RULES,
    progress: Callable[[float], None] = lambda share: None,
) -> InspectAnswer:
    """Measure a recording's quality, how its passes lie, and count the best pair of fixed levels.

    Raises InputError if recording and passes do not fit together, or no sample is valid.

    Notes
    -----
    Peaks alone do not show whether a level works: if the light dips inside an object, the output switches twice. So
    every pair of levels is counted, as in `surface`. If none works, changes of the best pair are tried by replay.
    """
    if truth is not None:
        truth.check_inside(recording.samples)
    near = None if truth is None else AlignmentReading(recording, truth)
    look = FirstLook(recording, None)

    def beside(block: Block) -> None:
        if near is not None:
            near.push(block)
            look.push(block)

    quality = inspect_recording(
        recording, truth, rules=rules, progress=lambda share: progress(LOOKING * share), beside=beside
    )  # fmt: skip
    if truth is None or truth.passes == 0:
        return InspectAnswer(
            quality=quality, alignment=None, best=None, sides=None, full_scale=recording.info.full_scale
        )
    best = None
    if quality.direction is not None:
        try:
            best = best_fixed(
                recording, truth, {}, rules=rules, reading=look.reading(),
                progress=lambda share: progress(LOOKING + COUNTING * share),
            )  # fmt: skip
        except InputError:
            best = None  # nothing can be scored, or the light is too large to be counted
    alignment = alignment_of(recording, truth, rules, near)
    misplaced = alignment is not None and alignment.matters and _misplaced(recording, truth, best, alignment, rules)
    if best is not None and best.touching:
        # What would help is tried on passes of which those that the output counts as one are one.
        found = score(replay(recording, best.setting), truth, rules=rules, tables=False)
        truth = joined_where(truth, touching_rows(truth, found.trials))
    # If one pair of levels makes no error, no object lies on the other side of the background. While the passes lie
    # off the light, nothing is told from where that light lies.
    settled = (best is not None and best.cost == 0) or misplaced
    sides = None if settled else two_sides(recording, truth, rules=rules)
    cures: list[TriedCure] = []
    missing, stopped, wider, empty = "", None, None, 0
    if not settled and sides is None:
        light = PassAndGapExtremes.of(recording, truth, rules=rules)
        empty = _empty(light, truth, quality.direction)
    if best is not None and not settled and sides is None:
        result = score(replay(recording, best.setting), truth, rules=rules, tables=False)
        why = reasons_of(recording, truth, best.setting, result, rules=rules, extremes=light)
        missing, stopped = why.missing_text(), _stopped(why, recording)
        empty = empty if stopped is None else 0
        cures = tried_cures(recording, truth, best.setting, result, rules=rules)
        wider = None if stopped is not None else _wider(recording, truth, best, alignment, rules)
    progress(1.0)
    return InspectAnswer(
        quality=quality, alignment=alignment, best=best, sides=sides, step=recording.whole_step, cures=tuple(cures),
        missing=missing, stopped=stopped, wider=wider, misplaced=misplaced, empty=empty,
        full_scale=recording.info.full_scale,
    )  # fmt: skip


def _misplaced(recording: Recording, truth: Truth, best: Hindsight | None, lies: Alignment, rules: Rules) -> bool:
    """Tell whether passes whose borders do not agree with the light are to be mended before levels are judged by them.

    Borders that only scatter are, if some level makes no more errors than accepted with the doubt that is measured.
    """
    if best is None or lies.off or lies.short or lies.kinds is not None:
        return best is None or not _enough(best, truth)
    if _enough(best, truth):
        return False
    moved = aligned_truth(lies, truth)[0]
    return _enough(best_fixed(recording, moved, {}, rules=rules), moved)


def _enough(best: Hindsight, truth: Truth) -> bool:
    """Tell whether a pair of levels makes no more errors than are accepted."""
    return serves(errors_of(best), int(np.count_nonzero(truth.detect)) - best.touching)


def _empty(light: PassAndGapExtremes, truth: Truth, direction: Direction | None) -> int:
    """Count the passes to be detected in which nothing is seen; 0 unless these are most of them."""
    rows = np.flatnonzero(truth.detect[light.pass_rows])
    empty = int(
        np.count_nonzero(like_gaps(rows, light, (True, False) if direction is None else (direction is Direction.RISE,)))
    )
    return empty if 2 * empty > np.count_nonzero(truth.detect) else 0


def _stopped(why: Reasons, recording: Recording) -> VerdictReason | None:
    """Say where the log stands still, if this is the largest cause of losses; one pass alone does not show it."""
    struck = [loss for loss in why.losses if loss.code == STANDS_STILL]
    if len(struck) < FEWEST or 2 * len(struck) < len(why.losses):
        return None
    passes = number_of(len(struck), "pass", "passes")
    return VerdictReason(
        text=f"The light does not change by a single step in {passes}, first "
        f"{moment(struck[0].sample, recording)}: the logger or the sensor had "
        "stopped. Leave that out (import --except), or log again.",
        count=len(struck),
        first_at_s=struck[0].at_s,
    )


def _wider(
    recording: Recording, truth: Truth, best: Hindsight, alignment: Alignment | None, rules: Rules
) -> WiderBorders | None:
    """Count again with borders no sharper than the light; None if that does not leave at most half of the errors."""
    if alignment is None or not alignment.doubt_after > alignment.doubt:
        return None
    more = alignment.ms(alignment.doubt_after - alignment.doubt)
    tolerance = rules.tolerance_ms + math.ceil(2 * more) / 2
    counted = best_fixed(recording, truth, {}, rules=replace(rules, tolerance_ms=tolerance))
    now, then = errors_of(best), errors_of(counted)
    if 2 * then > now:
        return None
    return WiderBorders(
        tolerance_ms=tolerance, errors=then, errors_now=now, edge_ms=alignment.ms(alignment.edge),
        scatter_ms=2 * alignment.ms(alignment.lags.scatter[0]), doubt_ms=alignment.ms(alignment.doubt),
    )  # fmt: skip
