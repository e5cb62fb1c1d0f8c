"""The command `explore`: one page on which the levels are dragged."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.again import carried
from teachlab.cli.console import emit_json, note_last, progress, say, say_lines, tell_notes
from teachlab.cli.opening import teachers
from teachlab.cli.options import Assignments, Confidence, Draws, Json, PassesFile, RecordingFile, Seed, Tolerance
from teachlab.cli.writing import kind_of
from teachlab.errors import ParameterError
from teachlab.model.printable_text import typed_again
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth
from teachlab.wording.notes import passes_note

if TYPE_CHECKING:
    from teachlab.model.score import Rules
    from teachlab.questions.verdict import FilesJudged


def explore_command(
    recording: RecordingFile,
    out: Annotated[str | None, typer.Option(help="Page to write: NAME.html, one file that works offline.")] = None,
    serve: Annotated[
        bool, typer.Option("--serve", help="Serve the page on this machine until Ctrl-C; saves corrected passes.")
    ] = False,
    setting: Annotated[
        str | None,
        typer.Option(help="Setting of any kind to start from. Default: fixed levels with the fewest errors."),
    ] = None,
    strategy: Annotated[str | None, typer.Option(help="Strategy whose draws are shown on the map.")] = None,
    set_: Assignments = None,
    draws: Draws = 200,
    seed: Seed = 0,
    truth: PassesFile = None,
    tolerance_ms: Tolerance = 0.0,
    confidence: Confidence = 0.95,
    json: Json = False,
) -> None:
    """Write or serve a page on which you drag the levels and see exact counts, and correct passes.

    --out writes one file that works offline. --serve shows the whole light of a long recording at any zoom, replays
    every setting over it, and saves corrected passes as a new table.
    """
    from teachlab.data.alignment.room import alignment_of
    from teachlab.data.atomic_files import write_aside
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.model.score import Rules
    from teachlab.page.assembly import page_html
    from teachlab.page.contents import page_contents
    from teachlab.questions.verdict import FilesJudged
    from teachlab.switching.fitting import naming
    from teachlab.wording.alignment import lead_lines
    from teachlab.wording.verdict import decision_text

    if out is None and not serve:
        raise ParameterError("explore needs --out NAME.html, or --serve.")
    if serve and json:
        raise ParameterError("--serve tells its address on the screen, and takes no --json. Use --out with --json.")
    if out is not None:
        kind_of(out, "html")
    if set_ and strategy is None:
        raise ParameterError("--set needs --strategy: it sets a parameter of the strategy.")
    taught = None if strategy is None else teachers([strategy], set_ or [])[0]
    chosen = None if setting is None else read_setting(setting)
    opened, passes = open_pair(recording, truth)
    rules = Rules(tolerance_ms=tolerance_ms, confidence=confidence)
    files = FilesJudged(recording=recording, setting=setting, truth=truth)
    with naming(setting, recording), progress(f"counting {opened.name}", quiet=json) as told:
        found = page_contents(
            opened, passes, chosen, rules=rules, strategy=taught, draws=draws, seed=seed,
            files=files, progress=told,
        )  # fmt: skip
    if out is not None:
        with write_aside(out) as aside:
            aside.write_text(page_html(found), encoding="utf-8")
    note_last(passes_note(passes))
    if json:
        emit_json(found.as_dict())
        return
    say_lines(lead_lines(alignment_of(opened, passes), recording, truth))
    saved = shlex.quote(f"{found.facts['file']}.setting.json")
    of = typed_again(recording, truth=truth)
    if out is not None:
        if found.verdict is None:
            told = found.facts["verdict"]
            say(f"{decision_text(told['decision'])}. {told['claim']}")
        drag = "to see what other levels cost" if found.verdict is None else "until the errors are fewest"
        say(f"Open {out} in a browser. Drag the levels {drag}. Save the setting.")
        if not found.facts["light"]["raw"]:
            say("The recording is too long for all of its light to be in the page; --serve shows and replays it all.")
    following = carried(f"Next, once it is in this folder: teachlab replay {of} --setting {saved}")
    if serve:
        _serve(page_html(found.with_server()), opened, passes, rules, files, following)
    say(following)


def _serve(page: str, recording: Recording, passes: Truth, rules: Rules, files: FilesJudged, following: str) -> None:
    """Serve until the user ends it."""
    import os
    import signal
    import threading

    from teachlab.data.truth_files import find_truth
    from teachlab.page.corrections import CorrectedPasses
    from teachlab.page.server import PageServer

    table = files.truth or find_truth(files.recording)
    local = table is not None and "://" not in f"{table}{files.recording}"
    folder, name = os.path.split(files.recording)
    corrected = CorrectedPasses(folder or ".", name.rpartition(".")[0] or name, str(table)) if local else None
    with PageServer(page, recording, passes, rules, corrected) as server:

        def stop(*_: object) -> None:
            # From another thread: the server ends after its present request.
            threading.Thread(target=server.shutdown).start()

        before = signal.signal(signal.SIGINT, stop)
        say(f"Open in a browser on this machine: {server.address}")
        say("Anyone on this machine who knows the address sees the recording. Ctrl-C stops the server.")
        say(following)
        tell_notes()
        try:
            server.serve_forever(poll_interval=0.1)
        finally:
            signal.signal(signal.SIGINT, before)
    raise KeyboardInterrupt  # after the request that it was at: what was being saved is whole
