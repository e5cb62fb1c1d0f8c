"""Two or more settings on the same passes, or on two recordings: differences with their intervals, as one value."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Any

from teachlab.data.alignment.room import alignment_of
from teachlab.errors import ParameterError
from teachlab.light.noise import JUDGED, need_for_light
from teachlab.model.json_values import picked, plain
from teachlab.model.printable_text import in_figures, number_of
from teachlab.model.score import USUAL_RULES, Rules, Score, Trials
from teachlab.model.verdict import HeadlineClaim, Verdict, VerdictReason, sentence
from teachlab.questions.stress.equal_cost import room_of
from teachlab.questions.stress.worth import SettingWorth, Worth
from teachlab.questions.verdict.claim_words import NOTHING_SHOWN, headline
from teachlab.questions.verdict.judged_by import UNSHOWN, GroundedDecision, JudgedBy
from teachlab.questions.verdict.judgement import JudgedSetting
from teachlab.scoring.by_lot import lost_rate_by_lot
from teachlab.scoring.claimable import touching_merges, without_touching
from teachlab.scoring.claims import LotCounts, in_common, lot_counts, paired_costs
from teachlab.scoring.paired_lots import PairedLots, gaps_by_lot, passes_by_lot, unpaired_lots
from teachlab.scoring.pairs import compare_gaps, compare_passes
from teachlab.statistics.claims.decisions import Decision
from teachlab.statistics.claims.lot_claims import CLAIM_LOT_PASSES, NOTHING, Assumption
from teachlab.statistics.claims.orders import (
    MOST_LOTS,
    ORDER_LOTS,
    Order,
    OrderStanding,
    lots_to_order,
    orders,
)
from teachlab.statistics.differences import miettinen_nurminen, newcombe, p_mid, rate_ratio, tango
from teachlab.statistics.lots import Source
from teachlab.statistics.paired_tests import holm

if TYPE_CHECKING:
    from teachlab.data.alignment.answer import Alignment
    from teachlab.model.margin import EqualCost
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth
    from teachlab.questions.stress.setting_reading import SettingReading

TAKE, NONE_YET, ALIKE = "take", "take none yet", "no difference shown"
"""Decisions: the first costs less and works; it costs less; no order is shown."""
INDEPENDENT = "all trials are independent"
ONE_BY_ONE = "false trips come one by one, independently of one another"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CompareAnswer:
    """Results of settings on the same passes, or on two recordings.

    `with_`: the second recording, if there is one.
    `sides`: score, margin and reserves of each side.
    `found`: the differences, in the form of the document.
    `lines`: the same in sentences.
    `verdict`: which one costs less, and how sure that is.
    `alignment`: how the passes lie against the light of the recording; None for two recordings.
    `works`: whether the cheapest setting may be used.
    """

    recording: str
    with_: str | None
    unit: str
    names: tuple[str, ...]
    settings: tuple[Setting, ...]
    sides: tuple[Worth, ...]
    found: dict[str, Any]
    lines: tuple[str, ...]
    verdict: Verdict
    alignment: Alignment | None = None
    works: bool = False

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        document = {
            "schema": 1,
            **picked(self, "verdict", "recording"),
            "with": self.with_,
            "settings": list(self.settings),
            **self.found,
            "sides": [{"name": name, **side.as_dict()} for name, side in zip(self.names, self.sides, strict=True)],
        }
        return {name: plain(value) for name, value in document.items()}


def compare(
    recordings: Sequence[tuple[Recording, Truth]],
    settings: Sequence[tuple[str, Setting]],
    *,
    rules: Rules = USUAL_RULES,
    margins: bool = True,
    called: Sequence[str] = (),
    assumption: Assumption = NOTHING,
) -> CompareAnswer:
    """Compare settings by the passes and gaps on which exactly one of them makes an error.

    `recordings`: with one, all settings on its passes, paired; with two, the first setting on the first, the last on
    the second.
    `settings`: with their names; two or more, for two recordings one or two.
    `called`: what the user called the recordings; default: their names.
    `assumption`: what the claim on the cheapest one assumes.
    Raises ParameterError if there are too many settings, or too few.
    """
    names, chosen = [name for name, _ in settings], [setting for _, setting in settings]
    called = list(called) or [recording.name for recording, _ in recordings]
    twice = next((name for k, name in enumerate(names) if name in names[:k]), None)
    if twice is not None and len(recordings) == 1:
        raise ParameterError(f"--setting '{twice}' is given twice. Name two different settings.")
    for recording, _ in recordings:
        need_for_light(recording, "a comparison", JUDGED, level=chosen[0].on_level if chosen else None)
    confidence, lies, works = rules.confidence, None, False
    if len(recordings) > 1:
        if len(chosen) > 2:
            raise ParameterError(f"--with compares two recordings under one or two settings, got {len(chosen)}.")
        ends = (chosen[0], chosen[-1])
        sides = [
            _measuring(recording, truth, rules, margins)[1].of(setting)
            for (recording, truth), setting in zip(recordings, ends, strict=True)
        ]
        ((first, a), (second, b)), (one, other) = recordings, sides
        names = [f"{names[0]} on {first.name}", f"{names[-1]} on {second.name}"]
        found, lines = _unpaired((a, b), (one.score, other.score), confidence)
        verdict = Verdict(
            decision=str(Decision.OPEN),
            about="whether a difference comes from the setting, since two recordings were compared",
            reasons=(VerdictReason(text=sentence(lines[0])),),
            claim=HeadlineClaim(text=f"{NOTHING_SHOWN} {lines[-1]}", confidence=confidence),
        )  # fmt: skip
    else:
        if len(chosen) < 2:
            raise ParameterError("give --setting twice or more, or a second recording with --with.")
        ((first, truth),) = recordings
        lies, measuring = _measuring(first, truth, rules, margins)
        by, sides, compared = JudgedBy(alignment=lies), [], []
        for name, setting in settings:
            sides.append(side := measuring.of(setting))
            compared.append(_Side.of(name, setting, side, measuring.reading_of(setting), by))
        found, lines = _paired(truth, [side.score for side in sides], names, confidence)
        verdict, works = _ordered(truth, compared, confidence, assumption)
    return CompareAnswer(
        recording=called[0], with_=called[1] if len(called) > 1 else None, unit=first.info.unit, names=tuple(names),
        settings=tuple(chosen), sides=tuple(sides), found=found, lines=tuple(lines), verdict=verdict, alignment=lies,
        works=works,
    )  # fmt: skip


def _measuring(
    recording: Recording, truth: Truth, rules: Rules, margins: bool
) -> tuple[Alignment | None, SettingWorth]:
    """Return how the passes lie against the light, and what measures settings on the recording."""
    lies = alignment_of(recording, truth, rules)
    jitter = None if lies is None else lies.measured_jitter_ms
    return lies, SettingWorth(recording, truth, rules=rules, margins=margins, jitter_ms=jitter)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Side:
    """One setting, judged for itself as everywhere; with the trials that all settings have in common."""

    name: str
    case: JudgedSetting
    judged: GroundedDecision
    room: EqualCost | None
    trials: Trials
    counts: LotCounts

    @classmethod
    def of(cls, name: str, setting: Setting, worth: Worth, reading: SettingReading, by: JudgedBy) -> _Side:
        case = JudgedSetting(reading, setting, worth.score, by=by, margin=worth.margin)
        room = room_of(reading, worth.margin) if case.usable else None
        trials = case.found.trials
        counts = lot_counts(reading.truth, trials)
        return cls(name=name, case=case, judged=case.judge(), room=room, trials=trials, counts=counts)

    @property
    def errors(self) -> int:
        return int(self.counts.errors().sum())

    @property
    def moves(self) -> float:
        """How far both levels may move, up and down, without another error; 0 if that is not known."""
        return 0.0 if self.room is None else min(self.room.down, self.room.up)


def _ordered(truth: Truth, sides: list[_Side], confidence: float, assumption: Assumption) -> tuple[Verdict, bool]:
    """Order the settings by their cost on the passes that none of them was shown, and say how sure that is.

    Of settings with equal errors the one with the most room comes first. Also return whether the first one works.
    """
    kept = in_common([side.trials for side in sides])
    common = [replace(side, trials=t, counts=lot_counts(truth, t)) for side, t in zip(sides, kept, strict=True)]
    # An output that is active most of the time, or never, comes last at any number of errors.
    ranked = sorted(common, key=lambda side: (not side.case.usable, side.errors, -side.moves))
    best, other = ranked[:2]
    if any(side.judged.ground in UNSHOWN for side in sides):
        reason = VerdictReason(text="The times of the passes do not fit the light: no setting can be judged by them.")
        about, rehearsal = "which setting is better", best.case.found.synthetic
        return Verdict(decision=str(Decision.OPEN), about=about, reasons=(reason,), rehearsal=rehearsal), False
    pairs = [paired_costs(truth, a.trials, b.trials) for a, b in pairwise(ranked)]
    claims = not best.case.found.unsupported
    found = orders([pair.values for pair in pairs], source=pairs[0].source, alpha=1 - confidence, claims=claims)
    reasons = []
    for (a, b), order in zip(pairwise(ranked), found, strict=True):
        trials = number_of(int(a.counts.passes.sum()), "pass", "passes")
        text = f"Errors on {trials} of {a.name}: {a.errors}, of {b.name}: {b.errors}"
        text += f"; {order.told}." if a.case.usable else "."
        if a.case.usable and not b.case.usable:
            text = f"{b.name} comes last at any cost: its output is active for most of the gap time, or never."
        reasons.append(VerdictReason(text=text, count=b.errors))
    found_best, beside = replace(best.case.found, trials=best.trials), []
    if (other_shown := best.case.passes - int(best.counts.passes.sum())) > 0:
        # One number for all that was shown while any of the settings was taught.
        shown = other_shown + found_best.left_out.get("shown", 0)
        beside.append(
            f"Left out of the claim: {number_of(shown, 'pass', 'passes')} by which one of the settings was taught or "
            "chosen, or next to one of them."
        )
        found_best = replace(found_best, left_out={k: n for k, n in found_best.left_out.items() if k != "shown"})
    claim = headline(best.counts, found_best, confidence=confidence, assumption=assumption)
    claim = replace(claim, beside=(*beside, *claim.beside))
    claim = replace(claim, text=f"{best.name}: {claim.text[:1].lower()}{claim.text[1:]}")
    standing, good, useless = found[0].standing, best.judged.good, not best.case.usable
    need: int | None = None
    # Of two outputs that are of no use none is better, whatever they cost.
    opened = useless or (standing is OrderStanding.OPEN and other.case.usable)
    alike = useless or best.errors == other.errors
    link = ":" if standing is OrderStanding.ESTABLISHED else ","
    sure, named = f"{found[0].told}{link} {other.name} costs more than {best.name}", f"{best.name}:"
    if best.case.usable and not other.case.usable:
        sure = f"at any cost {other.name} comes last"
    if opened:
        # Errors that differ are a difference, though one that these lots do not show to last.
        evidence = found[0].told.removeprefix(str(OrderStanding.OPEN))
        decision = ALIKE if alike else str(Decision.OPEN)
        about = f"whether {other.name} costs more than {best.name}{evidence}. {named}"
    elif good:
        decision, about = TAKE, f"{best.name}. {sentence(sure)} {named}"
    else:
        decision, about = NONE_YET, f"{best.name} is not shown to work. {sentence(sure)} {named}"
    if opened and alike:
        about, *why = _alike(best, other)
        reasons = [*(VerdictReason(text=text) for text in why), *reasons[0 if best.errors else 1 :]]
        if claim.upper is not None and not best.errors and other.case.usable:
            claim = replace(claim, text=f"{claim.text} The same holds for {other.name}.")
    elif opened and not found[0].costs_more and pairs[0].values.size > 1:
        need = lots_to_order(pairs[0].values, alpha=(1 - confidence) / len(pairs))
        reasons.insert(1, VerdictReason(text=_size_text(found[0], need)))
    if not good and decision != NONE_YET:
        reasons.append(VerdictReason(text=f"{best.name} itself is not shown to work."))
    return Verdict(
        decision=decision,
        about=about,
        setting=best.case.setting,
        claim=claim,
        reasons=tuple(reasons),
        rehearsal=best.case.found.synthetic,
        next_step=_more_for(found[0], need, int(best.counts.passes.sum())),
        equal_cost=best.room,
        step=best.case.step,
    ), good


def _alike(best: _Side, other: _Side) -> tuple[str, ...]:
    """Say of two settings with as many errors which one to take, if that is known, and why."""
    scored = int(best.counts.passes.sum())
    passes = number_of(scored, "pass", "passes")
    if not scored:
        return (f"no pass was scored under both {best.name} and {other.name}. {best.name}:",)
    if not best.case.usable:
        useless = "The output of both is active for most of the gap time, or never."
        return f"neither {best.name} nor {other.name} can be used. {best.name}:", useless
    each = "are both without an error" if not best.errors else f"make {number_of(best.errors, 'error')} each"
    about, why = f"{best.name} and {other.name} {each} on {passes}", []
    if not best.errors:
        why.append("Neither makes an error: these passes cannot show which one would make fewer.")
    rooms = [side.room for side in (best, other) if side.room is not None]
    # Rooms are searched in steps.
    more = len(rooms) == 2 and best.moves - other.moves > max(room.resolution for room in rooms)
    if more:
        moves = [in_figures(side.moves, 2) for side in (best, other)]
        why.append(
            f"{best.name} has more room: both levels may move by {moves[0]} {best.case.setting.unit} at no more cost, "
            f"those of {other.name} by {moves[1]}."
        )
    take = "Take " if more else "Either may be used. " if other.judged.good else ""
    return f"{about}. {take if best.judged.good else ''}{best.name}:", *why


def _size_text(order: Order, need: int | None) -> str:
    """Say how many lots would show a difference of this size."""
    many = order.source.units[1]
    if need is None:
        return f"Not even {MOST_LOTS:,} {many} like these would show a difference as small as this."
    # A chance is not told: mean and spread of few lots are rough, and so is the number.
    return f"About {need:,} {many} like these would show a difference of this size, if these {order.lots} are typical."


def _more_for(order: Order, need: int | None, passes: int) -> str:
    """Return what must be recorded before an order can be established; empty if there is enough.

    `need`: lots, or stretches, that show a difference of this size; None: not known.
    `passes`: compared so far.
    """
    if order.standing is not OrderStanding.OPEN or order.lots >= ORDER_LOTS:
        return ""
    lots, as_now = max(ORDER_LOTS, need or 0), need is not None and need > ORDER_LOTS
    each = max(CLAIM_LOT_PASSES, -(-passes // max(order.lots, 1)) if as_now else 0)
    much = f"at least {lots * each} passes"
    if order.source is Source.LOTS:
        much = f"{lots} lots of at least {each} passes each"
    return f"Log a new recording with {much}, and name the lot of every pass."


def _paired(truth: Truth, scores: list[Score], names: list[str], confidence: float) -> tuple[dict[str, Any], list[str]]:
    pairs = list(combinations(range(len(scores)), 2))
    trials = [without_touching(truth, one.trials) for one in scores]
    passes = [compare_passes(trials[i], trials[j]) for i, j in pairs]
    gaps = [compare_gaps(trials[i], trials[j]) for i, j in pairs]
    # One correction for everything that was asked: all pairs, on passes and on gaps.
    lots = [
        [by(truth, trials[i], trials[j], confidence=confidence) for i, j in pairs]
        for by in (passes_by_lot, gaps_by_lot)
    ]
    found = [_pair(*both, confidence) for both in zip(passes + gaps, lots[0] + lots[1], strict=True)]
    corrected = holm([row[row["p_used"]] for row in found]).tolist()
    rows, lines = [], []
    for k, (i, j) in enumerate(pairs):
        row = found[k] | {
            "settings": [names[i], names[j]],
            "p_holm": corrected[k],
            "gaps": found[len(pairs) + k] | {"p_holm": corrected[len(pairs) + k]},
        }
        rows.append(row)
        lines.append(f"{names[i]} against {names[j]}:")
        lines.append("  lost passes: " + _sentence(row, row["p_holm"]))
        lines.append("  tripped gaps: " + _sentence(row["gaps"], row["gaps"]["p_holm"]))
    lines.append(
        "Difference: first less second, Tango's interval, and by lots at the effective number of trials. Exact p and "
        "mid-p take all trials as independent; p by lots, and by stretches, is below 5 % exactly where the interval "
        "of 95 % by them leaves out 0. What is called different is so by lots where lots are named, else by stretches "
        "and by exact p, corrected for all comparisons of this run."
    )
    return {**rows[0], "confidence": confidence, "pairs": rows}, lines


def _pair(found: Any, by_lot: PairedLots | None, confidence: float) -> dict[str, Any]:
    difference = tango(found.only_first, found.only_second, found.trials, confidence)
    return {
        "discordant": [found.only_first, found.only_second],
        "trials": found.trials,
        "p_exact": found.p_exact,
        "p_mid": p_mid(found.only_first, found.only_second),
        "p_by_lot": None if by_lot is None else by_lot.p,
        "p_used": "p_exact" if by_lot is None or by_lot.source is not Source.LOTS else "p_by_lot",
        "assumes": INDEPENDENT if by_lot is None or by_lot.source is not Source.LOTS else by_lot.assumes,
        "difference": difference.as_dict(),
        "difference_by_lot": None if by_lot is None else by_lot.as_dict(),
    }


def _sentence(row: dict[str, Any], corrected: float) -> str:
    b, c = row["discordant"]
    d, lots = row["difference"], row["difference_by_lot"]
    if d["estimate"] is None:
        return "no trial is valid under both."
    allowed = also = ""
    if lots is not None:
        by = "lots" if lots["source"] == "lots" else "stretches of trials"
        low, high = (100 * lots["difference"][end] for end in ("low", "high"))
        allowed = f", by {lots['lots']} {by} [{low:.3g}, {high:.3g}]"
        also = f", p by {by.split()[0]} {lots['p']:.3g}"
    return (
        f"{b} went wrong under the first only, {c} under the second only, of {row['trials']}; difference "
        f"{100 * d['estimate']:.3g} % [{100 * d['low']:.3g}, {100 * d['high']:.3g}]{allowed}; exact p "
        f"{row['p_exact']:.3g}, mid-p {row['p_mid']:.3g}{also}, corrected {corrected:.3g}: "
        + _verdict(row, corrected, 1 - d["confidence"])
    )


def _verdict(row: dict[str, Any], corrected: float, alpha: float) -> str:
    by_lot = row["p_by_lot"]
    if corrected >= alpha or by_lot is None or by_lot >= alpha:
        return "a difference is not established."
    return "different."


def _unpaired(
    truths: tuple[Truth, Truth], scores: tuple[Score, Score], confidence: float
) -> tuple[dict[str, Any], list[str]]:
    first, second = scores

    met = [int(touching_merges(truth, one.trials).sum()) for truth, one in zip(truths, scores, strict=True)]
    a, b = ((one.counts.lost - k, one.counts.scored_passes - k) for one, k in zip(scores, met, strict=True))
    # Two intervals: score for the claim, hybrid beside it, because both are in use and they differ for small counts.
    hybrid, score = newcombe(a, b, confidence), miettinen_nurminen(a, b, confidence)
    document: dict[str, Any] = {
        "unpaired": True,
        "lost": [list(a), list(b)],
        "difference": score.as_dict(),
        "difference_newcombe": hybrid.as_dict(),
        "difference_by_lot": _unpaired_by_lot(truths, scores, confidence),
        "false_trips": None,
    }
    said = f"lost {a[0]} of {a[1]} and {b[0]} of {b[1]} passes"
    if (by_lot := document["difference_by_lot"]) is not None:
        # Passes of a lot resemble each other: the interval that takes them as independent leaves out 0 too often.
        ends = (score.estimate or 0.0, *(by_lot["difference"][end] for end in ("low", "high")))
        of, low, high = (in_figures(100 * value, 3) for value in ends)
        said += f": difference (first minus second) {of} percentage points, by lots or stretches {low} to {high}"
    lines = [
        said,
        f"  if passes are independent: {_percent(score)} (Miettinen and Nurminen), {_percent(hybrid)} (Newcombe)",
    ]
    hours = first.running_hours, second.running_hours
    if min(hours) > 0:
        trips = first.counts.false_trips, second.counts.false_trips
        ratio, p_exact, p_half = rate_ratio((trips[0], hours[0]), (trips[1], hours[1]), confidence)
        document["false_trips"] = {"ratio": ratio.as_dict(), "p_exact": p_exact, "p_mid": p_half, "assumes": ONE_BY_ONE}
        said = "no trips" if ratio.estimate is None else f"{ratio.estimate:.3g} [{ratio.low:.3g}, {ratio.high:.3g}]"
        lines.append(
            f"false trips {trips[0]} in {hours[0]:.3g} and {trips[1]} in {hours[1]:.3g} running hours: ratio {said}, "
            f"exact p {p_exact:.3g}, if trips come one by one"
        )
    lines.append("Two recordings differ in more than the setting: light, dirt, product, speed.")
    return document, lines


def _percent(difference: Any) -> str:
    if difference.estimate is None:
        return "unknown"
    of, low, high = (in_figures(100 * v, 3) for v in (difference.estimate, difference.low, difference.high))
    return f"{of}, {low} to {high}"


def _unpaired_by_lot(
    truths: tuple[Truth, Truth], scores: tuple[Score, Score], confidence: float
) -> dict[str, Any] | None:
    """Return the difference at the effective numbers of passes; None if one of them is unknown."""
    first, second = (
        lost_rate_by_lot(truth, without_touching(truth, score.trials), confidence=confidence)
        for truth, score in zip(truths, scores, strict=True)
    )
    if first is None or second is None:
        return None
    return unpaired_lots(first, second, confidence=confidence).as_dict()
