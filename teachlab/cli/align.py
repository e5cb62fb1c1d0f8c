"""The command `align`: truth against the light, and moved to it."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import NOT_ENOUGH, emit_json, note_last, say, say_lines, warn
from teachlab.cli.options import Json, PassesFile, RecordingFile
from teachlab.cli.writing import picture_kind, write_file
from teachlab.model.printable_text import number_of
from teachlab.wording.notes import passes_note

if TYPE_CHECKING:
    from teachlab.data.alignment import Alignment


def align_command(
    recording: RecordingFile,
    truth: PassesFile = None,
    out: Annotated[
        str | None, typer.Option(help="Write the recording with its moved passes, or NAME.passes.parquet alone.")
    ] = None,
    whole_periods: Annotated[
        int | None, typer.Option(help="So many passes later than measured; needed on a regular line, 0 included.")
    ] = None,
    plot: Annotated[str | None, typer.Option(help="Draw crossings about the borders: .svg or .png.")] = None,
    details: Annotated[bool, typer.Option("--details", help="By kind of object and over time, too.")] = False,
    json: Json = False,
) -> None:
    """Measure how far the passes lag behind the light. --out writes moved passes."""
    from teachlab.data.alignment import NOT_MEASURED, AlignAnswer, aligned_truth, measure_alignment, with_room
    from teachlab.data.alignment.writing import check_out, write_aligned
    from teachlab.data.opening import open_pair
    from teachlab.wording.alignment import after_agreement

    kind = picture_kind(plot)
    if out is not None:
        check_out(out, recording, truth)
    opened, passes = open_pair(recording, truth)
    note_last(passes_note(passes))
    found = measure_alignment(opened, passes)
    if found is None:
        warn(f"teachlab: {recording}: {NOT_MEASURED}")
        raise typer.Exit(NOT_ENOUGH)
    found = with_room(found, opened, passes)
    unsettled = not found.settled(whole_periods)
    refused = out is not None and unsettled
    if plot is not None:
        from teachlab.data.alignment.figure import alignment_figure

        write_file(plot, alignment_figure(found, passes, name=opened.info.title or opened.name, kind=kind))
    written, left = None, 0
    if out is not None and not refused:
        moved, left = aligned_truth(found, passes, whole_periods=whole_periods or 0)
        written = write_aligned(out, recording, opened, moved)
    if json:
        emit_json(AlignAnswer(recording=opened.name, alignment=found, out=written, left_out=left).as_dict())
    else:
        _tell(found, recording, truth, details=details, mend=out is None)
        if out is None and not found.matters:
            say()
            say_lines(after_agreement(found, recording, truth, settled=whole_periods is not None).splitlines())
        if written is not None:
            say(
                f"Moved passes: {written}; their borders are now uncertain by "
                f"±{number_of(moved.uncertainty_samples, 'sample', spec='.3g')}."
            )
            if left:
                say(f"{left} pass{' lies' if left == 1 else 'es lie'} outside the recording now: left out.")
            unseen = sum(end - start for start, end in moved.except_) - sum(
                end - start for start, end in passes.except_
            )
            if unseen > 0:
                say(
                    f"The moved table says nothing of {number_of(unseen, 'sample')} at the ends of the light "
                    f"({1000 * unseen / opened.info.sample_rate_hz:.4g} ms): left out of scoring too."
                )
            say()
            on = shlex.quote(str(out)) if written != out else f"{shlex.quote(recording)} --truth {shlex.quote(out)}"
            say(f"Next: teachlab inspect {on}")
    if refused and not json:
        warn(
            "teachlab: nothing is written: "
            + (
                "the edges of the light are lost in its noise."
                if found.drowned
                else "on this line a shift by whole passes cannot be measured. Say how many passes later with "
                "--whole-periods (0 if none)."
                if found.belongs
                else "the direction may be wrong. If it is right, say how many passes later with --whole-periods (0 if "
                "none)."
                if found.follows
                else "one shift cannot move all of these passes to the light."
                if found.parted is not None
                else "these passes do not follow this light closely enough."
            )
        )
    if unsettled:
        raise typer.Exit(NOT_ENOUGH)


def _tell(found: Alignment, recording: str, truth: str | None, *, details: bool, mend: bool) -> None:
    from teachlab.data.alignment.finding import finding
    from teachlab.wording.alignment import agreement, detail_lines, figures, mending

    say_lines(finding(found) or [agreement(found)])
    if mend and found.matters:
        say_lines(mending(found, recording, truth))
    if found.drowned:
        return
    say()
    say_lines(figures(found))
    if details:
        say_lines(detail_lines(found))
