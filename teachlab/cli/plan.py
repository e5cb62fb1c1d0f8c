"""The command `plan`: how many passes or hours a claim needs, and whether recording may stop."""

from __future__ import annotations

import math
from typing import Annotated, Any

import typer

from teachlab.cli.console import emit_json, say, warn
from teachlab.errors import ParameterError


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("plan")(plan_command)


def plan_command(
    max_rate: Annotated[float, typer.Option(help="Rate to be shown, per pass; with --hours per running hour.")],
    confidence: Annotated[float, typer.Option(help="One-sided confidence.")] = 0.95,
    events: Annotated[int, typer.Option(help="Lost passes (or false trips) that are allowed.")] = 0,
    best_of: Annotated[int, typer.Option(help="Settings among which the claimed one is chosen on this data.")] = 1,
    lot_size: Annotated[float | None, typer.Option(help="Passes per lot.")] = None,
    lots: Annotated[int | None, typer.Option(help="Instead of --lot-size: number of lots.")] = None,
    icc: Annotated[float, typer.Option(help="Intra-lot correlation of the outcomes.")] = 0.0,
    hours: Annotated[bool, typer.Option("--hours", help="Plan running hours instead of passes.")] = False,
    true_rate: Annotated[
        float | None, typer.Option(help="Tell the chance that the plan succeeds if this is the true rate per pass.")
    ] = None,
    seen: Annotated[float | None, typer.Option(help="Passes (hours) recorded so far.")] = None,
    lost: Annotated[int, typer.Option(help="Of those, passes lost (or false trips).")] = 0,
    taught: Annotated[
        int | None, typer.Option(help="Tell what so many taught values, as they are, show of all further ones.")
    ] = None,
    figure: Annotated[
        float | None, typer.Option(help="With --taught: the population figure, for a claim under a normal model.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Say how many passes or hours show a rate, and, while recording, whether you may stop.

    Exit code with --seen: 0 enough, 1 more events than the plan allows, 3 not enough yet.
    """
    from teachlab.statistics.planning import Standing

    if hours:
        if lot_size is not None or lots is not None or icc:
            raise ParameterError(
                "lots are planned for passes only; leave out --lot-size, --lots and --icc with --hours."
            )
        document, lines, standing = _hours(max_rate, confidence, events, best_of, seen, lost)
    else:
        document, lines, standing = _passes(max_rate, confidence, events, best_of, lot_size, lots, icc, seen, lost)
    if true_rate is not None:
        chance = _chance(document, true_rate)
        document |= {"true_rate": true_rate, "chance_of_success": chance}
        lines.append(f"If the true rate is {true_rate:g}, the plan succeeds with a chance of {100 * chance:.3g} %.")
    if taught is not None:
        if hours:
            raise ParameterError("--taught is told for values per pass or gap only; leave it out with --hours.")
        added, told = _taught(taught, max_rate, confidence, figure)
        document |= added
        lines += told
    elif figure is not None:
        raise ParameterError("--figure needs --taught: how many values its mean and spread come from.")
    if json:
        emit_json(document)
    else:
        for line in lines:
            say(line)
    if standing is Standing.FAILED:
        raise typer.Exit(1)
    if standing is Standing.NOT_YET:
        raise typer.Exit(3)


def _chance(document: dict[str, Any], true_rate: float) -> float:
    from teachlab.statistics.planning import acceptance

    if "passes" not in document:
        raise ParameterError("--true-rate is told for passes only; leave it out with --hours.")
    if not 0 <= true_rate <= 1:
        raise ParameterError(f"true-rate must lie between 0 and 1, got {true_rate:g}.")
    return acceptance(document["passes"], document["events"], true_rate)


def _taught(values: int, max_rate: float, confidence: float, figure: float | None) -> tuple[dict[str, Any], list[str]]:
    from teachlab.statistics.planning import rounded_up
    from teachlab.statistics.tolerance import share_beyond, taught

    found = taught(values, 1 - max_rate, confidence)
    document: dict[str, Any] = {"taught": found.as_dict()}
    sure = f"{100 * confidence:g} %"
    lines = [
        f"At most {max_rate:g} of all further values lie outside the range of {values:,} taught ones with a confidence "
        f"of {100 * found.range_confidence:.3g} %, beyond the largest (or smallest) alone with "
        f"{100 * found.extreme_confidence:.3g} %; {sure} takes {found.values_for_range:,} and "
        f"{found.values_for_extreme:,} values. True for values that are independent.",
    ]
    if found.factor is not None and found.factor_both is not None:
        lines.append(
            f"Only if values are normal: at most {max_rate:g} lie beyond a level {found.factor:.4g} standard "
            f"deviations from their mean, at {sure}; for a window it takes {found.factor_both:.4g} to either side."
        )
    if figure is not None:
        bound = share_beyond(figure, values, confidence)
        document["taught"] |= {"figure": figure, "share_beyond": bound}
        lines.append(
            f"Only if values are normal: a population figure of {figure:g} from {values:,} values shows that at most "
            f"{rounded_up(bound, 2)} lie beyond the level, at {sure}. Model-based, for conditions like those recorded."
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
) -> tuple[dict[str, Any], list[str], Any]:
    from teachlab.scoring import proportion
    from teachlab.statistics.planning import FEW_LOTS, claim_sentence, plan_passes

    plan = plan_passes(max_rate, confidence, events=events, best_of=best_of, lot_size=lot_size, lots=lots, icc=icc)
    document: dict[str, Any] = {name: getattr(plan, name) for name in plan.__slots__}
    lines = [
        f"{plan.passes:,} passes with at most {events} lost show a rate of at most {max_rate:g} per pass "
        f"at {100 * confidence:g} % confidence."
    ]
    if best_of > 1:
        lines.append(f"The best of {best_of} settings is claimed on the same passes: the error is shared among them.")
    if plan.design_effect > 1:
        lines.append(
            f"Design effect {plan.design_effect:.4g}: {plan.independent_passes:,} independent passes would do; "
            f"spread over {plan.lots} lots it takes {plan.passes:,}."
        )
    else:
        lines.append("This takes every pass as independent; passes of one lot, shift or product are not.")
    if plan.lots is not None and plan.lots < FEW_LOTS:
        warn(f"Fewer than {FEW_LOTS} lots: the spread between lots will hardly be known. Record from more lots.")
    if seen is None:
        return document, lines, None
    if not math.isfinite(seen) or seen != int(seen):
        raise ParameterError(f"seen must be a whole number of passes, got {seen:g}.")
    standing = plan.standing(int(seen), lost)
    effective = 1 - (1 - confidence) / best_of
    claim = claim_sentence(proportion(lost, int(seen), effective), best_of=best_of)
    if plan.design_effect > 1:
        claim += " This sentence takes the passes as independent."
    more = max(0, plan.passes - int(seen)) if standing != "failed" else None
    document |= {"seen": int(seen), "lost": lost, "standing": str(standing), "more_passes": more, "claim": claim}
    lines += [_advice(str(standing), f"{more:,} more passes" if more else "", lost, events), claim]
    return document, lines, standing


def _hours(
    max_rate: float, confidence: float, events: int, best_of: int, seen: float | None, lost: int
) -> tuple[dict[str, Any], list[str], Any]:
    from teachlab.scoring import count
    from teachlab.statistics.planning import Standing, claim_hours_sentence, plan_hours

    needed = plan_hours(max_rate, confidence, events=events, best_of=best_of)
    document: dict[str, Any] = {
        "hours": needed,
        "max_rate": max_rate,
        "confidence": confidence,
        "events": events,
        "best_of": best_of,
    }
    lines = [
        f"{needed:.4g} running hours with at most {events} false trips show a rate of at most {max_rate:g} per hour "
        f"at {100 * confidence:g} % confidence."
    ]
    if seen is None:
        return document, lines, None
    enough = Standing.ENOUGH if seen >= needed else Standing.NOT_YET
    standing = Standing.FAILED if lost > events else enough
    claim = claim_hours_sentence(count(lost, seen, 1 - (1 - confidence) / best_of, per="hour"))
    more = max(0.0, needed - seen) if standing is not Standing.FAILED else None
    document |= {"seen": seen, "lost": lost, "standing": str(standing), "more_hours": more, "claim": claim}
    lines += [_advice(str(standing), f"{more:.4g} more hours" if more else "", lost, events), claim]
    return document, lines, standing


def _advice(standing: str, more: str, seen_events: int, events: int) -> str:
    if standing == "enough":
        return "You may stop now: the plan is fulfilled."
    if standing == "failed":
        return (
            f"The plan allowed {events} events and {seen_events} were seen: it does not show the rate. A new plan "
            "that allows more needs fresh data, for stopping when it suits makes any rate look good."
        )
    return f"Not yet: {more} without exceeding {events} events."
