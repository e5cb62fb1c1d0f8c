"""The command `identify`: which settings reproduce the sensor's own logged output."""

from __future__ import annotations

import shlex
from typing import Annotated

import typer

from teachlab.cli.console import emit_json, say, show, warn
from teachlab.cli.options import Details, Json, RecordingFile
from teachlab.cli.ranges import Range
from teachlab.cli.writing import picture_kind

NOT_IDENTIFIED = 3


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("identify")(identify_command)


def identify_command(
    recording: RecordingFile,
    jitter: Annotated[
        int, typer.Option(help="By how many samples a logged edge may be early or late: 0 or 1."), Range(0, 1)
    ] = 1,
    longest_ms: Annotated[
        float | None,
        typer.Option(help="Longest delay from light to logged edge that is tried, ms. Default: 200 samples."),
        Range(0, 10_000),
    ] = None,
    out: Annotated[str | None, typer.Option(help="Write the simplest setting that fits, JSON.")] = None,
    plot: Annotated[str | None, typer.Option(help="Draw the light at every logged edge: .svg or .png.")] = None,
    details: Details = False,
    json: Json = False,
) -> None:
    """Find the settings that explain the sensor's own output, logged beside the light.

    What the log cannot tell apart is told as a set, with the pulse that would tell. Lag and phase of the log stand
    beside the setting, not in it.
    """
    from teachlab.data.recording_files import read_recording
    from teachlab.device.identification import identify
    from teachlab.model.recording import Origin
    from teachlab.wording.identification import class_table, identification_lines

    kind = None if plot is None else picture_kind(plot)
    opened = read_recording(recording)
    found = identify(opened, jitter=jitter, longest_ms=longest_ms)
    setting = found.representative
    if setting is not None and out is not None:
        from teachlab.data.setting_files import write_setting

        write_setting(out, setting)
    if setting is not None and plot is not None and kind is not None:
        from teachlab.data.atomic_files import write_aside
        from teachlab.device.identification import whole_light
        from teachlab.device.identification_figure import identification_figure
        from teachlab.device.logged_edges import logged_edges

        drawn = identification_figure(
            found, whole_light(opened), logged_edges(opened), name=opened.info.title or opened.name, kind=kind
        )
        with write_aside(plot) as aside:
            aside.write_bytes(drawn)
    if json:
        emit_json(found.as_dict())
    else:
        if opened.info.origin is Origin.SYNTHETIC:
            say("Rehearsal on synthetic light, no evidence about a real sensor.")
        for line in identification_lines(found, opened.info, details=details):
            say(line)
        if setting is not None:
            show(class_table(found, details=details))
        if setting is not None and out is not None:
            say(f"Setting: {out}, the simplest that fits.")
            say(f"Next: teachlab replay {shlex.quote(recording)} --setting {shlex.quote(out)}")
    if found.refused is not None:
        if not json and (out is not None or plot is not None):
            warn("teachlab: nothing is written: no setting was identified.")
        raise typer.Exit(NOT_IDENTIFIED)
