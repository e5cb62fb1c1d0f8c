"""The command `inspect`: the quality of a recording."""

from __future__ import annotations

import math
import shlex
from typing import TYPE_CHECKING, Annotated, Any

import typer

from teachlab.cli.console import emit_json, note_last, progress, say_lines, say_verdict, show
from teachlab.cli.options import Details, Json, PassesFile, RecordingFile, Tolerance
from teachlab.cli.writing import picture_kind, write_file
from teachlab.errors import RecordingError
from teachlab.model.printable_text import LONG_S, in_figures, level_text, moment, number_of, typed_again
from teachlab.model.recording import Recording
from teachlab.wording.notes import passes_note
from teachlab.wording.rates import FURTHEST
from teachlab.wording.verdict import MOST_LINES

if TYPE_CHECKING:
    from teachlab.data.quality.report import Quality
    from teachlab.data.quality.separability import Obstacle
    from teachlab.questions.quality import InspectAnswer
    from teachlab.questions.surface.hindsight import Hindsight

ROUNDING = 1e-9
"""Share of the light by which a sum may be wrong."""


def inspect_command(
    recording: RecordingFile,
    truth: PassesFile = None,
    tolerance_ms: Tolerance = 0.0,
    plot: Annotated[str | None, typer.Option(help="Draw the light over time: .svg or .png.")] = None,
    details: Details = False,
    json: Json = False,
) -> None:
    """Check a recording: can any fixed level work? Noise, contrast, drift, alignment."""
    from teachlab.data.opening import open_with_passes
    from teachlab.model.score import Rules
    from teachlab.questions.quality import inspected
    from teachlab.wording.alignment import mending

    kind = picture_kind(plot)
    rules = Rules(tolerance_ms=tolerance_ms)
    opened, passes = open_with_passes(recording, truth)
    with progress(f"inspecting {opened.name}", quiet=json) as told:
        found = inspected(opened, passes, rules=rules, progress=told)
    quality = found.quality
    if plot is not None:
        from teachlab.device.logged_edges import logged_runs

        write_file(plot, found.figure(opened, passes, logged=logged_runs(opened), kind=kind))
    note_last(passes_note(passes))
    verdict = found.verdict.leading_to(_next_step(found, recording, truth))
    if json:
        emit_json(found.as_dict() | {"verdict": verdict.as_dict()})
        return
    last = [*mending(found.alignment, recording, truth, step=verdict.next_step), *_logged_output(opened, recording)]
    say_verdict(verdict, _summary(opened, quality, found), details=False, most=MOST_LINES - len(last))
    say_lines(last)
    if not details:
        return
    show(_table(opened, quality, found))
    say_lines(_obstacles(quality, found, opened))


def _logged_output(opened: Recording, recording: str) -> list[str]:
    """Return what is logged of the sensor's own output, and its use; empty if nothing is logged."""
    from teachlab.device.logged_edges import logged_edges

    if opened.info.output is None:
        return []
    try:
        edges = logged_edges(opened)
    except RecordingError:
        return ["Sensor: its own output was logged, but never switches."]
    many = number_of(edges.active.size, "onset")
    return [f"Sensor: its own output was logged, {many}; its setting: teachlab identify {shlex.quote(recording)}"]


def _next_step(found: InspectAnswer, recording: str, truth: str | None) -> str:
    """Return what to do next: a command that works as printed, or a sentence."""
    from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS

    q, on = found.quality, typed_again(recording, truth=truth)
    if found.contradicted:
        return "correct the stored direction, or the passes: they contradict each other."
    if found.aside and found.alignment is not None:
        return found.alignment.command(recording, truth)
    if found.sides is not None:
        return f"teachlab bench {on} --strategy two-threshold --strategy guard-or-window"
    if not q.passes:
        step = f"teachlab label {shlex.quote(recording)}"
        return step if q.passes is None else f"Add the passes to it. Or take it away, then: {step}"
    if found.empty or found.unmeasured:
        return f"teachlab inspect {on} --plot light.svg"
    if q.direction is None:
        return "store the direction (rise or dip) in the recording; strategies abstain without it."
    if found.few:
        return f"teachlab plan --max-rate {ACCEPTED_ERRORS:g}"
    if found.stopped is not None:
        return "import the log again with --except, a table of the stretches in which it stands still."
    if found.wider is not None and found.wider_first:
        return f"teachlab inspect {on} --tolerance-ms {found.wider.tolerance_ms:g}"
    if (cure := found.mending) is not None:
        if cure.kind == "averaging":
            return f"set {cure.text} in the sensor, log again and run this again."
        if cure.kind in ("following", "turning points"):
            name = "background-follower" if cure.kind == "following" else "turning-point-follower"
            return f"teachlab bench {on} --strategy {name}"
        return f"teachlab {'bench' if cure.plain else 'design'} {on}"
    return f"teachlab bench {on}"


def _summary(recording: Recording, q: Quality, found: InspectAnswer) -> list[str]:
    """Return span, light and contrast in three lines."""
    noise = in_figures(q.noise.overall, 3, "unknown") + f" {q.unit}"
    if q.noise.background is not None and q.noise.object is not None:
        noise = f"{in_figures(q.noise.background, 3)} in gaps, {in_figures(q.noise.object, 3)} {q.unit} in passes"
    told = in_figures(q.contrast, nothing="", sign=True)
    contrast = f"{told} {q.unit}" if told else "not known"
    return [
        f"  {_span(q.seconds)} at {q.sample_rate_hz:.6g} Hz, "
        f"light {in_figures(q.low)} to {in_figures(q.high)} {q.unit}, "
        f"{100 * q.invalid:.3g} % invalid",
        f"  {number_of(q.passes or 0, 'pass', 'passes')}, direction {q.direction or 'not known'}, "
        f"contrast {contrast}, noise {noise}",
    ]


def _table(recording: Recording, q: Quality, found: InspectAnswer) -> Any:
    from rich.table import Table

    unit = q.unit

    def level(value: float | None, *, sign: bool = False) -> str:
        return "unknown" if value is None else f"{in_figures(value, sign=sign)} {unit}"

    table = Table(title=recording.info.title or recording.name, title_justify="left", show_header=False)
    table.add_row(
        "span",
        f"{number_of(q.samples, 'sample')} at {q.sample_rate_hz:.9g} Hz: {_span(q.seconds)}, stored as {q.dtype}",
    )
    table.add_row("light", f"{in_figures(q.low)} to {in_figures(q.high)} {unit}")
    table.add_row("invalid", f"{100 * q.invalid:.3g} % of the samples")
    saturated = "unknown: the recording names no full scale"
    if q.saturated is not None:
        saturated = f"{100 * q.saturated:.3g} % of the samples (at or below 0, or at or above full scale)"
    table.add_row("saturated", saturated)
    if found.clipped:
        table.add_row("clipped", found.clipped)
    if q.passes is not None:
        kinds = f"{q.detect_passes} to detect, {q.ignore_passes} to ignore" if q.ignore_passes else "all to detect"
        table.add_row("passes", f"{q.passes} ({kinds}), {q.gaps} gaps; truth: {q.truth_source}")
    table.add_row("direction", _direction(q))
    if q.passes is not None:
        table.add_row("background", f"{level(q.background)} (median of the gaps)")
        table.add_row("contrast", f"{level(q.contrast, sign=True)} (median of the pass peaks less the background)")
        table.add_row("noise", f"objects {level(q.noise.object)}, background {level(q.noise.background)}")
    else:
        table.add_row("noise", f"{level(q.noise.overall)} over everything")
    table.add_row("smallest step", _step(q))
    table.add_row("drift", _drift(q))
    if found.best is not None:
        table.add_row("fixed levels", _counted(found.best, unit, found.step))
    return table


def _step(q: Quality) -> str:
    step, noise = q.noise.step, q.noise.overall
    if step is None:
        return "unknown: only one level occurs"
    fine = noise is not None and step < noise / 1000
    return f"{in_figures(step)} {q.unit}" + (", far below the noise" if fine else "")


def _span(seconds: float) -> str:
    if seconds < LONG_S:
        return f"{in_figures(seconds)} s"
    return f"{seconds / 60:.4g} min" if seconds < 7200 else f"{seconds / 3600:.4g} h"


def _direction(q: Quality) -> str:
    if q.direction is None:
        if q.contrasts is None or math.isnan(q.contrasts.rise):
            return "not stored; it cannot be found without passes to detect that hold light, and gaps"
        rise, dip = in_figures(q.contrasts.rise), in_figures(q.contrasts.dip)
        return (
            f"ambiguous: objects rise by {rise} and dip by {dip} {q.unit}; store it with `teachlab import --direction`"
        )
    effect = "objects raise the light" if q.direction == "rise" else "objects lower the light"
    source = "stored" if q.direction_stored else "found from the passes"
    found = None if q.contrasts is None else q.contrasts.direction
    against = "; the passes say the opposite" if found is not None and found != q.direction else ""
    return f"{q.direction}: {effect} ({source}{against})"


def _drift(q: Quality) -> str:
    hours = q.seconds / 3600
    parts = []
    if hours < 1 / FURTHEST:
        return f"not known: {q.seconds:.4g} s are too short for a trend. Log at least {60 / FURTHEST:g} minutes"
    sides = [("level", q.drift.level_per_hour)]
    if q.passes is not None:
        sides = [("background", q.drift.background_per_hour), ("objects", q.drift.object_per_hour)]
    for name, slope in sides:
        if slope is not None:
            # If it is below the rounding of the light, there is no drift.
            if abs(slope * hours) <= ROUNDING * max(abs(q.high), abs(q.low)):
                slope = 0.0
            over, per_hour = (in_figures(v, 3, sign=True) for v in (slope * hours, slope))
            parts.append(f"{name} {over} {q.unit} over the recording ({per_hour} {q.unit}/h)")
    return ", ".join(parts) or "too little to decide"


def _counted(best: Hindsight, unit: str, step: float | None) -> str:
    """Say which errors the best pair of fixed levels makes, with every pass and gap counted."""
    on, off = (level_text(level, step) for level in (best.setting.on_level, best.setting.off_level))
    pair = f"on {on}, off {off} {unit}"
    n = best.counts
    if best.cost == 0:
        return f"work: {pair} loses no pass and trips in no gap"
    faults = (
        (n["lost"] - best.touching, "lost pass", "lost passes"),
        (n["false_trips"] + n["ignore_trips"], "false trip", "false trips"),
        (n["extra"], "extra switching", "extra switchings"),
    )
    told = ", ".join(number_of(*fault) for fault in faults if fault[0])
    return f"none works: the best pair, {pair}, still has {told}"


def _obstacles(q: Quality, found: InspectAnswer, recording: Recording) -> list[str]:
    s = q.separability
    if s is None:
        return []
    if s.separable and found.works is False:
        return [
            "All peaks of passes are separate from all gaps, but every pair of levels makes errors: the light "
            "comes back inside passes, or leaves for too short a time."
        ]
    side = "above" if q.direction == "rise" else "below"
    if s.separable:
        room = abs(s.weakest_pass.peak - s.strongest_gap.peak)
        return [
            f"A level of {in_figures(s.level, 5)} {q.unit} has all {number_of(s.passes, 'pass', 'passes')} on one side "
            f"and all {number_of(s.gaps, 'gap')} on the other; the room between them is {in_figures(room)} {q.unit}."
        ]
    lines = [
        f"No level, even without hysteresis, has all passes {side} it and no gap. The best, "
        f"{in_figures(s.level, 5)} {q.unit}, has {s.lost} of {number_of(s.passes, 'pass', 'passes')} "
        f"and {s.tripped} of {number_of(s.gaps, 'gap')} on the wrong side."
    ]
    for title, obstacles in (("passes", s.lost_passes), ("gaps", s.tripped_gaps)):
        if obstacles:
            lines.append(f"  {title} on the wrong side: " + "; ".join(_one(o, q, recording) for o in obstacles))
    return lines


def _one(o: Obstacle, q: Quality, recording: Recording) -> str:
    name = "gap" if o.row is None else f"pass {o.row}" + (f" '{o.label}'" if o.label else "")
    most = "strongest" if q.direction == "rise" else "darkest"
    where = f"{moment(o.start, recording)} (samples {o.start} to {o.stop - 1})"
    return f"{name} at {where}, {most} light {in_figures(o.peak, 5)}"
