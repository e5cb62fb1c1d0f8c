"""The command `identify`: which settings reproduce the sensor's own logged output."""

from __future__ import annotations

import shlex
from dataclasses import replace
from typing import Annotated

import typer

from teachlab.cli.console import NOT_ENOUGH, emit_json, say, say_lines, say_verdict, show, warn
from teachlab.cli.options import Details, Json, RecordingFile
from teachlab.cli.ranges import Range
from teachlab.cli.writing import picture_kind, write_file
from teachlab.model.printable_text import typed_again

MOST_JITTER = 5


def identify_command(
    recording: RecordingFile,
    jitter: Annotated[
        int, typer.Option(help="By how many samples a logged edge may be early or late."), Range(0, MOST_JITTER)
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

    Settings that the log cannot separate are given as a set, with the pulse that would separate them. Lag and phase of
    the log are given beside the setting, not in it.
    """
    from teachlab.data.recording_files import read_recording
    from teachlab.device.identification import identify
    from teachlab.wording.identification import class_table, place_lines

    kind = picture_kind(plot)
    opened = read_recording(recording)
    found = identify(opened, jitter=jitter, longest_ms=longest_ms)
    setting = found.representative
    if setting is not None and out is not None:
        from teachlab.data.setting_files import write_setting

        write_setting(out, setting)
    if setting is not None and plot is not None:
        from teachlab.device.identification import whole_light
        from teachlab.device.identification_figure import identification_figure
        from teachlab.device.logged_edges import logged_edges

        drawn = identification_figure(
            found, whole_light(opened), logged_edges(opened), name=opened.info.title or opened.name, kind=kind
        )
        write_file(plot, drawn)
    if found.refused is not None:
        # More jitter mends one of several causes only, and makes every answer wider.
        more = f" If edges are only late: --jitter {min(jitter + 2, MOST_JITTER)}." if jitter < MOST_JITTER else ""
        step = f"Log light and output of one sensor with fixed levels, by one clock, and identify again.{more}"
    elif out is None:
        step = f"teachlab identify {shlex.quote(recording)} --jitter {jitter} --out sensor.json"
        if not found.unique:
            step = "Log what is named above, and identify again. --out sensor.json writes the simplest that fits."
    else:
        step = f"teachlab agree {typed_again(recording, setting=out)}"
    found = replace(found, next_step=step)
    if json:
        emit_json(found.as_dict())
    else:
        say_verdict(found.verdict, details=details)
        if details and setting is not None:
            show(class_table(found))
            say_lines(place_lines(found.contradictions, opened))
        if setting is not None and out is not None:
            say(f"Setting: {out}, the simplest that fits.")
    if found.refused is not None or found.groups_left:
        if not json and setting is None and (out is not None or plot is not None):
            warn("teachlab: nothing is written: no setting was identified.")
        raise typer.Exit(NOT_ENOUGH)
