"""The command `plan`: how many passes or hours a claim needs, and whether recording may stop."""

from __future__ import annotations

from typing import Annotated

import typer

from teachlab.cli.console import NOT_ENOUGH, emit_json, say_verdict
from teachlab.cli.options import Details, Json


def plan_command(
    max_rate: Annotated[float, typer.Option(help="Rate to be shown, per pass. With --hours: per running hour.")],
    confidence: Annotated[float, typer.Option(help="One-sided confidence.")] = 0.95,
    events: Annotated[int, typer.Option(help="Lost passes (or false trips) that are allowed.")] = 0,
    best_of: Annotated[
        int, typer.Option(help="Number of settings from which the best is chosen on the same data.")
    ] = 1,
    lot_size: Annotated[float | None, typer.Option(help="Passes per lot.")] = None,
    lots: Annotated[int | None, typer.Option(help="Number of lots, instead of --lot-size.")] = None,
    icc: Annotated[float, typer.Option(help="Intra-lot correlation of the outcomes.")] = 0.0,
    hours: Annotated[bool, typer.Option("--hours", help="Plan running hours instead of passes.")] = False,
    true_rate: Annotated[
        float | None,
        typer.Option(help="Also give the chance that the plan succeeds if this is the true rate per pass."),
    ] = None,
    seen: Annotated[float | None, typer.Option(help="Passes (hours) recorded so far.")] = None,
    lost: Annotated[int, typer.Option(help="Of those, passes lost (or false trips).")] = 0,
    taught: Annotated[
        int | None, typer.Option(help="Also say what so many taught values show about all further ones.")
    ] = None,
    figure: Annotated[
        float | None, typer.Option(help="With --taught: the population figure, for a claim under a normal model.")
    ] = None,
    details: Details = False,
    json: Json = False,
) -> None:
    """Say how many passes, lots or hours a claim takes and, while recording, whether you may stop.

    Exit code with --seen: 0 enough, 1 more events than the plan allows, 3 not enough yet.
    """
    from teachlab.questions.plan import plan
    from teachlab.statistics.planning import Standing

    found = plan(
        max_rate, confidence, events=events, best_of=best_of, lot_size=lot_size, lots=lots, icc=icc, hours=hours,
        true_rate=true_rate, seen=seen, lost=lost, values=taught, figure=figure,
    )  # fmt: skip
    if json:
        emit_json(found.as_dict())
    else:
        say_verdict(found.verdict, found.more_lines if details else (), details=details)
    if found.standing is Standing.FAILED:
        raise typer.Exit(1)
    if found.standing is Standing.NOT_YET:
        raise typer.Exit(NOT_ENOUGH)
