"""Options and arguments that several commands share, each with one help text; the ranges are in `ranges`."""

from __future__ import annotations

from typing import Annotated, Any, get_args

import typer

APART = "apart"
"""Marks an argument whose recordings are cases of their own: one that changes ends no work on the others."""
RecordingFile = Annotated[str, typer.Argument(help="Recording: NAME.parquet, or an address.")]
PassesFile = Annotated[str | None, typer.Option(help="Table of passes; default: the one beside the recording.")]
PassesOfOne = Annotated[str | None, typer.Option(help="Table of passes, for a single recording.")]
Base = Annotated[
    str | None, typer.Option(help="Setting (JSON) from which delays, filter and evaluation rate are taken.")
]
Tolerance = Annotated[float, typer.Option(help="Widens every pass by this at both ends, ms.")]
Confidence = Annotated[float, typer.Option(help="Confidence of every interval.")]
TeachShare = Annotated[float, typer.Option(help="Share of the passes, from the start, that are used for teaching.")]
Draws = Annotated[int, typer.Option(help="How many times each strategy is taught, each time shown other passes.")]
Seed = Annotated[int, typer.Option(help="Which passes are shown: the same seed shows the same.")]
CostMiss = Annotated[float, typer.Option(help="Cost of a lost pass.")]
CostFalse = Annotated[float, typer.Option(help="Cost of a false trip or an extra switching.")]
Assignments = Annotated[
    list[str] | None,
    typer.Option("--set", help="Set a parameter: [STRATEGY.]PARAMETER=VALUE. May be given several times."),
]
Margins = Annotated[bool, typer.Option(help="Measure margin to noise; compare measures reserves too.")]
Figures = Annotated[
    list[str] | None, typer.Option(help="File to write: .json, .svg or .png. May be given several times.")
]
AcceptCost = Annotated[float, typer.Option(help="Errors per pass at which a setting is still accepted.")]
Assume = Annotated[
    str,
    typer.Option(
        help="What the claim assumes of the passes: lots (nothing within a lot), independent, or a correlation within "
        "lots (0.05)."
    ),
]
Details = Annotated[bool, typer.Option("--details", help="Also print all figures, reasons and conditions.")]
DeviceFile = Annotated[
    str | None, typer.Option("--device", help="Device with readings of its display and its steps: TOML.")
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]


def or_default(shared: Any, default: object) -> Any:
    """Return a shared option for which "not typed" means that a file may state it; otherwise the default."""
    return typer.Option(help=f"{get_args(shared)[1].help} Default: {default}.")
