"""The command `agree`: a replay against the sensor's own logged output."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from teachlab.cli.console import emit_json, say, say_lines, say_verdict
from teachlab.cli.options import Assume, Confidence, Details, Json, PassesFile, RecordingFile
from teachlab.cli.ranges import Range
from teachlab.cli.writing import picture_kind, write_file
from teachlab.model.printable_text import typed_again


def agree_command(
    recording: RecordingFile,
    setting: Annotated[str, typer.Option(help="Setting that the sensor had while it was logged: JSON.")],
    truth: PassesFile = None,
    tolerance_samples: Annotated[
        int | None,
        typer.Option(help="Edges further apart do not match, samples; default: one evaluation and one sample."),
        Range(0, 100_000),
    ] = None,
    lag_samples: Annotated[
        int | None,
        typer.Option(help="Constant lag of the logged output, samples; default: the one that matches most edges."),
        Range(-100_000, 100_000),
    ] = None,
    confidence: Confidence = 0.95,
    assume: Assume = "lots",
    plot: Annotated[str | None, typer.Option(help="Draw every edge, early or late: .svg or .png.")] = None,
    details: Details = False,
    json: Json = False,
) -> None:
    """Compare a replay with the sensor's own logged output, pulse by pulse and by lots.

    It shows whether the replay agrees with this sensor. A constant lag is removed and reported: it cannot be separated
    from a delay that is the same for both edges.
    """
    from teachlab.data.opening import open_with_passes
    from teachlab.data.setting_files import read_setting
    from teachlab.device.agreement import AGREES, LIMITED, OPEN, agree, matched_to_log
    from teachlab.statistics.claims.lot_claims import assumption_from
    from teachlab.switching.fitting import refuse_unfit
    from teachlab.wording.identification import place_lines

    kind = picture_kind(plot)
    opened, passes = open_with_passes(recording, truth)
    used = read_setting(setting)
    refuse_unfit([(setting, used)], [(recording, opened)])
    found = agree(
        opened, used, passes, tolerance=tolerance_samples, lag=lag_samples, confidence=confidence,
        assumption=assumption_from(assume),
    )  # fmt: skip
    if plot is not None:
        from teachlab.device.agreement_figure import agreement_figure

        matched = matched_to_log(opened, used, tolerance=found.tolerance_samples, lag=found.lag_samples)
        write_file(plot, agreement_figure(matched, opened, kind=kind))
    step = f"teachlab identify {typed_again(recording)}"
    if found.verdict.decision == OPEN:
        step = found.verdict.next_step
    elif found.verdict.decision in (AGREES, LIMITED):
        on = typed_again(recording, truth=truth, setting=setting)
        step = f"teachlab {'replay' if passes is None else 'report'} {on}{'' if passes is None else ' --out record'}"
    found = replace(found, verdict=found.verdict.leading_to(step))
    if json:
        emit_json(found.as_dict())
        return
    say_verdict(found.verdict, details=details)
    if details:
        say(f"Edges match within ±{found.tolerance_samples} samples. {100 * found.lots_fully_reproduced:.3g} % of the "
            f"{'lots' if found.share.named else 'stretches'} are reproduced without a fault.")  # fmt: skip
        say_lines(place_lines(found.unmatched, opened))
