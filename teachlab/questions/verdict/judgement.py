"""The decision on a setting: by its cost first, then by what forbids or excuses it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from teachlab.data.alignment.room import aligned_truth
from teachlab.model.margin import Margin
from teachlab.model.printable_text import moment
from teachlab.model.recording import Recording
from teachlab.model.score import Outcome, Score, Trials
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.model.verdict import VerdictReason
from teachlab.questions.feasibility.two_sides import TwoSides, two_sides
from teachlab.questions.verdict.claim_words import few_lots_text
from teachlab.questions.verdict.judged_by import UNSHOWN, Ground, GroundedDecision, JudgedBy
from teachlab.questions.verdict.nearness import at_scale_end, light_step
from teachlab.scoring.claimable import (
    Claimable,
    EvidenceLimits,
    OpenCondition,
    after_teaching,
    chosen_on,
    claimable,
    unusable,
    wrong_apart,
)
from teachlab.scoring.claims import LotCounts, lot_counts
from teachlab.scoring.reasons import LIKE_A_GAP, STANDS_STILL, Reasons, reasons_of
from teachlab.scoring.scoring import lone_active_gap, score
from teachlab.statistics.claims.decisions import Decision, MeasuredCost, decide, enough_to_decide
from teachlab.statistics.claims.orders import CostBound
from teachlab.statistics.intervals import proportion

if TYPE_CHECKING:
    from teachlab.data.alignment.answer import Alignment
    from teachlab.questions.stress.setting_reading import SettingReading


@dataclass(frozen=True, slots=True, kw_only=True)
class Overturned:
    """What the passes of the claim show against the setting that was chosen on earlier ones.

    `reason`: how many errors it makes there, and how many another one does.
    `fails`: whether a whole lot shows that it does not work there; otherwise its errors are few.
    """

    reason: VerdictReason
    fails: bool

    @classmethod
    def told_by(cls, setting: Setting, recording: Recording) -> Overturned | None:
        """Return what a setting says of this recording since its bench; None if nothing."""
        said = chosen_on(setting, recording).get(AGAINST)
        # A setting may come from anyone.
        if not isinstance(said, Mapping) or not isinstance(text := said.get("text"), str):
            return None
        return cls(reason=VerdictReason(text=text), fails=bool(said.get("fails")))

    def kept_in(self, setting: Setting) -> Setting:
        """Return a setting that says so where it tells on which passes it was chosen."""
        if setting.taught is None or not isinstance(on := setting.taught.evidence.get("chosen_on"), Mapping):
            return setting
        told = {"text": self.reason.text, "fails": self.fails}
        evidence = {**setting.taught.evidence, "chosen_on": {**on, AGAINST: told}}
        return replace(setting, taught=replace(setting.taught, evidence=evidence))


AGAINST = "overturned"
"""Key under which a setting keeps what the passes of the claim of its bench showed against it."""
SWAPPED, FEWEST_SWAPPED = 0.9, 5
"""Kinds may be swapped if this share of both kinds of passes, and at least so many, come out the opposite way."""
LOT_LOST = 0.5
"""A lot that loses more than this share held another product; losses below it are in the mean over lots."""


@dataclass(frozen=True, slots=True)
class GroupLost:
    """Passes of one kind or lot among all scored ones, and how many of them were lost.

    `what`: kind or lot.
    """

    what: str
    name: str
    lost: int
    of: int


@dataclass(kw_only=True, eq=False)
class KnownSetting:
    """All that is known of a setting before it is judged, in counts and sentences: no light is needed any more.

    `candidates`: as for `setting_verdict`.
    `found`: what is left out of the claim, and the open conditions.
    `counts`, `failing`: of the trials that may support a claim; and of all from the first pass by which it was chosen,
    on which it may fail.
    `wrong`, `of`: errors in all passes that are neither touching nor too short, and number of these passes: errors on
    passes by which a setting was taught or chosen prove nothing for it, but count against it.
    `scored`, `mistaken`: all scored passes, and errors in them.
    `empty`, `still`: lost passes whose light is that of the gaps, and lost passes in which the log stands still.
    `usable`: whether the output is neither active for most of the gap time nor never.
    `share`: share of the passes that do not merge with the one that they touch on which the setting is judged;
    teaching and choosing took the others.
    `groups`: kinds and lots, if there are several.
    `both_sides`: that objects lie on both sides of the background.
    `swapped`: that kinds of passes may be swapped.
    `scale_end`: whether its level lies where the light is clipped.
    `lone_gap`: names the gap without which the output is not active for most of the gap time.
    `beside`, `off`: whether the passes lie beside the light or their borders are less sure than stated, and whether it
    is the first.
    `moved`: on the passes moved to the light, with the measured doubt of their borders: whether the output is usable,
    errors, passes; None if nothing is to be moved or doubted.
    `few_lots`: what is missing if too few lots are left; the second text says how many would do.
    """

    by: JudgedBy
    confidence: float
    candidates: Sequence[tuple[CostBound, bool]] = ()
    overturned: Overturned | None = None
    found: EvidenceLimits
    counts: LotCounts
    failing: LotCounts
    wrong: int
    of: int
    scored: int
    mistaken: int
    empty: int
    still: int
    usable: bool
    share: float
    groups: Sequence[GroupLost]
    both_sides: VerdictReason | None
    swapped: VerdictReason | None
    scale_end: bool
    lone_gap: VerdictReason | None
    beside: bool
    off: bool
    moved: tuple[bool, int, int] | None
    few_lots: tuple[str, str]

    @property
    def passes(self) -> int:
        """Number of passes that may support a claim."""
        return int(self.counts.passes.sum())

    @property
    def errors(self) -> float | None:
        """Errors per pass on these; None without passes."""
        return float(self.counts.errors().sum()) / self.passes if self.passes else None

    @cached_property
    def cost(self) -> CostBound:
        """Cost per pass, by lots or stretches."""
        return self.counts.bound(self.by.costs, confidence=self.confidence)

    @property
    def enough(self) -> bool:
        """Whether there are enough lots or stretches for a decision."""
        return self.passes > 0 and enough_to_decide(self.cost)

    @cached_property
    def fails(self) -> CostBound:
        """Errors per pass, those by which it was chosen included: these do not overstate its errors."""
        return self.failing.bound(confidence=self.confidence)

    @property
    def tried(self) -> Sequence[tuple[CostBound, bool]]:
        """Errors per pass of every setting that was tried, and whether its output is usable."""
        return self.candidates or [(self.fails, self.usable)]

    @property
    def beyond(self) -> bool:
        """Whether these errors are counted on more passes than the claim."""
        return bool(self.candidates) or self.passes < self.of

    def lost_groups(self) -> list[tuple[str, list[str], int, int]]:
        """Return kinds that lose more than is accepted, and lots mostly lost: what, names, passes lost, passes."""
        out = []
        for what, most in (("kind", self.by.accepted), ("lot", LOT_LOST)):
            groups = [one for one in self.groups if one.what == what]
            # Each one may be the one that is lost by chance.
            confidence = 1 - (1 - self.confidence) / max(1, len(groups))
            bad = [one for one in groups if one.lost and proportion(one.lost, one.of, confidence).low > most]
            if bad:
                out.append((what, [one.name for one in bad], sum(o.lost for o in bad), sum(o.of for o in bad)))
        return out

    @property
    def works_where_the_light_is(self) -> bool:
        """Whether it makes no more errors than accepted on the passes after they are moved to the light."""
        if self.moved is None:
            return True
        usable, wrong, passes = self.moved
        return usable and wrong <= self.by.accepted * passes

    def judge(self) -> GroundedDecision:
        """Return the decision: each judgement gives its own or leaves the one before."""
        judged = GroundedDecision(decision=self._by_cost(), ground=Ground.COST)
        for ground, judgement in _JUDGEMENTS.items():
            if (decision := judgement(self, judged)) is not None:
                judged = GroundedDecision(decision=decision, ground=ground)
        return judged

    def _by_cost(self) -> Decision:
        return decide(
            MeasuredCost(
                errors=self.errors, cost=self.cost, never=self.by.costs.miss, named_lots=self.counts.named_lots,
                usable=self.usable, conditions=len(self.found.conditions),
            ),
            self.tried, accepted=self.by.accepted,
        )  # fmt: skip


class JudgedSetting(KnownSetting):
    """A setting with the recording that shows all this of it.

    `reading`, `setting`, `result`, `by`, `candidates`, `margin`, `overturned`, `why_lost`: as for `setting_verdict`.
    `found`: trials that may support a claim.
    `every`: of all passes that are neither touching nor too short.
    `lone_row`: the pass before the gap of `lone_gap`; −1 at the start of the record.
    """

    found: Claimable

    def __init__(
        self, reading: SettingReading, setting: Setting, result: Score, *, by: JudgedBy,
        candidates: Sequence[tuple[CostBound, bool]] = (), margin: Margin | None = None,
        overturned: Overturned | None = None, why_lost: Reasons | None = None,
    ) -> None:  # fmt: skip
        recording, truth, rules, extremes = reading.recording, reading.truth, reading.rules, reading.extremes
        self.reading, self.recording, self.truth = reading, recording, truth
        self.setting, self.result, self.margin = setting, result, margin
        lies = by.alignment
        belongs = lies is None or lies.belongs
        found = claimable(recording, truth, setting, result, rules=rules, copies=reading.copies(), belongs=belongs)
        untaught = replace(setting, taught=None)
        self.every = claimable(recording, truth, untaught, result, rules=rules, copies=()).trials
        every = lot_counts(truth, self.every)
        self.lone_row = lone_active_gap(reading.output, truth, result, rules=rules)
        if self.lone_row is not None:
            told = "The output is active for most of the gap time, nearly all of it in one gap."
            found = replace(found, conditions={**found.conditions, OpenCondition.INVERTED: told})
        counts = lot_counts(truth, found.trials)
        # Passes by which it was chosen do not overstate its errors: they may show that it fails.
        after = after_teaching(truth, setting, self.every, recording)
        self.step = step = light_step(recording, margin)
        wrong = wrong_apart(truth, result)
        # If no pass is lost, none lies on the other side of the background.
        sides: TwoSides | None = None
        if type(setting) is Setting and wrong[0]:
            sides = two_sides(recording, truth, setting, rules=rules, extremes=extremes, step=step)
        self.why_lost = why = why_lost or reasons_of(
            recording, truth, setting, result, rules=rules, extremes=extremes, step=step
        )
        taken, passes = found.left_out["shown"] or rules.first_pass, int(counts.passes.sum())
        apart = int(truth.detect.sum()) - found.left_out["touching"]
        super().__init__(
            by=by,
            confidence=rules.confidence,
            candidates=candidates,
            overturned=overturned,
            found=found,
            counts=counts,
            failing=every if after is self.every else lot_counts(truth, after),
            wrong=int(every.errors().sum()),
            of=int(every.passes.sum()),
            scored=result.counts.scored_passes,
            mistaken=sum(wrong),
            empty=why.counts.get(LIKE_A_GAP, 0),
            still=why.counts.get(STANDS_STILL, 0),
            usable=not unusable(result),
            share=passes / apart if passes and taken else 1.0,
            groups=_groups(truth, self.every),
            both_sides=None
            if sides is None
            else VerdictReason(text=sides.sentence(), count=min(sides.above, sides.below)),
            swapped=swapped_kinds(truth, found.trials),
            scale_end=margin is not None and at_scale_end(setting, margin, step),
            lone_gap=None if self.lone_row is None else self._lone_gap(self.lone_row),
            beside=lies is not None and lies.matters,
            off=lies is not None and lies.off,
            moved=None if lies is None else self._moved(lies),
            few_lots=(few_lots_text(counts, truth, amount=False), few_lots_text(counts, truth)),
        )

    def _lone_gap(self, row: int) -> VerdictReason:
        """Name the one gap in which the output stays active."""
        first = int(self.truth.end[row]) if row >= 0 else 0
        after = f"after pass {row}" if row >= 0 else "before the first pass"
        return VerdictReason(
            text=f"That gap is {after}, from {moment(first, self.recording)} on. If a product stands there, "
            "correct the end of its pass; else leave the stretch out.",
            first_at_s=first / self.recording.info.sample_rate_hz,
        )

    def _moved(self, lies: Alignment) -> tuple[bool, int, int] | None:
        """Return what the output does on the passes after they are moved to the light; None if they are not moved."""
        if not (lies.matters and lies.belongs):
            return None
        truth = aligned_truth(lies, self.truth)[0]
        there = score(self.reading.output, truth, rules=self.reading.rules, tables=False)
        return not unusable(there), sum(wrong_apart(truth, there)), there.counts.scored_passes


def _groups(truth: Truth, trials: Trials) -> list[GroupLost]:
    """Count the lost passes of every kind and every lot; if all are of one, that one is not named."""
    scored = truth.detect[trials.first_pass :] & (trials.passes != Outcome.EXCLUDED)
    lost = scored & trials.lost
    out: list[GroupLost] = []
    for what, column in (("kind", truth.label), ("lot", truth.lot)):
        if column is None:
            continue
        names = column[trials.first_pass :].astype(str)
        groups = sorted(set(names[scored].tolist()) - ({""} if what == "lot" else set()))
        for name in groups if len(groups) > 1 else ():
            events, of = (int(np.count_nonzero(rows & (names == name))) for rows in (lost, scored))
            out.append(GroupLost(what, name, events, of))
    return out


def swapped_kinds(truth: Truth, trials: Trials) -> VerdictReason | None:
    """Say that kinds may be swapped, if nearly all detect passes and nearly all `ignore` passes come out wrong."""
    detect, scored = truth.detect[trials.first_pass :], trials.passes != Outcome.EXCLUDED
    seen = trials.pass_onsets > 0
    wanted, unwanted = (int(np.count_nonzero(scored & kind)) for kind in (detect, ~detect))
    lost = int(np.count_nonzero(scored & detect & ~seen))
    switched = int(np.count_nonzero(scored & ~detect & seen))
    if min(wanted, unwanted) < FEWEST_SWAPPED or lost < SWAPPED * wanted or switched < SWAPPED * unwanted:
        return None
    return VerdictReason(
        text=f"{switched} of {unwanted} passes to be ignored switch, and {lost} of {wanted} to be detected do not: "
        "detect and ignore may be swapped in the table of passes.",
        count=lost + switched,
    )


def _both_sides(case: KnownSetting, so_far: GroundedDecision) -> Decision | None:
    """Forbid a single threshold that detects only one side."""
    return Decision.OPEN if so_far.good and case.both_sides is not None else None


def _overturned(case: KnownSetting, so_far: GroundedDecision) -> Decision | None:
    """Forbid, or limit, a setting that loses passes on which another one works."""
    if case.overturned is None or not so_far.good:
        return None
    return Decision.OPEN if case.overturned.fails else Decision.LIMIT


def _lost_before(case: KnownSetting, so_far: GroundedDecision) -> Decision | None:
    """Forbid a setting that makes more errors than accepted over all passes, whichever of them its claim leaves out."""
    return Decision.OPEN if so_far.good and case.wrong > case.by.accepted * case.of else None


def _lost_kind(case: KnownSetting, so_far: GroundedDecision) -> Decision | None:
    """Limit a setting that does not see one of the kinds or lots."""
    return Decision.LIMIT if so_far.good and case.lost_groups() else None


def _scale_end(case: KnownSetting, so_far: GroundedDecision) -> Decision | None:
    """Limit a setting whose level lies where the light is clipped: the least loss of light may stop it."""
    return Decision.LIMIT if so_far.good and case.scale_end else None


def _passes_beside(case: KnownSetting, so_far: GroundedDecision) -> Decision | None:
    """Judge nothing where the passes lie beside the light: neither errors, nor that there are none only there.

    Borders that are only less sure than stated excuse errors that are none with the measured doubt.
    """
    shown = not case.beside or (not case.off and not case.works_where_the_light_is)
    if so_far.good:
        shown = case.works_where_the_light_is
    return None if shown else Decision.OPEN


def _passes_empty(case: KnownSetting, so_far: GroundedDecision) -> Decision | None:
    """Judge nothing where most passes have the light of the gaps: what passed, if anything did, is not in them."""
    if so_far.good or so_far.ground is Ground.PASSES_BESIDE:
        return None
    return Decision.OPEN if 2 * case.empty > case.scored else None


def _log_stopped(case: KnownSetting, so_far: GroundedDecision) -> Decision | None:
    """Excuse a setting that makes no more errors than accepted without passes in which the log stands still."""
    if so_far.good or so_far.ground in UNSHOWN:
        return None
    excused = case.still > 0 and case.mistaken - case.still <= case.by.accepted * (case.scored - case.still)
    return Decision.OPEN if excused else None


def _lone_gap(case: KnownSetting, so_far: GroundedDecision) -> Decision | None:
    """Excuse a setting whose output is active for most of the gap time because of one gap: its border may be wrong."""
    if so_far.good or so_far.ground in UNSHOWN | {Ground.LOG_STOPPED}:
        return None
    return Decision.OPEN if case.lone_gap is not None else None


# In this order: what forbids a setting that costs little, then what excuses one that costs much.
_JUDGEMENTS: dict[Ground, Callable[[KnownSetting, GroundedDecision], Decision | None]] = {
    Ground.BOTH_SIDES: _both_sides,
    Ground.OVERTURNED: _overturned,
    Ground.LOST_BEFORE: _lost_before,
    Ground.LOST_KIND: _lost_kind,
    Ground.SCALE_END: _scale_end,
    Ground.PASSES_BESIDE: _passes_beside,
    Ground.PASSES_EMPTY: _passes_empty,
    Ground.LOG_STOPPED: _log_stopped,
    Ground.LONE_GAP: _lone_gap,
}
