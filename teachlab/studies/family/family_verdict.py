"""Verdicts of a study: on every line, and on one way of teaching for all of them."""

from __future__ import annotations

import math
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.model.draws import Costs
from teachlab.model.json_values import Document
from teachlab.model.printable_text import number_of
from teachlab.model.verdict import HeadlineClaim, Verdict, VerdictReason
from teachlab.questions.verdict.claim_words import NOTHING_SHOWN, claim_text
from teachlab.scoring.claimable import NOT_THIS_LIGHT, unsupported_by
from teachlab.scoring.claims import LotCounts, losses_claim
from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS, GOOD, Decision, MeasuredCost, decide
from teachlab.statistics.claims.lot_claims import CLAIM_LOTS, NOTHING, Assumption, claim_by_lots
from teachlab.statistics.claims.orders import CostBound, cost_bound
from teachlab.statistics.lots import Source
from teachlab.studies.family.study_grid import COUNTED, Row
from teachlab.teaching.parameters import as_text

if TYPE_CHECKING:
    from teachlab.evidence.criteria import Criteria
    from teachlab.studies.family.family_answer import GroupCounts, RankedMethod

_Method = tuple[str, str, str]


MEND = "Mend what failed, as the reason above says, and run this again."
NAMED = 3
"""Number of recordings that are named where there are more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineVerdict(Document):
    """What a study says of one recording.

    Parameters
    ----------
    recording, path : str
        A name that is different from the others, and the location.
    best : str
        The configuration that costs least on its choosing half.
    chosen_cost, claim_cost : float or None
        Per pass, on the choosing half and on the claim half.
    passes, lost, false : int
        Of the claim half.
    fault : str
        Why it could not be studied.
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
    claim: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyJudge:
    """Rules by which a study judges.

    `accepted`: errors per pass that are accepted.
    `assumption`: what the headline assumes.
    `criteria`: fixed before the run.
    """

    costs: Costs = field(default_factory=Costs)
    confidence: float = 0.95
    accepted: float = ACCEPTED_ERRORS
    assumption: Assumption = NOTHING
    criteria: Criteria | None = None

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
        """Judge the best configuration of one line, on its claim half, by its lots."""
        if fault:
            return LineVerdict(recording=name, path=path, fault=fault)
        if best is None:
            text = "no strategy teaches in half of the draws"
            return LineVerdict(recording=name, path=path, decision=str(Decision.OPEN), claim=text)
        row = methods[best][0]
        counts = _counts(row)
        return LineVerdict(
            recording=name,
            path=path,
            best=labels[best],
            chosen_cost=row["chosen_cost"],
            claim_cost=self.claim_cost(row),
            passes=row["claim_passes"],
            lost=row["claim_lost"],
            false=row["claim_false"],
            decision=str(self._decision(row, [rows[0] for rows in methods.values()])),
            claim=self._line_claim(row, counts),
        )

    def family(
        self, chosen: RankedMethod | None, rows: Sequence[tuple[Any, Row]], others: Mapping[str, Sequence[Row]],
        lines: Sequence[LineVerdict], stressed: Sequence[GroupCounts] = (), *, failed: bool = False,
    ) -> Verdict:  # fmt: skip
        """Judge one way of teaching over all lines: every line is one trial, however alike its passes are.

        `stressed` counts it under every other light that was asked for. `failed`: whether draws failed.
        """
        faults = [one for one in lines if one.fault]
        if chosen is None or not rows:
            why = _not_studied(faults, len(lines)) if faults else "No strategy teaches in half of the draws."
            inspect = f"teachlab inspect {shlex.quote(lines[0].path)}"
            step = MEND if faults or failed else inspect
            return Verdict(
                decision=str(Decision.OPEN), reasons=(VerdictReason(text=why, count=len(faults)),), next_step=step
            )
        if len(lines) == 1:
            return self._single(chosen, rows[0], others, lines[0], stressed)
        # From here on, a line is to the study what a lot is to a recording: one trial with dependent passes.
        scored = [(line, row) for line, row in rows if row["claim_passes"]]
        passes = np.array([row["claim_passes"] for _, row in scored])
        lost = np.array([row["claim_lost"] for _, row in scored])
        errors = lost + np.array([row["claim_false"] for _, row in scored])
        costs = [cost for _, row in scored if (cost := self.claim_cost(row)) is not None]
        limits = self._limits(chosen, rows, faults, len(lines)) + self._other_light(stressed, True)
        beside = [one for one in rows if _beside(one[1])]
        bounds = self._candidates(others)
        decision = decide(
            MeasuredCost(
                errors=float(errors.sum() / passes.sum()) if scored else None,
                cost=cost_bound(costs, confidence=self.confidence),
                never=self.costs.miss,
                named_lots=len(scored),
                usable=all(row["usable"] for _, row in scored),
                conditions=len(limits),
            ),
            bounds,
            accepted=self.accepted,
        )
        if beside and decision not in GOOD:
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
            claim=self._family_claim(scored),
            reasons=tuple(reasons),
            next_step=_settle(beside, len(scored), len(faults)) or self._next(chosen, decision, worst),
            conditions=tuple(limits) if decision is not Decision.USE else (),
            rehearsal=any(row["synthetic"] for _, row in rows),
            tried=len(bounds),
        )

    def _single(
        self, chosen: RankedMethod, one: tuple[Any, Row], others: Mapping[str, Sequence[Row]], line: LineVerdict,
        stressed: Sequence[GroupCounts],
    ) -> Verdict:  # fmt: skip
        row = one[1]
        limits = [*_lagging([one]), *(row["open"] or ()), *self._other_light(stressed, True)]
        decision = self._decision(row, next(iter(others.values())), len(limits))
        if decision is not Decision.USE and (few := _few_lots(row)):
            limits.append(few)
        equal = _equal_on_earlier_passes(chosen.strategy, row, next(iter(others.values())))
        reasons = self._reasons(chosen, [], np.array([]), stressed)
        if len(equal) > 1:
            others_cost = number_of(len(equal) - 1, "other strategy costs", "other strategies cost")
            text = f"{others_cost} as little on earlier passes: a bench takes the one with the most room."
            reasons.insert(0, VerdictReason(text=text))
        wrong, of = row["claim_lost"] + row["claim_false"], row["claim_passes"] or 0
        if decision is Decision.OPEN and wrong > self.accepted * of:
            text = (
                f"{number_of(wrong, 'error')} on {number_of(of, 'pass', 'passes')} are more than accepted. A bench "
                "counts the passes of choosing too: they may show that it fails."
            )
            reasons.insert(0, VerdictReason(text=text, count=wrong))
        named = " ".join(f"--strategy {name}" for name in equal)
        settle = _settle([one] if _beside(row) else [], CLAIM_LOTS if self.criteria is None else 1, 0)
        return Verdict(
            decision=str(decision),
            about=chosen.label,
            claim=HeadlineClaim(text=line.claim, confidence=self.confidence, assume=self.assumption.name),
            reasons=tuple(reasons),
            # Criteria of a study are of recordings: one is too few for any of them.
            next_step=settle or f"teachlab bench {shlex.quote(line.path)} {named} --out results",
            conditions=tuple(limits),
            rehearsal=bool(row["synthetic"]),
            tried=len(next(iter(others.values()))),
        )

    def _decision(self, row: Row, others: Sequence[Row], conditions: int | None = None) -> Decision:
        counts = _counts(row)
        passes = row["claim_passes"] or 0
        decision = decide(
            MeasuredCost(
                errors=(row["claim_lost"] + row["claim_false"]) / passes if passes else None,
                cost=counts.bound(self.costs, confidence=self.confidence),
                never=self.costs.miss,
                named_lots=counts.named_lots,
                usable=bool(row["usable"]),
                conditions=len(row["open"] or ()) if conditions is None else conditions,
            ),
            [
                (_counts(other).bound(confidence=self.confidence), bool(other["usable"]))
                for other in others
                if other["setting"] is not None
            ],
            accepted=self.accepted,
        )
        # Passes beside the light say nothing against a setting.
        return Decision.OPEN if _beside(row) and decision not in GOOD else decision

    def _candidates(self, others: Mapping[str, Sequence[Row]]) -> list[tuple[CostBound, bool]]:
        """Return the errors per pass of every configuration over the lines."""
        by_method: dict[tuple[str, str, str], list[Row]] = {}
        for rows in others.values():
            for row in rows:
                by_method.setdefault((row["strategy"], row["parameters"], row["base"]), []).append(row)
        out = []
        for rows in by_method.values():
            kept = [row for row in rows if row["claim_passes"]]
            rates = [(row["claim_lost"] + row["claim_false"]) / row["claim_passes"] for row in kept]
            out.append((cost_bound(rates, confidence=self.confidence), all(row["usable"] for row in kept)))
        return out

    def _line_claim(self, row: Row, counts: LotCounts) -> str:
        if not row["claim_passes"]:
            return f"{NOTHING_SHOWN} No pass is scored."
        # What an output does at passes beside the light says nothing about it.
        if row["lag_ms"] is not None:
            return f"{NOTHING_SHOWN} The passes lie beside the light."
        if row["open"]:
            return f"{NOTHING_SHOWN} {row['open'][0]}"
        return claim_text(losses_claim(counts, confidence=self.confidence, assumption=self.assumption))

    def _family_claim(self, scored: Sequence[tuple[Any, Row]]) -> HeadlineClaim:
        """Claim on the recordings whose evidence could have contradicted it, if the output is of use on all of them."""
        if useless := [line.name for line, row in scored if not row["usable"]]:
            text = f"{NOTHING_SHOWN} The output is active for most of the gap time, or never: {_names(useless)}."
            return HeadlineClaim(text=text, confidence=self.confidence, assume=self.assumption.name)
        kept = [row for _, row in scored if not row["open"] and not _beside(row)]
        lost = np.array([row["claim_lost"] for row in kept], np.int64)
        passes = np.array([row["claim_passes"] for row in kept], np.int64)
        counted = (
            f"{int(lost.sum()):,} of {number_of(int(passes.sum()), 'pass', 'passes')} "
            f"{'was' if lost.sum() == 1 else 'were'} lost in "
            f"{number_of(len(kept), 'recording')}"
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
        for line, row in rows:
            for text in row["open"] or ():
                held.setdefault(text, []).append(line.name)
        return out + [f"{_names(names)}: {text}" for text, names in held.items()]

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
                f"{number_of(row['claim_passes'], 'pass', 'passes')}; all recordings together have "
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

    def _next(self, chosen: RankedMethod, decision: Decision, worst: tuple[Any, Row] | None) -> str:
        if worst is None:
            return ""
        line, row = worst
        given = {name: chosen.parameters[name] for name in chosen.varied}
        sets = "".join(f" --set {name}={shlex.quote(as_text(value))}" for name, value in given.items())
        path = shlex.quote(line.path)
        if decision in GOOD and not (row["claim_lost"] or row["claim_false"]):
            return f"teachlab teach {path} --strategy {chosen.strategy}{sets} --out setting.json"
        return f"teachlab bench {path} --out results"


def _beside(row: Row) -> bool:
    """Whether the passes do not lie where the light is: counts say little then."""
    return row["lag_ms"] is not None or NOT_THIS_LIGHT in (row["open"] or ())


def supports(row: Row) -> bool:
    """Whether the passes of a recording lie at its light, and could have contradicted a claim on a setting."""
    return not _beside(row) and not unsupported_by(row["open"] or ())


def _equal_on_earlier_passes(first: str, row: Row, others: Sequence[Row]) -> list[str]:
    """Return the strategies that cost as little on the choosing half of one recording, the chosen one first."""
    same = (o["strategy"] for o in others if _same(o["chosen_cost"], row["chosen_cost"]))
    return list(dict.fromkeys([first, *same]))


def _same(cost: float | None, other: float | None) -> bool:
    return cost is not None and other is not None and math.isclose(cost, other, abs_tol=1e-12)


def _few_lots(row: Row) -> str:
    """Return that the claim holds for this recording alone, if too few lots are left; empty if there are enough."""
    if not row["claim_passes"] or row["lot_source"] == Source.LOTS:
        return ""
    named = row["named_lots"]
    left = f"only {number_of(named, 'lot is', 'lots are')} left to claim on" if named else "not every pass has a lot"
    return f"For this recording alone: {left}."


def _lagging(rows: Sequence[tuple[Any, Row]]) -> list[str]:
    """Name the recordings whose passes have to be moved to the light, and by how much."""
    found = [f"{line.name} ({row['lag_ms']:.2g} ms)" for line, row in rows if row["lag_ms"] is not None]
    return [f"Passes lie beside the light, so trust no count there: {_names(found)}."] if found else []


def _names(names: Sequence[str]) -> str:
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return f"{', '.join(names[:NAMED])}{more}"


def _settle(beside: Sequence[tuple[Any, Row]], recordings: int, faults: int) -> str:
    """Return what has to be done before anything can be decided; empty if nothing has."""
    if beside:
        return f"teachlab align {shlex.quote(beside[0][0].path)}"
    more = CLAIM_LOTS - recordings
    if more <= 0:
        return ""
    if faults >= more:
        return "Mend the recordings that could not be studied (--details has every reason), and run this again."
    return f"Log {number_of(more, 'more recording')} of other lines or days, and study all of them together."


def _counts(row: Row) -> LotCounts:
    lots = row["lots"] or []
    columns = {name: np.array([lot[name] for lot in lots], np.int64) for name in COUNTED}
    return LotCounts(
        source=Source(row["lot_source"]) if row["lot_source"] else Source.BLOCKS,
        named_lots=row["named_lots"] or 0,
        first_pass=np.arange(len(lots)),
        whole=np.ones(len(lots), bool),
        **columns,
    )


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
