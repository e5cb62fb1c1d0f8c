"""The decision on a setting: by its cost first, then by what forbids or excuses it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from teachlab.data.alignment.room import aligned_truth
from teachlab.model.margin import Margin
from teachlab.model.score import Outcome, Score
from teachlab.model.setting import Setting
from teachlab.model.verdict import VerdictReason
from teachlab.questions.feasibility.two_sides import TwoSides, two_sides
from teachlab.questions.verdict.judged_by import JudgedBy
from teachlab.questions.verdict.nearness import at_scale_end, light_step
from teachlab.scoring.claimable import OpenCondition, after_teaching, claimable, unusable, wrong_apart
from teachlab.scoring.claims import lot_counts
from teachlab.scoring.reasons import LIKE_A_GAP, STANDS_STILL, Reasons, reasons_of
from teachlab.scoring.scoring import lone_active_gap, score
from teachlab.statistics.claims.decisions import GOOD, Decision, MeasuredCost, decide, enough_to_decide
from teachlab.statistics.claims.orders import CostBound
from teachlab.statistics.intervals import proportion

if TYPE_CHECKING:
    from teachlab.questions.stress.setting_reading import SettingReading


@dataclass(frozen=True, slots=True, kw_only=True)
class Overturned:
    """What the passes of the claim show against the setting that was chosen on earlier ones.

    `reason`: how many errors it makes there, and how many another one does.
    `fails`: whether a whole lot shows that it does not work there; otherwise its errors are few.
    """

    reason: VerdictReason
    fails: bool


LOT_LOST = 0.5
"""A lot that loses more than this share held another product; losses below it are in the mean over lots."""


class Ground(StrEnum):
    """What a decision rests on."""

    COST = "cost"
    BOTH_SIDES = "both sides"
    OVERTURNED = "overturned"
    LOST_BEFORE = "passes outside the claim are lost"
    LOST_KIND = "a kind is lost"
    SCALE_END = "level at an end of the scale"
    PASSES_BESIDE = "passes beside the light"
    PASSES_EMPTY = "nothing in the passes"
    LOG_STOPPED = "log stands still"
    LONE_GAP = "active in one gap"


UNSHOWN = frozenset({Ground.PASSES_BESIDE, Ground.PASSES_EMPTY})
"""Grounds on which the passes show nothing about a setting: nothing is claimed, and no room is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundedDecision:
    """A decision, and what it rests on."""

    decision: Decision
    ground: Ground

    @property
    def good(self) -> bool:
        """Whether the setting may be used."""
        return self.decision in GOOD


class JudgedSetting:
    """A setting with all that is known of it before it is judged.

    Parameters
    ----------
    reading, setting, result, by, candidates, margin, overturned, why_lost
        As for `setting_verdict`.

    Attributes
    ----------
    found : Claimable
        Trials that may support a claim.
    counts : LotCounts
        Of these trials.
    every : Trials
        Of all passes that are neither touching nor too short: errors on passes by which a setting was taught or chosen
        prove nothing for it, but count against it.
    wrong : int
        Errors in these trials.
    of : int
        Number of these trials that are passes.
    passes : int
        Number of these trials that are passes.
    errors : float or None
        Errors per pass; None without passes.
    cost : CostBound
        Per pass, by lots or stretches.
    usable : bool
        Whether the output is neither active for most of the gap time nor never.
    enough : bool
        Whether there are enough lots or stretches for a decision.
    tried : sequence of (CostBound, bool)
        Errors per pass of every setting that was tried, and whether its output is usable; of one setting over all
        passes, those by which it was chosen included.
    fails : CostBound
        Errors per pass of this setting on the same passes.
    beyond : bool
        Whether these errors are counted on more passes than the claim.
    sides : TwoSides or None
        Objects on both sides of the background.
    lone_gap : int or None
        The gap, named by the pass before it, without which the output is not active for most of the gap time.
    """

    def __init__(
        self, reading: SettingReading, setting: Setting, result: Score, *, by: JudgedBy,
        candidates: Sequence[tuple[CostBound, bool]] = (), margin: Margin | None = None,
        overturned: Overturned | None = None, why_lost: Reasons | None = None,
    ) -> None:  # fmt: skip
        recording, truth, rules, extremes = reading.recording, reading.truth, reading.rules, reading.extremes
        self.reading, self.recording, self.truth = reading, recording, truth
        self.setting, self.result, self.by, self.overturned = setting, result, by, overturned
        belongs = by.alignment is None or by.alignment.belongs
        self.found = claimable(recording, truth, setting, result, rules=rules, copies=reading.copies(), belongs=belongs)
        untaught = replace(setting, taught=None)
        self.every = claimable(recording, truth, untaught, result, rules=rules, copies=(), belongs=belongs).trials
        every = lot_counts(truth, self.every)
        self.wrong, self.of = int(every.errors().sum()), int(every.passes.sum())
        self.lone_gap = lone_active_gap(reading.output, truth, result, rules=rules)
        if self.lone_gap is not None:
            told = "The output is active for most of the gap time, nearly all of it in one gap."
            self.found = replace(self.found, conditions={**self.found.conditions, OpenCondition.INVERTED: told})
        self.counts = counts = lot_counts(truth, self.found.trials)
        self.passes = int(counts.passes.sum())
        self.errors = float(counts.errors().sum()) / self.passes if self.passes else None
        self.cost = counts.bound(by.costs, confidence=rules.confidence)
        self.usable = not unusable(result)
        self.enough = self.passes > 0 and enough_to_decide(self.cost)
        # Passes by which it was chosen do not overstate its errors: they may show that it fails.
        after = after_teaching(truth, setting, self.every, recording)
        failing = every if after is self.every else lot_counts(truth, after)
        self.fails = failing.bound(confidence=rules.confidence)
        self.tried = candidates or [(self.fails, self.usable)]
        self.beyond = bool(candidates) or self.passes < self.of
        self.step = step = light_step(recording, margin)
        self.margin = margin
        self.sides: TwoSides | None = None
        # If no pass is lost, none lies on the other side of the background.
        if type(setting) is Setting and wrong_apart(truth, result)[0]:
            self.sides = two_sides(recording, truth, setting, rules=rules, extremes=extremes, step=step)
        self.why_lost = why_lost or reasons_of(
            recording, truth, setting, result, rules=rules, extremes=extremes, step=step
        )

    @property
    def empty(self) -> int:
        """Number of lost passes whose light is that of the gaps."""
        return self.why_lost.counts.get(LIKE_A_GAP, 0)

    def lost_groups(self) -> list[tuple[str, list[str], int, int]]:
        """Return kinds that lose more than is accepted, and lots mostly lost: what, names, passes lost, passes.

        If all are of one kind, or of one lot, that one is not named.
        """
        trials = self.every
        scored = self.truth.detect[trials.first_pass :] & (trials.passes != Outcome.EXCLUDED)
        lost = scored & trials.lost
        out = []
        most = {"kind": self.by.accepted, "lot": LOT_LOST}
        for what, column in (("kind", self.truth.label), ("lot", self.truth.lot)):
            if column is None:
                continue
            names = column[trials.first_pass :].astype(str)
            groups = sorted(set(names[scored].tolist()) - ({""} if what == "lot" else set()))
            bad = []
            for name in groups if len(groups) > 1 else ():
                events, of = (int(np.count_nonzero(rows & (names == name))) for rows in (lost, scored))
                # Each one may be the one that is lost by chance.
                confidence = 1 - (1 - self.reading.rules.confidence) / len(groups)
                if events and proportion(events, of, confidence).low > most[what]:
                    bad.append((name, events, of))
            if bad:
                out.append((what, [name for name, _, _ in bad], sum(k for _, k, _ in bad), sum(n for _, _, n in bad)))
        return out

    def share_of_passes(self) -> float:
        """Return the share of the passes on which the setting is judged; teaching and choosing took the others."""
        taken = self.found.left_out["shown"] or self.reading.rules.first_pass
        return self.passes / int(self.truth.detect.sum()) if self.passes and taken else 1.0

    def works_where_the_light_is(self) -> bool:
        """Whether it makes no more errors than accepted on the passes after they are moved to the light."""
        lies, rules = self.by.alignment, self.reading.rules
        if lies is None or not (lies.moves and lies.belongs):
            return True
        moved = aligned_truth(lies, self.truth)[0]
        there = score(self.reading.output, moved, rules=rules, tables=False)
        return not unusable(there) and sum(wrong_apart(moved, there)) <= self.by.accepted * there.counts.scored_passes

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


def _both_sides(case: JudgedSetting, so_far: GroundedDecision) -> Decision | None:
    """Forbid a single threshold that detects only one side."""
    return Decision.OPEN if so_far.good and case.sides is not None else None


def _overturned(case: JudgedSetting, so_far: GroundedDecision) -> Decision | None:
    """Forbid, or limit, a setting that loses passes on which another one works."""
    if case.overturned is None or not so_far.good:
        return None
    return Decision.OPEN if case.overturned.fails else Decision.LIMIT


def _lost_before(case: JudgedSetting, so_far: GroundedDecision) -> Decision | None:
    """Forbid a setting that makes more errors than accepted over all passes, whichever of them its claim leaves out."""
    return Decision.OPEN if so_far.good and case.wrong > case.by.accepted * case.of else None


def _lost_kind(case: JudgedSetting, so_far: GroundedDecision) -> Decision | None:
    """Limit a setting that does not see one of the kinds or lots."""
    return Decision.LIMIT if so_far.good and case.lost_groups() else None


def _scale_end(case: JudgedSetting, so_far: GroundedDecision) -> Decision | None:
    """Limit a setting whose level lies where the light is clipped: the least loss of light may stop it."""
    at_end = so_far.good and case.margin is not None and at_scale_end(case.setting, case.margin, case.step)
    return Decision.LIMIT if at_end else None


def _passes_beside(case: JudgedSetting, so_far: GroundedDecision) -> Decision | None:
    """Judge nothing where the passes lie beside the light: neither errors, nor that there are none only there."""
    lies = case.by.alignment
    if lies is None:
        return None
    shown = case.works_where_the_light_is() if so_far.good else not lies.matters
    return None if shown else Decision.OPEN


def _passes_empty(case: JudgedSetting, so_far: GroundedDecision) -> Decision | None:
    """Judge nothing where most passes have the light of the gaps: what passed, if anything did, is not in them."""
    if so_far.good or so_far.ground is Ground.PASSES_BESIDE:
        return None
    return Decision.OPEN if 2 * case.empty > case.result.counts.scored_passes else None


def _log_stopped(case: JudgedSetting, so_far: GroundedDecision) -> Decision | None:
    """Excuse a setting that makes no more errors than accepted without passes in which the log stands still."""
    if so_far.good or so_far.ground in UNSHOWN:
        return None
    still, passes = case.why_lost.counts.get(STANDS_STILL, 0), case.result.counts.scored_passes
    wrong = sum(wrong_apart(case.truth, case.result))
    excused = still > 0 and wrong - still <= case.by.accepted * (passes - still)
    return Decision.OPEN if excused else None


def _lone_gap(case: JudgedSetting, so_far: GroundedDecision) -> Decision | None:
    """Excuse a setting whose output is active for most of the gap time because of one gap: its border may be wrong."""
    if so_far.good or so_far.ground in UNSHOWN | {Ground.LOG_STOPPED}:
        return None
    return Decision.OPEN if case.lone_gap is not None else None


# In this order: what forbids a setting that costs little, then what excuses one that costs much.
_JUDGEMENTS: dict[Ground, Callable[[JudgedSetting, GroundedDecision], Decision | None]] = {
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
