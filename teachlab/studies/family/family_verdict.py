"""Verdicts of a study: on every line, and on one way of teaching for all of them."""

from __future__ import annotations

import json
import shlex
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.model.draws import Costs
from teachlab.model.json_values import Document, plain
from teachlab.model.printable_text import number_of, printable, typed_again
from teachlab.model.score import Rules
from teachlab.model.setting import Switching, bare
from teachlab.model.verdict import HeadlineClaim, Verdict, VerdictReason
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.verdict.claim_words import NOTHING_SHOWN, claim_text, headline
from teachlab.questions.verdict.count_words import limits_of, lost_group_text
from teachlab.questions.verdict.judged_by import UNSHOWN, FilesJudged, Ground, GroundedDecision, JudgedBy
from teachlab.questions.verdict.judgement import GroupLost, KnownSetting
from teachlab.questions.verdict.of_setting import setting_verdict
from teachlab.scoring.claimable import UNSUPPORTING, OpenCondition
from teachlab.scoring.scoring import score
from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS, GOOD, Decision, MeasuredCost, decide
from teachlab.statistics.claims.lot_claims import CLAIM_LOTS, NOTHING, Assumption, claim_by_lots
from teachlab.statistics.claims.orders import CostBound, cost_bound
from teachlab.studies.bench_verdict import overturned
from teachlab.studies.family.row_judgement import RowJudgement, in_order_of_choice
from teachlab.studies.family.study_grid import Row, StudiedLine
from teachlab.teaching.parameters import as_text

if TYPE_CHECKING:
    from teachlab.evidence.criteria import Criteria
    from teachlab.studies.family.family_answer import GroupCounts, RankedMethod

_Method = tuple[str, str, str]


MEND = "Mend what failed, as the reason above says, and run this again."
NAMED = 3
"""Number of recordings that are named where there are more."""
EXCUSED = frozenset({Ground.PASSES_BESIDE, Ground.PASSES_EMPTY, Ground.LOG_STOPPED, Ground.LONE_GAP})
"""On these grounds the passes say nothing against a setting."""
_TOLD = {
    Ground.LOST_BEFORE: "On all passes, those of teaching and choosing too, it makes more errors than accepted.",
    Ground.SCALE_END: "The level lies at an end of the scale, where the light is clipped: a small change of light may "
    "stop it.",
    Ground.PASSES_BESIDE: "The borders of the passes are less sure than stated: align measures how sure.",
    Ground.PASSES_EMPTY: "Most passes have the light of the gaps: nothing passed, or they lie elsewhere.",
    Ground.LOG_STOPPED: "The log stands still in lost passes: leave those stretches out.",
    Ground.LONE_GAP: "In one gap the output stays active: if a product stands there, correct the end of its pass.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LineVerdict(Document):
    """What a study says of one recording.

    `recording`, `path`: a name that is different from the others, and the location.
    `best`: the configuration that costs least on its choosing half.
    `chosen_cost`, `claim_cost`: per pass, on the choosing half and on the claim half.
    `passes`, `lost`, `false`: of the claim half.
    `why`: what limits or forbids the use of its setting first.
    `fault`: why it could not be studied.
    """

    recording: str
    path: str
    best: str = ""
    chosen_cost: float | None = None
    claim_cost: float | None = None
    passes: int = 0
    lost: int = 0
    false: int = 0
    decision: str = ""
    why: str = ""
    claim: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyJudge:
    """Rules by which a study judges.

    `rules`: those of every score; their confidence is that of every claim.
    `accepted`: errors per pass that are accepted.
    `assumption`: what the headline assumes.
    `criteria`: fixed before the run.
    `options`: those of the study that a bench must be given to find the same setting, as they are typed.
    `bases`: the file of each base setting, or the base itself where it is in none; every sample without one.
    `lines`: each recording by its path.
    """

    costs: Costs = field(default_factory=Costs)
    rules: Rules = field(default_factory=Rules)
    accepted: float = ACCEPTED_ERRORS
    assumption: Assumption = NOTHING
    criteria: Criteria | None = None
    options: str = ""
    bases: Mapping[str, str | Switching | None] = field(default_factory=dict)
    lines: Mapping[str, StudiedLine] = field(default_factory=dict)

    @property
    def confidence(self) -> float:
        """Of every claim."""
        return self.rules.confidence

    def _ask(self, verb: str, path: str, way: str = "") -> str:
        """Return a command on a recording with its passes; empty for one in memory, which no command can open."""
        line = self.lines.get(path, StudiedLine(path))
        return "" if line.opened is not None else f"teachlab {verb} {typed_again(path, truth=line.truth)}{way}"

    def _bench(self, chosen: RankedMethod, path: str, row: Row) -> str:
        """Return the bench that finds the setting of a row again, and keeps it."""
        file, first = self.bases.get(chosen.base), ""
        if isinstance(file, Switching):
            base = {"unit": row["unit"], "on_level": 0, "off_level": 0} | plain(asdict(file.switching))
            told = json.dumps({name: value for name, value in base.items() if value is not None})
            file, first = "base.json", f"with {told} in base.json: "
        on = "" if file is None else f" --base {shlex.quote(file)}"
        way = f" --strategy {chosen.strategy}{_sets(chosen)}{self.options}{on} --out results"
        command = self._ask("bench", path, way)
        return command and first + command

    def claim_cost(self, row: Row) -> float | None:
        """Return the cost, per pass of the claim half, of the setting fixed on the choosing half."""
        if not row["claim_passes"]:
            return None
        cost = self.costs.miss * row["claim_lost"] + self.costs.false * row["claim_false"]
        return float(cost) / float(row["claim_passes"])

    def line(
        self, name: str, path: str, methods: Mapping[_Method, Sequence[Row]], labels: Mapping[_Method, str],
        best: _Method | None, fault: str,
    ) -> LineVerdict:  # fmt: skip
        """Judge the best configuration of one line as a bench does."""
        if fault:
            return LineVerdict(recording=name, path=path, fault=fault)
        if best is None:
            text = "no strategy teaches in half of the draws"
            told = [f"{labels[m]}: {some[0]['reason']}" for m, some in methods.items() if some[0]["reason"]]
            why = ". ".join([f"{text[:1].upper()}{text[1:]}", *told[:1]])
            return LineVerdict(recording=name, path=path, decision=str(Decision.OPEN), claim=text, why=why)
        row = methods[best][0]
        case = self._known(row, {labels[method]: rows[0] for method, rows in methods.items()}, labels[best])
        judged = case.judge()
        shown = judged.ground not in UNSHOWN
        claim = headline(case.counts, case.found, confidence=self.confidence, assumption=self.assumption, shown=shown)
        return LineVerdict(
            recording=name,
            path=path,
            best=labels[best],
            chosen_cost=row["chosen_cost"],
            claim_cost=self.claim_cost(row),
            passes=row["claim_passes"],
            lost=row["claim_lost"],
            false=row["claim_false"],
            decision=str(judged.decision),
            why=self._why(row, case, judged),
            claim=claim.text,
        )

    def _why(self, row: Row, case: KnownSetting, judged: GroundedDecision) -> str:
        """Return what limits or forbids the use of a setting first; empty if it may just be used."""
        if judged.decision is Decision.USE:
            return ""
        reasons = () if judged.good else RowJudgement.of(row).reasons(case, judged)[0]
        return next(iter((*(one.text for one in reasons), *limits_of(case, judged))), "")

    def _known(self, row: Row, others: Mapping[str, Row], chosen: str = "") -> KnownSetting:
        """Return what is known of the setting of a row, among those of all rows of its recording by their labels.

        `chosen`: its label, where it was chosen by this recording alone: then others may be right where it is wrong.
        """
        judged = {name: RowJudgement.of(one) for name, one in others.items() if one["setting"] is not None}
        against = None
        if chosen:
            names = list(judged)
            order = [names[k] for k in in_order_of_choice(list(judged.values()), "")]
            against = overturned(
                chosen, judged[chosen].half, ((name, judged[name].half) for name in order if name != chosen),
                accepted=self.accepted, confidence=self.confidence,
            )  # fmt: skip
        tried = [one.tried(self.confidence) for one in judged.values()]
        by = JudgedBy(costs=self.costs, accepted=self.accepted, assumption=self.assumption)
        return RowJudgement.of(row).known(by, self.confidence, tried, against)

    def family(
        self, chosen: RankedMethod | None, rows: Sequence[tuple[Any, Row]], others: Mapping[str, Mapping[str, Row]],
        lines: Sequence[LineVerdict], stressed: Sequence[GroupCounts] = (), *, failed: bool = False,
    ) -> Verdict:  # fmt: skip
        """Judge one way of teaching over all lines: every line is one trial, however alike its passes are.

        `others`: all rows of each line, by the labels of their configurations. `stressed` counts the chosen one under
        every other light that was asked for. `failed`: whether draws failed.
        """
        faults = [one for one in lines if one.fault]
        if chosen is None or not rows:
            why = _not_studied(faults, len(lines)) if faults else "No strategy teaches in half of the draws."
            step = MEND if faults or failed else self._ask("inspect", lines[0].path)
            return Verdict(
                decision=str(Decision.OPEN), reasons=(VerdictReason(text=why, count=len(faults)),), next_step=step
            )
        if len(lines) == 1:
            return self._single(chosen, rows[0][1], next(iter(others.values())), lines[0].path, stressed)
        # From here on, a line is to the study what a lot is to a recording: one trial with dependent passes.
        scored = [(line, row) for line, row in rows if row["claim_passes"]]
        passes = np.array([row["claim_passes"] for _, row in scored])
        lost = np.array([row["claim_lost"] for _, row in scored])
        errors = lost + np.array([row["claim_false"] for _, row in scored])
        costs = [cost for _, row in scored if (cost := self.claim_cost(row)) is not None]
        known = [(line, self._known(row, others[line.name])) for line, row in rows if row["setting"] is not None]
        cases = [_Case(line, one, one.judge().ground) for line, one in known]
        limits = self._limits(chosen, rows, cases, faults, len(lines)) + self._other_light(stressed, True)
        beside = [one for one in rows if _beside(one[1])]
        excused = [one for one in cases if one.ground in EXCUSED]
        silent = {one.line.name for one in excused}
        bounds = self._candidates(others)
        decision = decide(
            MeasuredCost(
                errors=float(errors.sum() / passes.sum()) if scored else None,
                cost=cost_bound(costs, confidence=self.confidence),
                never=self.costs.miss,
                named_lots=len(scored),
                usable=all(row["usable"] for line, row in scored if line.name not in silent),
                conditions=len(limits),
            ),
            bounds,
            accepted=self.accepted,
        )
        forbidden = sum(one.known.both_sides is not None or one.ground is Ground.LOST_BEFORE for one in cases)
        # As on one line: passes that show nothing of a setting excuse it, and what it cannot do forbids it.
        if ((beside or excused) and decision not in GOOD) or (decision in GOOD and 2 * forbidden >= len(cases)):
            decision = Decision.OPEN
        reasons = self._reasons(chosen, scored, errors, stressed)
        if len(scored) < CLAIM_LOTS:
            count = number_of(len(scored), "recording")
            text = f"{count} {'is' if len(scored) == 1 else 'are'} too few to speak of others."
            reasons.insert(0, VerdictReason(text=f"{text} It takes {CLAIM_LOTS}.", count=len(scored)))
        made = sum(row["synthetic"] for _, row in rows)
        if 0 < made < len(rows):
            text = f"{made} of {len(rows)} recordings are synthetic. Study the others without them for evidence."
            reasons.insert(0, VerdictReason(text=text, count=made))
        worst = max(scored, key=lambda one: self.claim_cost(one[1]) or 0.0, default=None)
        return Verdict(
            decision=str(decision),
            about=chosen.label,
            claim=self._family_claim(scored, silent),
            reasons=tuple(reasons),
            next_step=self._settle(beside, excused, len(scored), len(faults))
            or ("" if worst is None else self._bench(chosen, worst[0].path, worst[1])),
            conditions=tuple(limits) if decision is not Decision.USE else (),
            rehearsal=any(row["synthetic"] for _, row in rows),
            tried=len(bounds),
        )

    def _single(
        self, chosen: RankedMethod, row: Row, others: Mapping[str, Row], path: str, stressed: Sequence[GroupCounts]
    ) -> Verdict:
        """Judge the setting of one recording by its light, as a bench does, and with it every other light asked for."""
        line = self.lines[path]
        recording, truth = line.open()
        kept, case = RowJudgement.of(row), self._known(row, others, chosen.label)
        reading = SettingReading(recording, truth, bare(kept.setting), rules=self.rules)
        result = score(reading.output, truth, rules=self.rules)
        files = FilesJudged(recording=path, truth=line.truth, keep=self._bench(chosen, path, row))
        verdict = setting_verdict(
            reading,
            kept.setting,
            result,
            by=replace(case.by, alignment=reading.alignment(), files=files if line.opened is None else None),
            about=chosen.label,
            candidates=case.candidates,
            margin=reading.margin_where_known(result),
            overturned=case.overturned,
        )
        step, beyond = verdict.next_step, self._other_light(stressed, True)
        # Criteria of a study are of recordings: one is too few for any of them.
        first = case.off or case.both_sides is not None or case.judge().ground in EXCUSED
        if self.criteria is not None and not first:
            step = _more_recordings(1)
        return replace(
            verdict,
            next_step=step,
            decision=str(Decision.LIMIT) if beyond and verdict.decision == Decision.USE else verdict.decision,
            conditions=(*verdict.conditions, *beyond),
        ).then(*(VerdictReason(text=text) for text in self._other_light(stressed, False)))

    def _candidates(self, others: Mapping[str, Mapping[str, Row]]) -> list[tuple[CostBound, bool]]:
        """Return the errors per pass of every configuration over the lines."""
        by_method: dict[tuple[str, str, str], list[Row]] = {}
        for rows in others.values():
            for row in rows.values():
                by_method.setdefault((row["strategy"], row["parameters"], row["base"]), []).append(row)
        out = []
        for some in by_method.values():
            kept = [row for row in some if row["claim_passes"]]
            rates = [(row["claim_lost"] + row["claim_false"]) / row["claim_passes"] for row in kept]
            out.append((cost_bound(rates, confidence=self.confidence), all(row["usable"] for row in kept)))
        return out

    def _family_claim(self, scored: Sequence[tuple[Any, Row]], silent: Collection[str]) -> HeadlineClaim:
        """Claim on the recordings whose evidence could have contradicted it, if the output is of use on all of them.

        `silent`: names of recordings that show nothing of the setting.
        """
        if useless := [line.name for line, row in scored if not row["usable"] and line.name not in silent]:
            text = f"{NOTHING_SHOWN} The output is active for most of the gap time, or never: {_names(useless)}."
            return HeadlineClaim(text=text, confidence=self.confidence, assume=self.assumption.name)
        kept = [row for line, row in scored if not row["open"] and not _beside(row) and line.name not in silent]
        lost = np.array([row["claim_lost"] for row in kept], np.int64)
        passes = np.array([row["claim_passes"] for row in kept], np.int64)
        counted = (
            f"{int(lost.sum()):,} of {number_of(int(passes.sum()), 'pass', 'passes')} "
            f"{'was' if lost.sum() == 1 else 'were'} lost in {number_of(len(kept), 'recording')}"
        )
        left = len(scored) - len(kept)
        out = f"Left out of the claim: {number_of(left, 'recording')} that can support none."
        more = (out,) if left else ()  # its reason is an open condition, which is told before the claim
        if scored and not kept:
            text = f"{NOTHING_SHOWN} No recording can support a claim."
            return HeadlineClaim(text=text, confidence=self.confidence, lots=0, passes=0)
        if len(kept) < CLAIM_LOTS:
            return HeadlineClaim(
                text=f"{counted}: no bound for other recordings holds.",
                confidence=self.confidence, lots=len(kept), passes=int(passes.sum()), more=more,
            )  # fmt: skip
        claim = claim_by_lots(lost, passes, confidence=self.confidence, assumption=self.assumption, least=1)
        return HeadlineClaim(
            text=claim_text(claim, lots="recordings"),
            upper=claim.upper,
            confidence=self.confidence,
            assume=self.assumption.name,
            lots=claim.lots,
            passes=claim.trials,
            more=more,
        )

    def _limits(
        self,
        chosen: RankedMethod,
        rows: Sequence[tuple[Any, Row]],
        cases: Sequence[_Case],
        faults: Sequence[LineVerdict],
        lines: int,
    ) -> list[str]:
        out = _lagging(rows)
        scored = [(line, row, row["claim_passes"]) for line, row in rows if row["claim_passes"]]
        if bad := [
            line.name for line, row, of in scored if row["claim_lost"] + row["claim_false"] > self.accepted * of
        ]:
            out.append(
                f"On {len(bad)} of {number_of(len(scored), 'recording')} it makes more than {100 * self.accepted:g} "
                f"errors in 100 passes: {_names(bad)}."
            )
        if chosen.unranked:
            out.append(f"On {number_of(chosen.unranked, 'recording')} it does not teach in half of the draws.")
        if faults:
            # On the short screen only the first limit is printed: what was not studied is named there, whatever else.
            out[:1] = [" ".join([_not_studied(faults, lines), *out[:1]])]
        held: dict[str, list[str]] = {}
        alone = {case.line.name for case in cases if case.ground is Ground.LONE_GAP}
        for line, row in rows:
            for one in row["open"] or ():
                if one["condition"] != OpenCondition.INVERTED or line.name not in alone:
                    held.setdefault(one["text"], []).append(line.name)
        apart = {line.name for line, row in rows if _beside(row)}
        for case in cases:
            said = case.ground is Ground.PASSES_BESIDE and case.line.name in apart
            if (text := _TOLD.get(case.ground)) and not said:
                held.setdefault(text, []).append(case.line.name)
        out += [f"{_names(names)}: {text}" for text, names in held.items()]
        shown = [case for case in cases if case.ground not in EXCUSED]
        if both := [case.line.name for case in shown if case.known.both_sides is not None]:
            out.append(
                f"On {len(both)} of {number_of(len(cases), 'recording')} products lie on both sides of the background, "
                f"and no single threshold sees both: {_names(both)}."
            )
        return out + self._lost_kinds(shown)

    def _lost_kinds(self, cases: Sequence[_Case]) -> list[str]:
        """Name kinds that are lost: on enough recordings together, each of them one trial, or on one by itself."""
        kinds: dict[str, list[GroupLost]] = {}
        for case in cases:
            for one in case.known.groups:
                if one.what == "kind":
                    kinds.setdefault(one.name, []).append(one)
        out, named = [], set()
        # Each kind may be the one that is lost by chance.
        confidence = 1 - (1 - self.confidence) / max(1, len(kinds))
        for name, some in kinds.items():
            bound = cost_bound([one.lost / one.of for one in some], confidence=confidence)
            if bound.lots >= CLAIM_LOTS and bound.low > self.accepted:
                named.add(name)
                lost, of = sum(one.lost for one in some), sum(one.of for one in some)
                where = number_of(len(some), "recording")
                out.append(f"Not for the kind '{printable(name, most=24)}': {lost} of {of} passes lost in {where}.")
        for case in cases:
            for what, names, lost, of in case.known.lost_groups():
                if what == "lot" or not named.issuperset(names):
                    out.append(f"{case.line.name}: {lost_group_text(what, names, lost, of)}")
        return out

    def _other_light(self, stressed: Sequence[GroupCounts], beyond: bool) -> list[str]:
        """Say what it does under each other light: where it makes more errors than accepted, or where it does not."""
        return [
            f"With other light, '{one.name}', {one.lost} of {number_of(one.passes, 'pass is', 'passes are')} lost and "
            f"{number_of(one.false, 'switching is', 'switchings are')} too many."
            for one in sorted(stressed, key=lambda one: -(one.errors_per_pass or 0.0))
            if ((one.errors_per_pass or 0.0) > self.accepted) is beyond
        ]

    def _reasons(
        self, chosen: RankedMethod, scored: Sequence[tuple[Any, Row]], errors: Any, stressed: Sequence[GroupCounts]
    ) -> list[VerdictReason]:
        out = [VerdictReason(text=text) for text in self._other_light(stressed, False)]
        if scored and errors.sum():
            k = int(np.argmax([self.claim_cost(row) or 0.0 for _, row in scored]))
            line, row = scored[k]
            text = (
                f"The costliest recording is {line.name}: {row['claim_lost']} lost and "
                f"{number_of(row['claim_false'], 'switching')} too many in "
                f"{number_of(row['claim_passes'], 'pass', 'passes')} of its claim half; all claim halves together have "
                f"{number_of(int(errors.sum()), 'error')}."
            )
            out.append(VerdictReason(text=text, count=int(errors[k])))
        if chosen.cost is not None and chosen.share_between is not None:
            text = (
                f"Its median teaching costs {100 * chosen.cost:.2g} in 100 passes, on average over the recordings. Of "
                f"the spread of all teachings, {100 * chosen.share_between:.0f} % lies between recordings."
            )
            out.append(VerdictReason(text=text))
        return out

    def _settle(self, beside: Sequence[tuple[Any, Row]], excused: Sequence[_Case], recordings: int, faults: int) -> str:
        """Return what has to be done before anything can be decided; empty if nothing has."""
        if beside:
            return self._ask("align", beside[0][0].path)
        if excused:
            ask = "align" if excused[0].ground is Ground.PASSES_BESIDE else "inspect"
            return self._ask(ask, excused[0].line.path)
        if faults >= CLAIM_LOTS - recordings > 0:
            return "Mend the recordings that could not be studied (--details has every reason), and run this again."
        return _more_recordings(recordings)


@dataclass(frozen=True, slots=True)
class _Case:
    """The recommended way of teaching on one recording, with the ground of the decision on it."""

    line: Any
    known: KnownSetting
    ground: Ground


def _sets(chosen: RankedMethod) -> str:
    given = {name: chosen.parameters[name] for name in chosen.varied}
    return "".join(f" --set {name}={shlex.quote(as_text(value))}" for name, value in given.items())


def _conditions(row: Row) -> set[str]:
    return {one["condition"] for one in row["open"] or ()}


def _beside(row: Row) -> bool:
    """Whether the passes do not lie where the light is: counts say little then."""
    return row["lag_ms"] is not None or OpenCondition.ELSEWHERE in _conditions(row)


def supports(row: Row) -> bool:
    """Whether the passes of a recording lie at its light, and could have contradicted a claim on a setting."""
    return not _beside(row) and UNSUPPORTING.isdisjoint(_conditions(row))


def _lagging(rows: Sequence[tuple[Any, Row]]) -> list[str]:
    """Name the recordings whose passes have to be moved to the light, and by how much."""
    found = [f"{line.name} ({row['lag_ms']:.2g} ms)" for line, row in rows if row["lag_ms"] is not None]
    return [f"Passes lie beside the light, so trust no count there: {_names(found)}."] if found else []


def _names(names: Sequence[str]) -> str:
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return f"{', '.join(names[:NAMED])}{more}"


def _more_recordings(recordings: int) -> str:
    """Ask for as many recordings as a claim on others takes; empty if there are."""
    more = CLAIM_LOTS - recordings
    if more <= 0:
        return ""
    return f"Log {number_of(more, 'more recording')} of other lines or days, and study all of them together."


def _not_studied(faults: Sequence[LineVerdict], lines: int) -> str:
    """Name recordings that could not be studied: three, and why the first could not."""
    names = [one.recording for one in faults[1:NAMED]]
    more = len(faults) - 1 - len(names)
    also = f" Also: {', '.join(names)}{f' and {more} more' if more else ''}." if names else ""
    first = faults[0]
    named = first.fault.startswith((f"{first.recording}: ", first.path.rpartition(".")[0]))
    why = first.fault if named else f"{first.recording}: {first.fault}"
    told = f"{len(faults)} of {number_of(lines, 'recording')} could not be studied: {why}"
    return f"{told.rstrip('.')}.{also}"
