"""The commands `report` and `verify`: write evidence for a setting, and recompute it."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from teachlab.cli.again import carried, given_again
from teachlab.cli.console import emit_json, note_last, note_written, progress, say, say_lines
from teachlab.cli.options import Confidence, Json, PassesFile, RecordingFile, Tolerance
from teachlab.cli.writing import kind_of
from teachlab.model.printable_text import typed_again
from teachlab.wording.notes import passes_note

EXIT = {"met": 0, "not met": 1, "not enough evidence": 3, "no setting": 3}
LEAST_LINES = 7
"""Lines of the verdict, however many criteria and cautions follow it."""

if TYPE_CHECKING:
    from teachlab.evidence.record_parts import Sources


def report_command(
    context: typer.Context,
    recording: RecordingFile,
    setting: Annotated[
        str, typer.Option(help="Setting (JSON) to give evidence for; or the output of teach --json, if it declined.")
    ],
    out: Annotated[
        str | None, typer.Option(help="Folder for result.json, report.html and levels.html; made if missing.")
    ] = None,
    criteria: Annotated[str | None, typer.Option(help="Acceptance criteria: TOML, fixed before the run.")] = None,
    truth: PassesFile = None,
    title: Annotated[str, typer.Option(help="Title of the record.")] = "",
    teach_share: Annotated[
        float | None,
        typer.Option(help="The setting was taught on this first share of the passes. Only the rest is scored."),
    ] = None,
    tolerance_ms: Tolerance = 0.0,
    confidence: Confidence = 0.95,
    deviation: Annotated[
        list[str] | None, typer.Option(help="A deviation from the plan. May be given several times.")
    ] = None,
    cycle: Annotated[
        list[str] | None,
        typer.Option(help="A disturbance that repeats: belt=10s, belt=6000mm, lamp=100Hz. May be given several times."),
    ] = None,
    draws: Annotated[int, typer.Option(help="How many times the teaching is repeated. 0: not at all.")] = 200,
    sensor_setting: Annotated[
        str | None,
        typer.Option(help="Setting that the sensor had while its own output was logged; default: that of --setting."),
    ] = None,
    rehearsal: Annotated[
        bool,
        typer.Option(
            "--rehearsal", help="Judge synthetic light by the criteria. The page says that it is a rehearsal."
        ),
    ] = False,
    about: Annotated[
        str | None,
        typer.Option(help="TOML with asset, product, conditions, document_number, people …"),
    ] = None,
    bundle: Annotated[
        str | None, typer.Option(help="Write record, page and all that verify needs into one .zip; needs --out.")
    ] = None,
    no_levels: Annotated[
        bool, typer.Option("--no-levels", help="Leave out levels.html, the page on which you drag the levels.")
    ] = False,
    pdf: Annotated[bool, typer.Option("--pdf", help="Write report.pdf too: needs the extra 'pdf'.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the record.")] = False,
) -> None:
    """Write a page to sign and a record that can be recomputed.

    Exit code with criteria: 0 met, 1 not met, 3 not enough evidence; 3 also if there is no setting.
    """
    from teachlab.evidence.folder import PRINTED
    from teachlab.model.score import Rules
    from teachlab.page.reported import reported

    if bundle is not None:
        kind_of(bundle, "zip", option="--bundle")
    with progress(f"computing evidence of {Path(recording).stem}", quiet=json):
        found = reported(
            recording, setting, truth, out=out, criteria=criteria, title=title, teach_share=teach_share,
            deviations=deviation or (), cycles=cycle or (), draws=draws, sensor_setting=sensor_setting,
            rehearsal=rehearsal, about=about, bundle=bundle, levels=not no_levels, pdf=pdf,
            rules=Rules(tolerance_ms=tolerance_ms, confidence=confidence),
        )  # fmt: skip
    record, sources = found.record, found.sources
    if pdf:
        note_written(str(Path(str(out)) / PRINTED))
    if bundle is not None:
        note_written(bundle)
    note_last(passes_note(found.truth))
    overall = record["verdict"]["overall"]
    if json:
        emit_json(record)
    else:
        from teachlab.wording.verdict import REFUSED

        step = [f"Next: {carried(found.step)}"] if found.step else _to_meet(record, context)
        _say(record, out, sources, _unlike_sensor(record, context, sources, sensor_setting) or step)
        if out is not None:
            refused = overall not in (None, "met") or record["verdict"].get("decision") in REFUSED
            refused |= bool(record["verdict"].get("rehearsal"))
            say(f"To read{', not to release' if refused else ' and sign'}: {Path(out) / 'report.html'}")
        if out is not None and found.levels:
            say(f"To drag its levels: {Path(out) / 'levels.html'}")
    if overall is not None and EXIT[overall]:
        raise typer.Exit(EXIT[overall])


def verify_command(
    record: Annotated[str, typer.Argument(help="Record to recompute: result.json, or the .zip of --bundle.")],
    recording: Annotated[str | None, typer.Option(help="Its recording; default: beside the record.")] = None,
    truth: Annotated[str | None, typer.Option(help="Its table of passes; default: beside the record.")] = None,
    setting: Annotated[str | None, typer.Option(help="Its setting; default: beside the record, if there.")] = None,
    json: Json = False,
) -> None:
    """Recompute a record and name every difference. Exit code 0: it holds. 1: it does not."""
    from teachlab.evidence.verify import verified

    found = verified(record, recording=recording, truth=truth, setting=setting)
    if json:
        emit_json(found.as_dict())
    else:
        say(found.sentence)
        for finding in found.findings:
            say(f"{'Differs' if finding.serious else 'Note'}: {finding.where}: {finding.message}")
        if not found.verified:
            say("Next: Do not use this record. Give the files and the version that it was made with, or write a new "
                "record with teachlab report.")  # fmt: skip
    if not found.verified:
        raise typer.Exit(1)


def _unlike_sensor(record: dict[str, Any], context: typer.Context, sources: Sources, stated: str | None) -> list[str]:
    """Return what helps where the replay is not shown to be the sensor that was logged; empty where it is."""
    from teachlab.device.agreement import AGREES, LIMITED, OPEN
    from teachlab.statistics.claims.decisions import Decision

    found = record.get("agreement")
    if not found or found["verdict"]["decision"] in (AGREES, LIMITED) or record["verdict"]["decision"] == Decision.NONE:
        return []
    if stated is None and found["verdict"]["decision"] == OPEN:
        # It may be the sensor's: a search finds no better one, and `agree` tells what to log.
        stated = str(sources.setting)
    if stated is not None:
        return [f"Next: teachlab agree {typed_again(sources.recording, setting=stated)}"]
    again = given_again(context, sensor_setting="sensor.json")
    return [f"Next: teachlab identify {typed_again(sources.recording)} --out sensor.json", f"Then: {again}"]


def _to_meet(record: dict[str, Any], context: typer.Context) -> list[str]:
    """Return how criteria come to be decided that a setting lacks the evidence for; empty where it lacks none."""
    if record["verdict"].get("overall") != "not enough evidence":
        return []
    if record["verdict"].get("rehearsal") and not record["options"]["rehearsal"]:
        return [f"Next: {given_again(context, rehearsal=True)}"]
    again = given_again(context, recording="NEW.parquet", truth=None)
    return [f"Next: Log a new recording that holds what the criteria lack. Then: {again}"]


def _say(record: dict[str, Any], out: str | None, sources: Sources, step: list[str]) -> None:
    """Print whether the criteria are met, then the verdict on the setting, or of its abstention, and each criterion."""
    from teachlab.data.setting_files import setting_from_dict
    from teachlab.data.truth_files import find_truth
    from teachlab.evidence.wording import judged_text, overall_text
    from teachlab.model.verdict import sentence
    from teachlab.wording.verdict import MOST_LINES, REFUSED, verdict_lines, verdict_of

    verdict, rest = record["verdict"], []
    overall, criteria = verdict.get("overall"), overall_text(verdict)
    if overall == "met":
        rest.append(criteria)
    elif overall:
        # A criterion that is not met goes before a setting that may be used.
        say(criteria)
    for item in verdict.get("criteria", ()):
        outcome, _, because = judged_text(item).partition(": ")
        rest.append(f"  {outcome}: {item['measure']} {item['limit']}; measured {item['measured']}. {sentence(because)}")
    rest += record["cautions"]
    if step:
        rest += step
    elif verdict.get("decision") in REFUSED or overall == "not met":
        # A record of a setting that may not be used is checked by nobody: first its losses are looked into.
        where = None if sources.truth == str(find_truth(sources.recording)) else sources.truth
        replay = f"teachlab replay {typed_again(sources.recording, truth=where, setting=sources.setting)}"
        rest.append(f"Next: {carried(replay)}")
    if out is not None:
        # A file that is neither beside the record nor here must be named.
        named = (("--recording", sources.recording), ("--truth", sources.truth), ("--setting", sources.setting))
        apart = "".join(
            f" {o} {shlex.quote(str(p))}" for o, p in named if p is not None and not Path(Path(p).name).exists()
        )
        check = f"teachlab verify {shlex.quote(str(Path(out) / 'result.json'))}{apart}"
        led = any(line.startswith("Next: ") for line in rest)
        rest.append(f"{'To check the record' if led else 'Next'}: {check}")
    if not overall:
        rest.append("No criteria were given: --criteria FILE.toml judges by limits that were fixed before the run.")
    if "decision" in verdict:
        # The written files take two more lines, the outcome of the criteria one.
        room = max(LEAST_LINES, MOST_LINES - 2 - bool(overall) - len(rest))
        judged = verdict_of(verdict, setting_from_dict(record["setting"], "setting of the record"))
        say_lines(verdict_lines(judged, most=room))
    say_lines(rest)
