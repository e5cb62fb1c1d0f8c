"""The command `explore`: one page on which levels are taken in the hand."""

from __future__ import annotations

import shlex
from typing import Annotated

import typer

from teachlab.cli.console import emit_json, progress, say, warn
from teachlab.cli.opening import naming, teachers
from teachlab.cli.options import Assignments, Draws, Json, PassesFile, RecordingFile, Seed, Tolerance
from teachlab.errors import ParameterError
from teachlab.wording.notes import passes_note


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("explore")(explore_command)


def explore_command(
    recording: RecordingFile,
    out: Annotated[str, typer.Option(help="Page to write: NAME.html.")],
    setting: Annotated[
        str | None, typer.Option(help="Setting to start from. Default: the one with the fewest errors.")
    ] = None,
    strategy: Annotated[str | None, typer.Option(help="Strategy whose draws are shown on the map.")] = None,
    set_: Assignments = None,
    draws: Draws = 200,
    seed: Seed = 0,
    truth: PassesFile = None,
    tolerance_ms: Tolerance = 0.0,
    json: Json = False,
) -> None:
    """Write a page on which you drag the levels and see exact counts. It works offline."""
    from teachlab.data.atomic_files import write_aside
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.model.following_and_window import fixed_levels
    from teachlab.model.score import Rules
    from teachlab.page.assembly import page_html
    from teachlab.page.contents import page_contents
    from teachlab.questions.verdict import FilesJudged

    if not out.lower().endswith(".html"):
        raise ParameterError(f"--out needs a name that ends in .html, got '{out}'.")
    if set_ and strategy is None:
        raise ParameterError("--set needs --strategy: it sets a parameter of the strategy.")
    taught = None if strategy is None else teachers([strategy], set_ or [])[0]
    chosen = None if setting is None else fixed_levels(read_setting(setting), "the page")
    opened, passes = open_pair(recording, truth)
    files = FilesJudged(recording=recording, setting=setting, truth=truth)
    with naming(setting, recording), progress(f"counting {opened.name}", quiet=json) as told:
        found = page_contents(
            opened,
            passes,
            chosen,
            rules=Rules(tolerance_ms=tolerance_ms),
            strategy=taught,
            draws=draws,
            seed=seed,
            files=files,
            progress=told,
        )
    with write_aside(out) as aside:
        aside.write_text(page_html(found), encoding="utf-8")
    if note := passes_note(passes):
        warn(note)
    if json:
        emit_json(found.as_dict())
        return
    say(f"Written: {out}. Open it in a browser: drag a level, and the counts follow.")
    if not found.facts["light"]["raw"]:
        say("The recording is too long for its light to be in the page: errors are named at the first levels only.")
    saved = shlex.quote(f"{found.facts['file']}.setting.json")
    of = shlex.quote(recording) + ("" if truth is None else f" --truth {shlex.quote(truth)}")
    say(f"Next: save a setting there, then: teachlab replay {of} --setting {saved}")
