"""The command `design`: a complete setting from one showing."""

from __future__ import annotations

from typing import Annotated

import typer

from teachlab.cli import options as opt
from teachlab.cli.console import say_verdict
from teachlab.cli.opening import teachers
from teachlab.cli.teach import ask_for_setting
from teachlab.cli.writing import picture_kind, write_file
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.truth import Truth


def design_command(
    context: typer.Context,
    recording: opt.RecordingFile,
    set_: opt.Assignments = None,
    truth: opt.PassesFile = None,
    base: Annotated[str | None, typer.Option(help="Setting whose evaluation rate is kept.")] = None,
    seed: opt.Seed = 0,
    tolerance_ms: opt.Tolerance = 0.0,
    device: opt.DeviceFile = None,
    out: Annotated[str | None, typer.Option(help="Write the setting: JSON.")] = None,
    plot: Annotated[str | None, typer.Option(help="Draw the levels over the light: .svg or .png.")] = None,
    accept_cost: opt.AcceptCost = 0.05,
    details: opt.Details = False,
    json: opt.Json = False,
) -> None:
    """Choose levels, filter and delays together, with a reason and a reserve for each.

    Half of the passes are shown; the others judge the setting. Every combination is counted exactly on what was shown.
    A filter or delay is used only if it adds reserve.
    """
    from teachlab.questions.design import DesignAnswer, designed_and_judged
    from teachlab.teaching.strategies.designed import Designed

    kind = picture_kind(plot)

    def draw(found: DesignAnswer, opened: Recording, passes: Truth) -> None:
        if plot is not None:
            from teachlab.questions.design.figure import design_figure

            write_file(plot, design_figure(found, opened, passes, rules=Rules(tolerance_ms=tolerance_ms), kind=kind))

    (teacher,) = teachers([Designed.name], set_ or [])
    found = ask_for_setting(
        designed_and_judged, teacher, recording, context, truth=truth, base=base, seed=seed,
        tolerance_ms=tolerance_ms, out=out, accept_cost=accept_cost, device=device, json=json,
        draw=draw,
    )  # fmt: skip
    if json:
        return
    say_verdict(found.taught.verdict, asked=found.part_lines(), details=details, most=18)
