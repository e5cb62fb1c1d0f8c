"""The command `teach`: one setting from one showing."""

from __future__ import annotations

from typing import Annotated

import typer

from teachlab.cli.console import emit_json, say, warn
from teachlab.cli.opening import load_base, naming, not_truth_note, teachers


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("teach")(teach_command)


def teach_command(
    recording: Annotated[str, typer.Argument(help="Recording: NAME.parquet, or a URI.")],
    strategy: Annotated[str, typer.Option(help="Name of a strategy, or ./file.py:Class.")],
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", help="Sets [STRATEGY.]PARAMETER=VALUE; again for more."),
    ] = None,
    truth: Annotated[str | None, typer.Option(help="Table of passes; default: the one beside the recording.")] = None,
    base: Annotated[str | None, typer.Option(help="Setting whose delays, filter and evaluation rate are kept.")] = None,
    seed: Annotated[int, typer.Option(help="Picks what is shown.")] = 0,
    tolerance_ms: Annotated[float, typer.Option(help="Added to every border of every pass, ms.")] = 0.0,
    out: Annotated[str | None, typer.Option(help="Write the setting: JSON.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Teach one setting from one seeded showing of the whole recording."""
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import write_setting
    from teachlab.errors import Abstained
    from teachlab.model.score import Rules
    from teachlab.teaching.block import TeachBlock
    from teachlab.teaching.once import teach_once

    opened, passes = open_pair(recording, truth)
    (teacher,) = teachers([strategy], set_ or [])
    try:
        with naming(base, recording):
            block = TeachBlock(opened, passes, base=load_base(base), rules=Rules(tolerance_ms=tolerance_ms))
            setting = teach_once(teacher, block, seed, 0)
    except Abstained as refusal:
        if json:
            from teachlab.evidence.abstention import Abstention

            told = Abstention.of(teacher, refusal, seed=seed, tolerance_ms=tolerance_ms, base=load_base(base))
            emit_json(told.as_dict())
        warn(f"{teacher.name} abstains: {refusal}")
        raise typer.Exit(3) from None
    if out is not None:
        write_setting(out, setting)
    if note := not_truth_note(passes):
        warn(note)
    if json:
        emit_json(setting.as_dict())
        return
    say(
        f"{teacher.name} on {opened.name}: on_level {setting.on_level:.6g} {setting.unit}, off_level "
        f"{setting.off_level:.6g} {setting.unit}, {setting.polarity}"
    )
    if out is None:
        say("Keep it with --out setting.json; a single showing proves little: teachlab bench " + recording)
    else:
        say(f"Written to {out}. Next: teachlab replay {recording} --setting {out}")
