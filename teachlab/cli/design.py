"""The command `design`: a whole setting from one showing."""

from __future__ import annotations

from typing import Annotated

import typer

from teachlab.cli.again import given_again
from teachlab.cli.console import emit_json, say, warn
from teachlab.cli.opening import load_base, naming, teachers
from teachlab.cli.options import (
    AcceptCost,
    Assignments,
    Details,
    Json,
    PassesFile,
    RecordingFile,
    Seed,
    Tolerance,
)
from teachlab.cli.teach import tell_abstention
from teachlab.wording.notes import passes_note


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("design")(design_command)


def design_command(
    context: typer.Context,
    recording: RecordingFile,
    set_: Assignments = None,
    truth: PassesFile = None,
    base: Annotated[str | None, typer.Option(help="Setting whose evaluation rate is kept.")] = None,
    seed: Seed = 0,
    tolerance_ms: Tolerance = 0.0,
    out: Annotated[str | None, typer.Option(help="Write the setting: JSON.")] = None,
    accept_cost: AcceptCost = 0.05,
    details: Details = False,
    json: Json = False,
) -> None:
    """Choose levels, filter and delays together, with a reason and a reserve for each.

    Half of the passes are shown; the others judge the setting. Every combination is counted exactly on what was
    shown, and a filter or delay is used only where it adds reserve.
    """
    from textwrap import wrap

    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import write_setting
    from teachlab.errors import Abstained
    from teachlab.model.score import Rules
    from teachlab.questions.design import designed_and_judged
    from teachlab.questions.verdict import FilesJudged
    from teachlab.teaching.strategies.designed import Designed
    from teachlab.wording.alignment import lead_lines
    from teachlab.wording.verdict import verdict_lines

    opened, passes = open_pair(recording, truth)
    (teacher,) = teachers([Designed.name], set_ or [])
    used = load_base(base)
    try:
        with naming(base, recording):
            found = designed_and_judged(
                opened, passes, teacher, base=used, seed=seed, rules=Rules(tolerance_ms=tolerance_ms),
                accepted=accept_cost,
                files=FilesJudged(
                    recording=recording, setting=out, truth=truth, keep=given_again(context, out="setting.json")
                ),
            )  # fmt: skip
    except Abstained as refusal:
        tell_abstention(
            refusal, (opened, passes), recording, teacher,
            seed=seed, tolerance_ms=tolerance_ms, base=used, json=json,
        )  # fmt: skip
        raise typer.Exit(3) from None
    if out is not None:
        write_setting(out, found.taught.setting)
    if note := passes_note(passes):
        warn(note)
    if json:
        emit_json(found.as_dict())
        return
    for line in lead_lines(found.taught.alignment, recording):
        say(line)
    parts = [line for part in found.part_lines() for line in wrap(part, 100, subsequent_indent="  ")]
    for line in verdict_lines(found.taught.verdict, parts, details=details, most=32):
        say(line)
