"""The verdict on a setting, made in one place: decision, claim, reasons, next step."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from teachlab.errors import UnmeasurableError
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.draws import Costs
from teachlab.model.margin import SIDE_WORDS
from teachlab.model.printable_text import in_figures, level_text, number_of, printable, round_figure, typed_again
from teachlab.model.recording import Origin
from teachlab.model.score import USUAL_RULES, Outcome, Rules, Score, Trials
from teachlab.model.setting import Setting
from teachlab.model.verdict import Verdict, VerdictReason
from teachlab.questions.feasibility.designed_cure import tried_both_ways
from teachlab.questions.feasibility.tried_cures import MOST_SAMPLES, ON_NEW, TriedCure, cure_reason, tried_cures
from teachlab.questions.feasibility.two_sides import TwoSides, two_sides
from teachlab.questions.stress.equal_cost import room_of
from teachlab.questions.verdict.claim_words import few_lots_text, headline
from teachlab.questions.verdict.places import moment, place_text
from teachlab.scoring.claimable import Claimable, OpenCondition, claimable, unusable
from teachlab.scoring.claims import lot_counts
from teachlab.scoring.clearance import near_misses
from teachlab.scoring.error_places import error_places
from teachlab.scoring.margin import LEAST_MARGIN
from teachlab.scoring.reasons import STANDS_STILL, Reasons, reasons_of
from teachlab.scoring.scoring import score
from teachlab.statistics.claims.decisions import (
    ACCEPTED_ERRORS,
    DECIDING_STRETCHES,
    Decision,
    MeasuredCost,
    decide,
    enough_to_decide,
)
from teachlab.statistics.claims.lot_claims import CLAIM_LOT_PASSES, CLAIM_LOTS, NOTHING, Assumption
from teachlab.statistics.claims.orders import lots_to_exceed
from teachlab.statistics.lots import Source

if TYPE_CHECKING:
    from teachlab.data.alignment.answer import Alignment
    from teachlab.model.margin import EqualCost, Margin
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth
    from teachlab.questions.stress.setting_reading import SettingReading
    from teachlab.statistics.claims.orders import CostBound

DECIDING_PASSES = DECIDING_STRETCHES * CLAIM_LOT_PASSES
"""Number of passes with enough stretches for a decision if no lots are named."""
RARE_KIND = 0.05
"""Share of a rare kind in the product, which teaching on few passes may not have been shown."""
SAID_BY_THE_CLAIM = frozenset({OpenCondition.INVERTED, OpenCondition.NEVER, OpenCondition.NOTHING_LEFT})
SWAPPED, FEWEST_SWAPPED = 0.9, 5
"""Kinds may be swapped if this share of both kinds of passes, and at least so many, come out the opposite way."""
MISSED_AT_MOST = 0.05
"""If the probability that a rare kind was not shown is below this, nothing is said."""
NEVER_COMPARED = "The replay was never compared with this sensor: its own switching was not logged."
TO_BE_COMPARED = "The replay was not compared with the sensor's own logged output here: teachlab agree does."
NEW = "NEW.parquet"
"""Stands for the recording that is still to be made."""
LOG = "Log a new recording"
"""Begins the step of a verdict for which more must be recorded."""
ON_NEW_TOO = "Check it on the new recording too."
"""Said of a change where that step is told."""
FOLLOWERS = {"following": "background-follower", "turning points": "turning-point-follower"}
"""Strategies that teach what a change of this kind is."""
DESIGNED = frozenset({"designed", "filter", "on-delay", "off-delay", "band"})
"""Kinds of change that a design makes."""
FEWEST_STEPS = 64
"""With fewer steps from background to objects, what looks like a step of the converter may be none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedBy:
    """Rules by which a setting is judged.

    Parameters
    ----------
    rules : Rules
    costs : Costs
    accepted : float
        Errors per pass that are accepted.
    assumption : Assumption
        What the headline may assume.
    look_at_sides : bool
        Whether to look for objects on both sides of the background even if no pass is lost.
    alignment : Alignment, optional
        How the borders of the passes lie against the light, if that was measured.
    cures : bool
        Whether to try changes even for a setting that may be used as it is.
    files : FilesJudged, optional
        For the next step.
    """

    rules: Rules = USUAL_RULES
    costs: Costs = field(default_factory=Costs)
    accepted: float = ACCEPTED_ERRORS
    assumption: Assumption = NOTHING
    look_at_sides: bool = False
    alignment: Alignment | None = None
    cures: bool = False
    files: FilesJudged | None = None

    @property
    def setting_file(self) -> str:
        """File of the setting that is judged; empty if it is in none."""
        return "" if self.files is None or self.files.setting is None else self.files.setting


@dataclass(frozen=True, slots=True, kw_only=True)
class FilesJudged:
    """The files of recording and setting, so that the next step works as printed.

    Parameters
    ----------
    recording : str
    setting : str, optional
        File of the setting that was judged.
    truth : str, optional
        Table of passes, if it is not the one beside the recording.
    keep : str
        Command that writes the setting, if it is in no file yet.
    """

    recording: str
    setting: str | None = None
    truth: str | None = None
    keep: str = ""

    def next_step(
        self, decision: Decision, *, fixed: bool = True, both_sides: bool = False, borders: bool = False, log: str = "",
        cure: str | None = None, align: Alignment | None = None, again: bool = False,
    ) -> str:  # fmt: skip
        """Return how to go on with the judged setting.

        Parameters
        ----------
        decision : Decision
        fixed : bool
            Whether its levels are fixed: only such a setting can have a record.
        both_sides : bool
            Whether objects lie on both sides of the background.
        borders : bool
            Whether the borders of the passes are in the way.
        log : str
            How much must be recorded before anything can be decided; empty if there is enough.
        cure : str or None
            Kind of the best change that is told; empty if none leaves at most half of the errors, None if none was
            looked for.
        align : Alignment, optional
            If the passes lie beside the light: they are moved first.
        again : bool
            Whether a new recording is for teaching anew.
        """
        if align is not None:
            return align.command(self.recording, self.truth)
        on = typed_again(self.recording, truth=self.truth)
        of = typed_again(self.recording, truth=self.truth, setting=self.setting)
        if both_sides:
            return f"teachlab bench {on} --strategy two-threshold --strategy guard-or-window --out results"
        good = decision in {Decision.USE, Decision.LIMIT}
        keep = self.keep or f"teachlab bench {on} --out results"
        if good:
            if self.setting is None:
                return keep
            return f"teachlab report {of} --out record" if fixed else f"teachlab replay {of} --details"
        if borders:
            return f"teachlab align {on}"
        if log:
            ask = f"{LOG} with {log}, and name the lot of every pass."
            if again:
                return f"{ask} Then: teachlab bench {NEW} --out results"
            if self.setting is None:
                return f"{ask} Keep this setting: {keep}"
            return f"{ask} Then: teachlab replay {typed_again(NEW, setting=self.setting)}"
        # Which kind follows best is for their draws to say: a change that was tried knew all passes.
        asked = " ".join(f"--strategy {name}" for name in FOLLOWERS.values())
        if cure in FOLLOWERS and asked not in keep:
            return f"teachlab bench {on} {asked}"
        # A design that could be better still is not mended by the same design.
        if cure in DESIGNED and not keep.startswith("teachlab design "):
            return f"teachlab design {on}"
        return f"teachlab counterfactual {of} --best" if cure == "" else f"teachlab surface {of}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Overturned:
    """What the passes of the claim show against the setting that was chosen on earlier ones.

    Parameters
    ----------
    reason : VerdictReason
        How many errors it makes there, and how many another one does.
    fails : bool
        Whether a whole lot shows that it does not work there; otherwise its errors are few.
    """

    reason: VerdictReason
    fails: bool


def setting_verdict(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    result: Score,
    *,
    by: JudgedBy | None = None,
    about: str = "",
    candidates: Sequence[tuple[CostBound, bool]] = (),
    margin: Margin | None = None,
    reading: SettingReading | None = None,
    whole: SettingReading | None = None,
    overturned: Overturned | None = None,
) -> Verdict:
    """Judge a setting by its score.

    Parameters
    ----------
    recording, truth, setting
        What is judged.
    result : Score
        Score of the setting under the rules of `by`.
    by : JudgedBy, optional
    about : str
        Name of the setting: a strategy, a file.
    candidates : sequence of (CostBound, bool)
        Errors per pass of every setting that was tried, including this one, and whether its output is usable; none:
        only this one.
    margin : Margin, optional
        Margin of the setting: with it, the verdict says which levels cost the same.
    reading : SettingReading, optional
        Reading of the same setting, which saves a few readings.
    whole : SettingReading, optional
        The same, if `by` scores only a part of the passes: reading of the setting over all of them. Without it, no
        levels of equal cost are stated then.
    overturned : Overturned, optional
        If another candidate is right where this setting is wrong: then it is not to be used, or with a limit only.
    """
    by = by or JudgedBy()
    copies = extremes = None
    if reading is not None:
        copies, extremes = reading.copies(), reading.extremes
    found = claimable(
        recording, truth, setting, result, copies=copies, belongs=by.alignment is None or by.alignment.belongs
    )
    counts = lot_counts(truth, found.trials)
    # Conditions that hold for any level may be stated by their reason; the others limit the use.
    usable = not unusable(result)
    passes = int(counts.passes.sum())
    errors = float(counts.errors().sum()) / passes if passes else None
    cost = counts.bound(by.costs, confidence=by.rules.confidence)
    step = light_step(recording, margin)
    sides = None
    # If no pass is lost, none lies on the other side of the background: the light need not be read for that.
    if type(setting) is Setting and (result.counts.lost or by.look_at_sides):
        rate = setting.evaluation_rate_hz or recording.info.sample_rate_hz
        if extremes is None or extremes.rate_hz != rate:
            extremes = PassAndGapExtremes.of(
                recording, truth, evaluation_rate_hz=setting.evaluation_rate_hz, rules=by.rules
            )
        sides = two_sides(recording, truth, setting, rules=by.rules, extremes=extremes, step=step)
    tried = candidates or [(counts.bound(confidence=by.rules.confidence), usable)]
    decision = decide(
        MeasuredCost(
            errors=errors,
            cost=cost,
            never=by.costs.miss,
            named_lots=counts.named_lots,
            usable=usable,
            conditions=len(found.conditions),
        ),
        tried,
        accepted=by.accepted,
    )
    if sides is not None and decision in {Decision.USE, Decision.LIMIT}:
        # A single threshold that detects only one side is never recommended.
        decision = Decision.OPEN
    if overturned is not None and decision in {Decision.USE, Decision.LIMIT}:
        # Nor is a setting that loses a lot on which another one works.
        decision = Decision.OPEN if overturned.fails else Decision.LIMIT
    # Passes that lie beside the light say nothing against a setting.
    lies = by.alignment
    apart = lies is not None and lies.matters and decision not in {Decision.USE, Decision.LIMIT}
    why_lost = reasons_of(recording, truth, setting, result, rules=by.rules, extremes=extremes, step=step)
    # A log that stands still says nothing either.
    stopped = not apart and decision in {Decision.NONE, Decision.OPEN} and _log_stopped(why_lost, result, by.accepted)
    if apart or stopped:
        decision = Decision.OPEN
    good = decision in {Decision.USE, Decision.LIMIT}
    # What the claim says about the output itself is no limit of its use.
    limits = [text for why, text in found.conditions.items() if why not in SAID_BY_THE_CLAIM]
    conditions = [text for text in (*limits, few_lots_text(counts, truth, amount=good) if passes else "") if text]
    reasons: list[VerdictReason] = []
    if sides is not None:
        reasons.append(VerdictReason(text=sides.sentence(), count=min(sides.above, sides.below)))
    more: tuple[str, ...] = ()
    if apart:
        reasons.append(
            VerdictReason(
                text="The passes do not lie where the light is: no setting can be judged by them."
                if lies is not None and lies.off
                else "The borders of the passes are less sure than stated: measure how sure before a setting is judged."
            )
        )
    elif overturned is None:
        undecided, more = ([], ()) if stopped else _undecided(decision, truth, tried, cost, errors, by, passes)
        reasons += undecided
    else:
        # Said before the claim, in a good case as in a bad one.
        conditions.insert(0, overturned.reason.text)
    if swapped := swapped_kinds(truth, found.trials):
        reasons.append(swapped)
    before, placed = len(reasons), len(error_places(truth, found.trials))
    reasons += _errors(recording, truth, found, why_lost)
    cures: list[TriedCure] = []
    if (by.cures or not good) and not apart:
        cures = tried_cures(recording, truth, setting, result, rules=by.rules, extremes=extremes, step=step)
    if not good and not apart and result.counts.onsets and OpenCondition.NEVER not in found.conditions:
        reasons += _both_ways(recording, truth, setting, found, by, step)
    mended = cure_reason(cures, result.counts.errors)
    place = max(min(1, len(reasons)), before + min(1, placed))
    if decision is Decision.NONE and (none := _none_works(tried, by)) is not None:
        reasons.append(none)
    if (rare := rare_kind_text(setting, truth)) is not None:
        reasons.append(rare)
    # New lots decide for whichever setting is chosen on them. Teaching and choosing take their share of them.
    again = overturned is not None and not good
    share = passes / max(passes, int(truth.detect.sum())) if again and passes else 1.0
    claim = headline(counts, found, confidence=by.rules.confidence, assumption=by.assumption)
    few = usable and (errors is None or not enough_to_decide(cost))
    overall, room = _over_all(recording, truth, setting, margin, by, reading, whole)
    next_step = (
        ""
        if by.files is None
        else f"teachlab inspect {typed_again(by.files.recording, truth=by.files.truth)}"
        if stopped
        else by.files.next_step(
            decision,
            fixed=type(setting) is Setting,
            both_sides=sides is not None,
            borders=bool({OpenCondition.BORDERS, OpenCondition.ELSEWHERE} & set(found.conditions)),
            log=_enough(truth, share) if few or again else "",
            # For other kinds of setting nothing is tried: a design has all of them to choose from.
            cure="designed"
            if type(setting) is not Setting
            else _cure(cures if mended is not None else (), recording, usable=usable),
            align=lies if apart or (lies is not None and lies.off) else None,
            again=again,
        )
    )
    if mended is not None:
        # What would mend it follows after the place of the errors. It was found on these passes: the recording that
        # decides on the setting decides on the change too, so that neither goes first.
        if next_step.startswith(LOG):
            mended = replace(mended, text=mended.text.replace(ON_NEW, ON_NEW_TOO))
        reasons.insert(place, mended)
    return Verdict(
        decision=str(decision),
        about=about,
        setting=setting,
        claim=replace(claim, more=(*more, *claim.more)),
        reasons=tuple(reasons),
        next_step=next_step,
        conditions=tuple(conditions) if decision is not Decision.USE else (),
        # Levels that cost the same as a useless output are useless too.
        equal_cost=room if usable else None,
        step=step,
        rehearsal=found.synthetic,
        sensor=_compared(recording),
        cures=tuple(cure.told for cure in cures),
        near=None
        if margin is None or overall is None
        else near_reason(recording, truth, setting, margin, found) or rim_reason(setting, overall, room, step),
        tried=len(tried),
    )


def _cure(cures: Sequence[TriedCure], recording: Recording, *, usable: bool) -> str | None:
    """Return the kind of the best change that is told, empty if there is none; None if that says nothing."""
    if cures:
        return cures[0].kind
    return "" if usable and recording.samples <= MOST_SAMPLES else None


def _enough(truth: Truth, share: float) -> str:
    """Return how much a recording must hold so that a setting can be decided on this share of it, in lots if named."""
    if truth.lot is not None and set(truth.lot.tolist()) - {""}:
        return f"{math.ceil(CLAIM_LOTS / share)} lots of at least {CLAIM_LOT_PASSES} passes each"
    return f"at least {math.ceil(DECIDING_PASSES / share)} passes"


def _over_all(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    margin: Margin | None,
    by: JudgedBy,
    reading: SettingReading | None,
    whole: SettingReading | None,
) -> tuple[Margin | None, EqualCost | None]:
    """Return margin and levels of equal cost over all passes of the recording, whichever of them are judged.

    A level that costs the same on the judged half may lose a lot of the other half: one question has one answer.
    """
    rules = by.rules
    if rules.first_pass and margin is not None:
        if whole is None:
            return margin, None
        rules = rules.scored_from(0)
        try:
            margin = whole.margin(score(whole.output, truth, rules=rules, tables=False).trials)
        except UnmeasurableError:
            margin = None
        reading = whole
    return margin, room_of(recording, truth, setting, margin, rules=rules, costs=by.costs, reading=reading)


def rim_reason(setting: Setting, margin: Margin, room: EqualCost | None, step: float | None) -> VerdictReason | None:
    """Say so if the light comes nearer to a level than noise allows in the long run, and where the middle is."""
    side = margin.sides.smallest()
    if side is None or not 0 <= side[1] < LEAST_MARGIN:
        return None
    of, what = SIDE_WORDS[side[0]]
    level, light = {
        "detect": (setting.activation, margin.weakest_pass),
        "trip": (setting.activation, margin.strongest_gap),
        "release": (setting.release, margin.highest_valley),
        "hold": (setting.release, margin.lowest_hold),
    }[side[0]]
    if light is None:
        return None
    text = (
        f"The {of} keep {in_figures(abs(light - level), 3)} {setting.unit} from the {what}, {in_figures(side[1], 2)} "
        f"times the noise; {LEAST_MARGIN:g} times is the least for long use."
    )
    if room is not None and what == "level":
        at, name = (room.on_low + room.on_high) / 2, "on-level"
        if not setting.light_on:
            at, name = at - (setting.on_level - setting.off_level), "off-level"
        middle = in_figures(at, 4) if step is None else level_text(at, step)
        text += f" In the middle of the room the {name} is {middle} {setting.unit}."
    return VerdictReason(text=text)


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


def _compared(recording: Recording) -> str:
    # There is no sensor with which synthetic light could be compared.
    if recording.info.origin is Origin.SYNTHETIC:
        return ""
    return NEVER_COMPARED if recording.info.output is None else TO_BE_COMPARED


def near_reason(
    recording: Recording, truth: Truth, setting: Setting, margin: Margin, found: Claimable
) -> VerdictReason | None:
    """Name the passes or gaps that were right but far nearer to the level than the others; None if there are none."""
    if clipped := {"detect", "trip"} & set(margin.no_variance):
        what = "passes" if "detect" in clipped else "gaps"
        return VerdictReason(
            text=f"The light of the {what} stands at an end of the scale: nothing is seen of how it varies, so how "
            "near it may come to the level is not known."
        )
    near = near_misses(truth, setting, margin, found.trials)
    if not near:
        return None
    side, info = near[0], recording.info
    row = side.rows[0]
    gap = side.side == "trip" and bool(truth.detect[row])
    names = {str(truth.label[k]) for k in side.rows}
    kind = f" ('{printable(names.pop(), most=24)}')" if not gap and len(names) == 1 and "" not in names else ""
    at = (int(truth.end[row]) if gap else int(truth.start[row])) / info.sample_rate_hz
    which = f"after pass {row}" if gap else f"pass {row}"
    things = "gap" if gap else "pass"
    many = f"{len(side.rows)} of {number_of(side.count, things, 'gaps' if gap else 'passes')}{kind}"
    if side.side == "trip" and not gap:
        many += " to be ignored"
    one = len(side.rows) == 1
    least, usual = in_figures(side.least, 3), in_figures(side.usual, 3)
    come = "comes near the level:" if one else "come near the level: the nearest"
    text = (
        f"{many} {come} {least} {info.unit} from it "
        f"({which}, {moment(round(at * info.sample_rate_hz), info)}); half of all keep {usual} or more."
    )
    return VerdictReason(text=text, count=len(side.rows), first_at_s=at)


def light_step(recording: Recording, margin: Margin | None) -> float | None:
    """Return the smallest step of the light: 1 for whole numbers, otherwise as it occurs; None if it is not visible.

    The smallest difference between levels that occur is a step only if there are many steps between background and
    objects.
    """
    if recording.whole_step is not None:
        return recording.whole_step
    if margin is None or margin.step is None or margin.weakest_pass is None or margin.strongest_gap is None:
        return None
    return margin.step if FEWEST_STEPS * margin.step <= abs(margin.weakest_pass - margin.strongest_gap) else None


def rare_kind_text(setting: Setting, truth: Truth) -> VerdictReason | None:
    """Say how likely teaching did not show a kind that makes up 5 % of the product; None if that is unlikely.

    It is said only if kinds are known to differ: more than one label, or more than one lot.
    """
    drawn = {} if setting.taught is None else setting.taught.evidence.get("drawn", {})
    shown = max(
        (int(part.get("passes", 1)) for name, part in drawn.items() if name in {"object", "sweep", "events"}),
        default=0,
    )
    kinds = len(set(truth.label[truth.detect].tolist()))
    lots = 0 if truth.lot is None else len(set(truth.lot.tolist()))
    missed = (1 - RARE_KIND) ** shown
    if not shown or max(kinds, lots) < 2 or missed <= MISSED_AT_MOST:
        return None
    differ = f"{kinds} kinds of object" if kinds > 1 else f"{number_of(lots, 'lot')}"
    return VerdictReason(
        text=f"Taught on {shown} pass{'' if shown == 1 else 'es'} of {differ}: a kind that makes up "
        f"{100 * RARE_KIND:g} % of the product was absent from them with a probability of {100 * missed:.0f} %.",
        count=shown,
    )


def _undecided(
    decision: Decision,
    truth: Truth,
    tried: Sequence[tuple[CostBound, bool]],
    cost: CostBound,
    errors: float | None,
    by: JudgedBy,
    passes: int,
) -> tuple[list[VerdictReason], tuple[str, ...]]:
    """Say why nothing is decided, if the errors themselves do not say so; and what more of this recording would do."""
    if decision is not Decision.OPEN:
        return [], ()
    if errors is None:
        return [VerdictReason(text="To judge takes passes that teaching did not use and that are not left out.")], ()
    # If teaching and choosing took their share of the passes, they take it of future passes too.
    share = passes / max(passes, int(truth.detect.sum())) if by.rules.first_pass else 1.0
    if not enough_to_decide(cost):
        few = max(1, DECIDING_PASSES - passes)
        again = max(1, math.ceil((DECIDING_PASSES - passes) / share))
        more = f"{few:,} more passes" + (f", or {again:,} if it is taught again," if again > few else "")
        in_lots = f" in {number_of(cost.lots, 'lot')}" if cost.source is Source.LOTS else ""
        return (
            [VerdictReason(text=f"{number_of(passes, 'pass', 'passes')}{in_lots} "
                                f"{'is' if passes == 1 else 'are'} too few to decide.", count=passes)],
            (f"In this same recording {more} would decide, without a claim beyond it.",),
        )  # fmt: skip
    if errors > by.accepted:
        lots = cost.source is Source.LOTS
        told = (
            f"{in_figures(100 * errors, 2)} errors per 100 passes, {100 * by.accepted:g} are accepted. "
            f"{number_of(cost.lots, 'lot') if lots else number_of(passes, 'pass', 'passes')} are too few to be sure "
            "that it makes too many."
        )
        nearest = min((bound for bound, usable in tried if usable), key=lambda bound: bound.low, default=None)
        need = None if nearest is None else lots_to_exceed(nearest, by.accepted)
        if nearest is None or need is None or need <= nearest.lots:
            return [VerdictReason(text=told)], ()
        # Candidates may also rest on the choosing half.
        further = (need - nearest.lots) * cost.lots / nearest.lots / share
        more = f"{round_figure(further if lots else further * passes / cost.lots)} more {'lots' if lots else 'passes'}"
        return [VerdictReason(text=told)], (f"About {more} with as many errors would show that it makes too many.",)
    return [], ()


def _none_works(tried: Sequence[tuple[CostBound, bool]], by: JudgedBy) -> VerdictReason | None:
    """Say how many errors the best of the usable settings makes at least."""
    best = min((bound for bound, usable in tried if usable), key=lambda bound: bound.low, default=None)
    if best is None:
        return None
    of = f"{best.lots} {'lots' if best.source is Source.LOTS else 'stretches'}"
    every = "Every setting tried makes" if len(tried) > 1 else "It makes"
    return VerdictReason(
        text=f"{every} at least {in_figures(100 * best.low, 2)} errors per 100 passes at {100 * best.confidence:g} % "
        f"confidence ({of}), more than the {100 * by.accepted:g} accepted.",
    )


def _log_stopped(why_lost: Reasons, result: Score, accepted: float) -> bool:
    """Whether no more errors than accepted are left without the passes in which the log stands still."""
    n, still = result.counts, why_lost.counts.get(STANDS_STILL, 0)
    return still > 0 and n.errors - still <= accepted * (n.scored_passes - still)


def _errors(recording: Recording, truth: Truth, found: Claimable, why_lost: Reasons) -> list[VerdictReason]:
    """Return the errors by cause, the largest first, each with its place."""
    info = recording.info
    out: list[VerdictReason] = []
    for place in error_places(truth, found.trials):
        at = place.first_sample / info.sample_rate_hz
        out.append(VerdictReason(text=place_text(place, info), count=place.count, first_at_s=at))
    for cause in why_lost.causes():
        text = f"{cause.text[:1].upper()}{cause.text[1:]}"
        text += "" if text.endswith("?") else "."
        if cause.sample is None:
            out.append(VerdictReason(text=text, count=cause.count))
            continue
        where = moment(cause.sample, info) + ("" if cause.row is None else f", pass {cause.row}")
        lead = "At" if cause.count == 1 else "First at"
        at = cause.sample / info.sample_rate_hz
        out.append(VerdictReason(text=f"{text} {lead} {where}.", count=cause.count, first_at_s=at))
    return out


def _both_ways(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    found: Claimable,
    by: JudgedBy,
    step: float | None,
) -> list[VerdictReason]:
    """Try the first gap or stretch with most errors both ways: left out, and designed against."""
    for place in error_places(truth, found.trials):
        if (tried := tried_both_ways(recording, truth, setting, place, rules=by.rules, step=step)) is not None:
            wrong = min(sum(one) for one in (tried.left_out, tried.against) if one is not None)
            return [VerdictReason(text=tried.sentence(), count=wrong)]
    return []


__all__ = ["FilesJudged", "JudgedBy", "TwoSides", "light_step", "rare_kind_text", "setting_verdict"]
