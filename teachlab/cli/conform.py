"""The command `conform`: the conformance checks of one strategy."""

from __future__ import annotations

from typing import Annotated

import typer

from teachlab.cli.console import emit_json, progress, say


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("conform")(conform_command)


def conform_command(
    strategy: Annotated[str, typer.Argument(help="Name of a strategy, or a class in a file: ./mine.py:MyStrategy.")],
    set_: Annotated[list[str] | None, typer.Option("--set", help="Parameter, KEY=VALUE; may be repeated.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Check that a strategy keeps to what the lab relies on; exit code 1 if a check fails."""
    from teachlab.teaching import parse_assignments, resolve
    from teachlab.testing import conformance

    chosen = resolve(strategy, parse_assignments(set_ or []))
    with progress(f"checking {chosen.name}", quiet=json):
        report = conformance(chosen)
    if json:
        emit_json(report.as_dict())
    else:
        say(report.text())
    if not report.ok:
        raise typer.Exit(1)
