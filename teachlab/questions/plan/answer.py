"""How many passes or hours show a rate, as one value: the plan, the standing so far, and what taught values show."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from teachlab.errors import ParameterError
from teachlab.model.json_values import plain
from teachlab.model.printable_text import in_figures, number_of
from teachlab.model.verdict import HeadlineClaim, Verdict, VerdictReason
from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS
from teachlab.statistics.claims.lot_claims import CLAIM_LOT_PASSES, Assumption, lots_needed
from teachlab.statistics.intervals import count, proportion, proportion_limits
from teachlab.statistics.lots import FEW_LOTS
from teachlab.statistics.planning import (
    Standing,
    acceptance,
    claim_hours_sentence,
    claim_sentence,
    lot_effect,
    plan_hours,
    plan_passes,
    rounded_up,
)
from teachlab.statistics.tolerance import share_beyond, tolerance_claim

LONG = 60
"""Number of lots from which on it is said how long they take."""
DAYS_OF_A_YEAR = 365.25
LEAST_TOLD = 1e-4
"""Smaller chances are told as below this."""
ONE_BY_ONE = "if false trips come one by one"
FAILED = "Choose another setting, or allow more losses. Then log other passes."
Told = tuple[dict[str, Any], list[str], Standing | None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlanAnswer:
    """What must be recorded.

    `found`: the plan, in the form of the document.
    `lines`: the same in sentences.
    `standing`: standing of the recording so far; None if none was given.
    `verdict`: lots first, and passes under an assumption.
    """

    found: dict[str, Any]
    lines: tuple[str, ...]
    standing: Standing | None
    verdict: Verdict

    @property
    def more_lines(self) -> tuple[str, ...]:
        """The sentences that the verdict does not say."""
        claim = self.verdict.claim
        said = {reason.text for reason in self.verdict.reasons}
        return tuple(line for line in self.lines if line not in said and (claim is None or line not in claim.text))

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {"schema": 1, "verdict": self.verdict.as_dict(), **plain(self.found)}


def plan(
    max_rate: float,
    confidence: float = 0.95,
    *,
    events: int = 0,
    best_of: int = 1,
    lot_size: float | None = None,
    lots: int | None = None,
    icc: float = 0.0,
    hours: bool = False,
    true_rate: float | None = None,
    seen: float | None = None,
    lost: int = 0,
    values: int | None = None,
    figure: float | None = None,
) -> PlanAnswer:
    """Plan how many passes, or running hours, show a rate.

    `max_rate`: rate to be shown, per pass; with `hours` per running hour.
    `confidence`: one-sided.
    `events`: lost passes (or false trips) that are allowed.
    `best_of`: number of settings from which the claimed one is chosen on the same data.
    `lot_size`, `lots`: passes per lot, or the number of lots.
    `icc`: intra-lot correlation of the outcomes.
    `hours`: plan running hours instead of passes.
    `true_rate`: also give the probability that the plan succeeds, by passes and by lots, if this is the true rate per
    pass.
    `seen`, `lost`: passes (hours) recorded so far, and events among them.
    `values`, `figure`: number of taught values, and their population figure: what they show of all future ones.
    Raises ParameterError if a number is out of its range, or two numbers do not fit together.
    """
    if hours:
        if lot_size is not None or lots is not None or icc:
            raise ParameterError(
                "lots are planned for passes only; leave out --lot-size, --lots and --icc with --hours."
            )
        found, lines, standing = _hours(max_rate, confidence, events, best_of, seen, lost)
    else:
        found, lines, standing = _passes(max_rate, confidence, events, best_of, lot_size, lots, icc, seen, lost)
    size = CLAIM_LOT_PASSES
    if not hours:
        # An allowed loss may fall into any lot: without a lot size it counts as a whole lot.
        lost_lots = events / lot_size if lot_size else float(events)
        found["lots_without_assumption"] = lots_needed(max_rate, 1 - (1 - confidence) / best_of, lost_lots=lost_lots)
        size = max(size, math.ceil(lot_size or 0)) if events else size
    if true_rate is not None:
        found["true_rate"] = true_rate
        lines.append(_chances(found, true_rate, max(size, math.ceil(lot_size or 0))))
    if values is not None:
        if hours:
            raise ParameterError("--taught works for values per pass or gap only; leave it out with --hours.")
        added, told = _taught(values, max_rate, confidence, figure)
        found |= added
        lines += told
    elif figure is not None:
        raise ParameterError("--figure needs --taught: how many values its mean and spread come from.")
    verdict = _verdict(found, lines, standing, confidence=confidence, lot_size=lot_size, icc=icc, size=size)
    return PlanAnswer(found=found, lines=tuple(lines), standing=standing, verdict=verdict)


def _verdict(
    found: dict[str, Any], lines: list[str], standing: Standing | None, *, confidence: float, lot_size: float | None,
    icc: float, size: int,
) -> Verdict:  # fmt: skip
    """Say how many lots of at least which size are needed, and how many passes if what is assumed; hours directly.

    Bad lots that come in runs are as many independent events as there are runs: L lots count as L / run.
    """
    decision = "record" if standing is None else str(standing)
    sure, rate = f"{100 * confidence:g} % confidence", found["max_rate"]
    if "hours" in found:
        # In any bursts of ten on average: their number is a Poisson count at a tenth of the rate, and no less is seen.
        text = f"{lines[0]} Holds {ONE_BY_ONE}; for bursts of ten it takes ten times as long."
        claim = HeadlineClaim(text=text, confidence=confidence)
        about, step = "running hours", f"Log {rounded_up(found['hours'], 4)} running hours and count every false trip."
        if standing is not None:
            about = f"{found['seen']:,g} running hours, {number_of(found['lost'], 'false trip')}"
        if standing is Standing.NOT_YET:
            step = f"Log {rounded_up(found['more_hours'], 4)} more running hours and count every false trip."
        elif standing is Standing.ENOUGH:
            about += f", {ONE_BY_ONE}"
            step = "Stop recording. Write the record of the setting on this recording."
        elif standing is Standing.FAILED:
            step = FAILED
        return Verdict(decision=decision, about=about, claim=claim, reasons=_told(lines[1:]), next_step=step)
    events, best_of = found["events"], found["best_of"]
    lots = found["lots_without_assumption"]
    lose = f"{_allowed(events, 'pass', 'passes')}" if events else "none of their passes"
    assumption = Assumption(icc)
    claim = HeadlineClaim(
        text=f"If {lots:,} independent lots of at least {size} passes lose {lose}, at most {_percent(rate)} are lost "
        f"on average over lots, at {sure}. Where bad lots come in runs of ten, it takes ten times as many. "
        f"{found['passes']:,} passes are enough only {assumption.condition}.",
        upper=rate, confidence=confidence, lots=lots, passes=found["passes"], assume="lots",
    )  # fmt: skip
    about = (
        f"{lots:,} lots"
        if standing is None
        else f"{found['seen']:,} {'pass' if found['seen'] == 1 else 'passes'}, {found['lost']} lost"
    )
    # What the claim already says and assumes is not repeated.
    said = [line for line in lines[1:] if not line.startswith("This assumes independent passes")]
    step = (
        f"Log {lots:,} lots of at least {size} passes"
        f"{f' ({_duration(lots)} at one lot a day)' if lots > LONG else ''}. "
        "Name the lot of every pass in the table of passes."
    )
    if standing is Standing.ENOUGH:
        # By lots, which may be few, nothing is enough yet: the record must be told what is assumed.
        about += f", {assumption.condition}"
        stated = assumption.name if icc else f'assume = "{assumption.name}"'
        step = f"Stop recording. Write the record, with {stated} in its criteria."
    elif standing is Standing.FAILED:
        step = FAILED
    if rate < ACCEPTED_ERRORS and lots > LONG and standing is None:
        lost_lots = events / lot_size if lot_size else float(events)
        easier = lots_needed(ACCEPTED_ERRORS, 1 - (1 - confidence) / best_of, lost_lots=lost_lots)
        said.insert(0, f"To show at most {_percent(ACCEPTED_ERRORS)} takes {easier:,} lots.")
    if standing is None and lot_size is None and (named := found.get("lots")) and named < lots:
        shown = 1 - ((1 - confidence) / best_of) ** (1 / named)  # of lots without a loss
        most = math.ceil(100 * shown) if shown > 0.1 else math.ceil(1000 * shown) / 10
        said.insert(
            0,
            f"{number_of(named, 'lot')}, however large, {'shows' if named == 1 else 'show'} at most "
            f"{most:g} % if none of their passes is lost.",
        )
    return Verdict(decision=decision, about=about, claim=claim, reasons=_told(said), next_step=step)


def _allowed(events: int, one: str = "", more: str = "") -> str:
    """Return how many events are allowed, with their noun."""
    if not events:
        return f"no {one}" if one else "none"
    return f"at most {number_of(events, one, more) if one else f'{events:,}'}"


def _percent(rate: float) -> str:
    """Return a rate as a person reads it."""
    return f"{in_figures(100 * rate, 3)} %"


def _duration(days: int) -> str:
    """Return so many days in months or years."""
    months = days / DAYS_OF_A_YEAR * 12
    return f"{months:.2g} months" if months < 12 else f"{in_figures(months / 12, 2)} years"


def _told(lines: list[str]) -> tuple[VerdictReason, ...]:
    return tuple(VerdictReason(text=line) for line in lines)


def _chances(document: dict[str, Any], true_rate: float, size: int) -> str:
    """Add how likely both plans, by passes and by lots of this size, are met at a true rate, and say it."""
    if "passes" not in document:
        raise ParameterError("--true-rate works for passes only; leave it out with --hours.")
    if not 0 <= true_rate <= 1:
        raise ParameterError(f"true-rate must lie between 0 and 1, got {true_rate:g}.")
    passes, events, lots = (document[name] for name in ("passes", "events", "lots_without_assumption"))
    of = document["chance_of_success"] = acceptance(passes, events, true_rate)
    by_lots = document["chance_of_success_by_lots"] = acceptance(lots * size, events, true_rate)
    return (
        f"If the true rate is {_percent(true_rate)} and passes are independent, the chance of {_allowed(events)} lost "
        f"is {_likely(of)} in {passes:,} passes, and {_likely(by_lots)} in {lots:,} lots of {size:,}."
    )


def _likely(chance: float) -> str:
    return _percent(chance) if chance >= LEAST_TOLD else f"below {_percent(LEAST_TOLD)}"


def _taught(values: int, max_rate: float, confidence: float, figure: float | None) -> tuple[dict[str, Any], list[str]]:
    found = tolerance_claim(values, 1 - max_rate, confidence)
    document: dict[str, Any] = {"taught": found.as_dict()}
    sure = f"{100 * confidence:g} %"
    lines = [
        f"At most {_percent(max_rate)} of all further values lie outside the range of {values:,} taught ones with a "
        f"confidence of {100 * found.range_confidence:.3g} %, beyond the largest (or smallest) alone with "
        f"{100 * found.extreme_confidence:.3g} %; {sure} takes {found.values_for_range:,} and "
        f"{found.values_for_extreme:,} values. Valid for independent values.",
    ]
    if found.factor is not None and found.factor_both is not None:
        lines.append(
            f"Only if values are normal: at most {_percent(max_rate)} lie beyond a level {found.factor:.4g} standard "
            f"deviations from their mean, at {sure}; for a window it takes {found.factor_both:.4g} to either side."
        )
    if figure is not None:
        bound = share_beyond(figure, values, confidence)
        document["taught"] |= {"figure": figure, "share_beyond": bound}
        lines.append(
            f"Only if values are normal: a population figure of {figure:g} from {values:,} values shows that at most "
            f"{rounded_up(100 * bound, 2)} % lie beyond the level, at {sure}. Model-based, for conditions "
            "like those recorded."
        )
    return document, lines


def _passes(
    max_rate: float,
    confidence: float,
    events: int,
    best_of: int,
    lot_size: float | None,
    lots: int | None,
    icc: float,
    seen: float | None,
    lost: int,
) -> Told:
    wanted = plan_passes(max_rate, confidence, events=events, best_of=best_of, lot_size=lot_size, lots=lots, icc=icc)
    document: dict[str, Any] = {name: getattr(wanted, name) for name in wanted.__slots__}
    lines = [
        f"{wanted.passes:,} passes with {_allowed(events)} lost show that at most {_percent(max_rate)} are lost, "
        f"at {100 * confidence:g} % confidence."
    ]
    if best_of > 1:
        lines.append(f"The best of {best_of} settings is claimed on the same passes: the error is shared among them.")
    if wanted.design_effect > 1:
        lines.append(
            f"Design effect {wanted.design_effect:.4g}: {wanted.independent_passes:,} independent passes would do; "
            f"spread over {wanted.lots} lots it takes {wanted.passes:,}."
        )
    else:
        lines.append("This assumes independent passes; passes of one lot, shift or product are not.")
    if wanted.lots is not None and wanted.lots < FEW_LOTS:
        lines.append(
            f"Those {wanted.passes:,} passes would be {number_of(wanted.lots, 'lot')}: fewer than {FEW_LOTS} hardly "
            "show how much lots differ."
        )
    if seen is None:
        return document, lines, None
    if not math.isfinite(seen) or seen != int(seen):
        raise ParameterError(f"seen must be a whole number of passes, got {seen:g}.")
    standing = wanted.standing(int(seen), lost)
    assumption, sure = Assumption(icc), 1 - (1 - confidence) / best_of
    # Passes of a lot that resemble each other count as fewer.
    effect = lot_effect(int(seen), lot_size, lots, icc)
    rate = proportion(lost, int(seen), sure)
    if effect > 1:
        rate = replace(rate, upper=proportion_limits(lost / effect, seen / effect, sure)[2])
    claim = f"{claim_sentence(rate, best_of=best_of)} Holds {assumption.condition}."
    more = max(0, wanted.passes - int(seen)) if standing != "failed" else None
    document |= {"seen": int(seen), "lost": lost, "standing": str(standing), "more_passes": more, "claim": claim}
    # The lots that the claim needs stand first; passes count under its assumption only.
    missing = number_of(more or 0, "more pass", "more passes")
    missing = f"Under that assumption {missing} would do, with {_allowed(events)} lost in all."
    lines += [_advice(str(standing), missing, lost, events, assumption.condition), claim]
    return document, lines, standing


def _hours(max_rate: float, confidence: float, events: int, best_of: int, seen: float | None, lost: int) -> Told:
    needed = plan_hours(max_rate, confidence, events=events, best_of=best_of)
    document: dict[str, Any] = {
        "hours": needed,
        "max_rate": max_rate,
        "confidence": confidence,
        "events": events,
        "best_of": best_of,
    }
    lines = [
        f"{rounded_up(needed, 4)} running hours with {_allowed(events, 'false trip')} show a rate of at most "
        f"{max_rate:g} per hour at {100 * confidence:g} % confidence."
    ]
    if seen is None:
        return document, lines, None
    enough = Standing.ENOUGH if seen >= needed else Standing.NOT_YET
    standing = Standing.FAILED if lost > events else enough
    claim = claim_hours_sentence(count(lost, seen, 1 - (1 - confidence) / best_of, per="hour"))
    more = max(0.0, needed - seen) if standing is not Standing.FAILED else None
    document |= {"seen": seen, "lost": lost, "standing": str(standing), "more_hours": more, "claim": claim}
    missing = f"{rounded_up(more or 0, 4)} more hours would do, with {_allowed(events, 'false trip')} in all."
    lines += [_advice(str(standing), missing, lost, events, ONE_BY_ONE), claim]
    return document, lines, standing


def _advice(standing: str, missing: str, seen_events: int, events: int, condition: str) -> str:
    if standing == "enough":
        return f"You may stop now {condition}: the plan is fulfilled."
    if standing == "failed":
        were = "was" if seen_events == 1 else "were"
        return (
            f"The plan allowed {number_of(events, 'event')}, {seen_events} {were} seen: it does not show the rate. A "
            "new plan that allows more needs fresh data, because stopping at a good moment makes any rate look good."
        )
    return missing
