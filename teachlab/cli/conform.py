"""The command `conform`: the conformance checks of one strategy."""

from __future__ import annotations

import shlex
from typing import Annotated

import typer

from teachlab.cli.again import given_again
from teachlab.cli.console import NOT_ENOUGH, emit_json, progress, say, say_lines
from teachlab.cli.opening import teachers
from teachlab.cli.options import Assignments, Json


def conform_command(
    context: typer.Context,
    strategy: Annotated[str, typer.Argument(help="Name of a strategy, or a class in a file: ./mine.py:MyStrategy.")],
    set_: Assignments = None,
    json: Json = False,
) -> None:
    """Check a strategy of your own against the rules for strategies. Exit code 1: a check fails, 3: it never taught."""
    from teachlab.testing import conformance

    (subject,) = teachers([strategy], set_ or [])
    with progress(f"checking {subject.name}", quiet=json):
        report = conformance(subject)
    if json:
        emit_json(report.as_dict())
    else:
        say_lines(report.text().splitlines())
        again = given_again(context)
        if not report.ok:
            say(f"Next: mend what the lines with FAILED say. Then: {again}")
        elif not report.taught:
            say(f"Next: give it with --set what it must be told (teachlab strategies {shlex.quote(strategy)} lists its "
                f"parameters), or mend why it abstains. Then: {again}")  # fmt: skip
    if not (report.ok and report.taught):
        raise typer.Exit(NOT_ENOUGH if report.ok else 1)
