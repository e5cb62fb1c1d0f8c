"""The command `stale`: a setting in use on a new recording."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, note_last, progress, say, say_lines, say_verdict, show
from teachlab.cli.options import Confidence, Details, Json, Tolerance
from teachlab.model.printable_text import in_figures, typed_again
from teachlab.model.recording import Recording
from teachlab.wording.alignment import lead_lines
from teachlab.wording.notes import passes_notes

if TYPE_CHECKING:
    from rich.table import Table

    from teachlab.questions.stale.answer import RecordingUnderSetting, Staleness

EXIT = {"keep": 0, "watch": 0, "clean or teach again": 1, "not enough evidence": 3}


def stale_command(
    recording: Annotated[str, typer.Argument(help="This week's recording: NAME.parquet, or an address.")],
    setting: Annotated[str, typer.Option(help="Setting in use: JSON.")],
    before: Annotated[str | None, typer.Option(help="Recording on which it was taught or last checked.")] = None,
    truth: Annotated[str | None, typer.Option(help="Passes of this week; default: beside the recording.")] = None,
    before_truth: Annotated[str | None, typer.Option(help="Passes of the recording before.")] = None,
    least_margin: Annotated[float, typer.Option(help="Margin to noise below which the answer is: watch it.")] = 5.0,
    horizon_hours: Annotated[
        float | None,
        typer.Option(help="Answer 'watch' if cleaning may be due within so many hours after the recording."),
    ] = None,
    tolerance_ms: Tolerance = 0.0,
    confidence: Confidence = 0.95,
    details: Details = False,
    json: Json = False,
) -> None:
    """Is the setting in use still good? Losses, margin and contrast over time.

    Exit code: 0 keep or watch, 1 clean or teach again, 3 not enough evidence.
    """
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.model.following_and_window import fixed_levels
    from teachlab.model.score import Rules
    from teachlab.model.verdict import VerdictReason
    from teachlab.questions.stale import staleness
    from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS
    from teachlab.switching.fitting import naming

    used = fixed_levels(read_setting(setting), "the staleness of a setting")
    now, then = open_pair(recording, truth), None if before is None else open_pair(before, before_truth)
    with progress(f"following {now[0].name}", quiet=json), naming(setting, recording):
        found = staleness(
            used,
            now,
            then,
            rules=Rules(tolerance_ms=tolerance_ms, confidence=confidence),
            least_margin=least_margin,
            horizon_hours=horizon_hours,
        )
    note_last(*passes_notes([now, *([] if then is None else [then])]))
    again = f"teachlab bench {typed_again(recording, truth=truth)} --out results"
    kept = typed_again(recording, truth=truth, setting=setting)
    # A setting that is no worse than before may be too bad all the same: replay says why.
    good = found.errors <= ACCEPTED_ERRORS * found.now.score.counts.scored_passes
    keep = f"teachlab report {kept} --out record" if good else f"teachlab replay {kept}"
    if found.state == "watch" or (good and found.taught_here):
        soon = " soon" if found.state == "watch" else " in some weeks"
        against = shlex.join(["--before", recording, *([] if truth is None else ["--before-truth", truth])])
        look = typed_again("NEW.parquet", setting=setting)
        keep = f"Log the line again{soon}, and compare. Then: teachlab stale {look} {against}"
    step = found.verdict.next_step or (again if EXIT[found.state] else keep)
    asked = [(found.now, recording, truth)]
    if found.before is not None and before is not None:
        asked.append((found.before, before, before_truth))
    if found.unjudged:
        one, at, passes = next(those for those in asked if those[0].unjudged)
        step = f"teachlab inspect {typed_again(at, truth=passes)}"
        if one.alignment is not None and one.alignment.off:
            step = one.alignment.command(at, passes)
    verdict = found.verdict.leading_to(step)
    if json:
        emit_json(found.as_dict() | {"verdict": verdict.as_dict()})
    else:
        for one, at, passes in asked:
            say_lines(lead_lines(one.alignment, at, passes, step=step))
        places = [VerdictReason(text=place.sentence(now[0])) for place in found.now.places]
        say_verdict(verdict.then(*places), details=details)
        if details:
            _say(found, now[0])
    if EXIT[found.state]:
        raise typer.Exit(EXIT[found.state])


NO_SHARE = 1e-6
"""Smaller shares are told as 0."""


def _say(found: Staleness, recording: Recording) -> None:
    from teachlab.wording.course import course_lines, evidence_line, sequential_line
    from teachlab.wording.tables import margins_table

    unit = recording.info.unit
    for followed in (found.before, found.now):
        if followed is not None:
            show(_stretches(followed, unit, "before" if followed is found.before else "now"))
    both = [(when, one) for when, one in (("before", found.before), ("now", found.now)) if one is not None]
    if kept := [(when, one) for when, one in both if one.margin is not None]:
        show(margins_table("Margin and reserves", kept, unit))
    if found.changes:
        show(_changes(found, unit))
    for one in found.evidence:
        say(evidence_line(one, recording))
    if found.across is not None:
        say(sequential_line(found.across.as_dict(), "those before"))
    say_lines(course_lines(found.now.course.as_dict()))


def _stretches(followed: RecordingUnderSetting, unit: str, when: str) -> Table:
    from teachlab.light.drawing import time_axis
    from teachlab.wording.tables import plain_table

    rate, (low, high) = followed.score.lost_rate, followed.lost_limits
    of = "lots, neighbours joined" if followed.course.stretches_are == "lots" else "stretches of passes"
    table = plain_table(f"{followed.name} ({when}): {of}; light in {unit}")
    hours = [s.hours for s in followed.course.stretches]
    time, long = time_axis(3600 * max(hours, default=0.0))
    for name in (f"after, {time}", "passes", "lost", "object", "weakest", "background", "contrast", "margin", "side"):
        table.add_column(name, justify="left" if name == "side" else "right")
    for s in followed.course.stretches:
        numbers = (s.object, s.weakest, s.background, s.contrast, s.margin)
        texts = ("–" if value is None else in_figures(value) for value in numbers)
        table.add_row(in_figures(3600 * s.hours / long, 3), str(s.passes), str(s.lost), *texts, s.limited_by or "–")
    # A lower bound so near 0 says nothing more than 0.
    least, most = (in_figures(100 * share if share > NO_SHARE else 0, 3) for share in (low, high))
    table.caption = (
        f"lost {rate.events} of {rate.trials}: between {least} and {most} % allowing for lots; "
        "margins in the noise of the recording before, if there is one"
    )
    return table


def _changes(found: Staleness, unit: str) -> Table:
    from teachlab.wording.tables import plain_table

    by = {one.course.stretches_are for one in (found.before, found.now) if one is not None}
    table = plain_table(
        "What differs: means of the rows above, margins of every pass",
        "" if by == {"lots"} else "stretches of passes establish no change: lots may differ as much",
    )
    for name in ("figure", "before", "now", "change", f"{100 * found.confidence:g} % interval", ""):
        table.add_column(name, justify="right" if name and name != "figure" else "left")
    for c in found.changes:
        name = "margin of a pass" if c.figure == "margin" else f"{c.figure}, {unit}"
        numbers = (
            in_figures(c.before),
            in_figures(c.now),
            in_figures(c.change, sign=True),
            f"{in_figures(c.low)} to {in_figures(c.high)}",
        )
        table.add_row(name, *numbers, "established" if c.established else "not established")
    return table
