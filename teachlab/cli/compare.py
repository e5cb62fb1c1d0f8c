"""The command `compare`: two or more settings on the same passes, or on two recordings."""

from __future__ import annotations

import shlex
from dataclasses import replace
from typing import Annotated

import typer

from teachlab.cli.console import emit_json, note_last, progress, say, say_lines, say_verdict, show
from teachlab.cli.options import Assume, Confidence, Details, Json, Margins, RecordingFile, Tolerance
from teachlab.model.printable_text import typed_again
from teachlab.wording.notes import passes_notes


def compare_command(
    recording: RecordingFile,
    setting: Annotated[list[str], typer.Option(help="Setting (JSON). Give two or more; with --with give one.")],
    with_: Annotated[
        str | None,
        typer.Option("--with", help="Second recording. Its passes are others, so the comparison is not pass by pass."),
    ] = None,
    truth: Annotated[str | None, typer.Option(help="Table of passes of the (first) recording.")] = None,
    tolerance_ms: Tolerance = 0.0,
    confidence: Confidence = 0.95,
    margin: Margins = True,
    assume: Assume = "lots",
    details: Details = False,
    json: Json = False,
) -> None:
    """Which of two settings is better? By the passes on which only one of them fails."""
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import named_settings
    from teachlab.model.score import Rules
    from teachlab.model.setting import Setting
    from teachlab.questions.compare import compare
    from teachlab.statistics.claims.lot_claims import assumption_from
    from teachlab.switching.fitting import refuse_unfit
    from teachlab.wording.alignment import lead_lines
    from teachlab.wording.tables import margins_table

    chosen = named_settings(setting)
    named = [(recording, truth), *([] if with_ is None else [(with_, None)])]
    opened = [open_pair(name, table) for name, table in named]
    refuse_unfit(
        [(path, one) for path, (_, one) in zip(setting, chosen, strict=True)],
        [(name, one) for (name, _), (one, _) in zip(named, opened, strict=True)],
    )
    note_last(*passes_notes(opened))
    with progress(f"replaying {opened[0][0].name}", quiet=json):
        found = compare(
            opened, chosen, rules=Rules(tolerance_ms=tolerance_ms, confidence=confidence), margins=margin,
            called=[name for name, _ in named], assumption=assumption_from(assume),
        )  # fmt: skip
    best = 0 if found.verdict.setting is None else found.settings.index(found.verdict.setting)
    of = typed_again(recording, truth=truth, setting=setting[best])
    fixed = with_ is None and type(found.settings[best]) is Setting
    # Why a setting does not work, and what would mend it, is for a replay to say.
    step = f"teachlab report {of} --out record" if fixed and found.works else f"teachlab replay {of}"
    if with_ is not None and len(set(setting)) > 1:
        # Only on the same passes can a difference come from the setting alone.
        step = f"teachlab compare {typed_again(recording, truth=truth)} {shlex.join(_given(setting))}"
    if more := found.verdict.next_step:
        again = shlex.join(["NEW.parquet", *_given(setting)])
        step = f"{more} Then: teachlab compare {again}"
    lies = found.alignment
    if lies is not None and lies.matters and with_ is None and found.verdict.setting is None:
        step = lies.command(recording, truth)
    found = replace(found, verdict=found.verdict.leading_to(step))
    if json:
        emit_json(found.as_dict())
        return
    say_lines(lead_lines(found.alignment, recording, truth, step=step))
    say_verdict(found.verdict, details=details)
    if not details:
        return
    for name, side in zip(found.names, found.sides, strict=True):
        if side.position is not None and side.position.onset is not None:
            say(f"{name} switches on {side.position.in_words(side.position.onset)}.")
    say_lines(found.lines)
    if margin:
        show(margins_table("Margin and reserves", list(zip(found.names, found.sides, strict=True)), found.unit))


def _given(setting: list[str]) -> list[str]:
    return [word for one in setting for word in ("--setting", one)]
