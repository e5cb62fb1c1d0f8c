"""Options and arguments that several commands share, each with one help text; the ranges stand in `ranges`."""

from __future__ import annotations

from typing import Annotated

import typer

RecordingFile = Annotated[str, typer.Argument(help="Recording: NAME.parquet, or a URI.")]
PassesFile = Annotated[str | None, typer.Option(help="Table of passes; default: the one beside the recording.")]
PassesOfOne = Annotated[str | None, typer.Option(help="Table of passes, for a single recording.")]
Base = Annotated[str | None, typer.Option(help="Setting whose delays, filter and evaluation rate are kept.")]
Tolerance = Annotated[float, typer.Option(help="Added to every border of every pass, ms.")]
Confidence = Annotated[float, typer.Option(help="Of every interval.")]
TeachShare = Annotated[float, typer.Option(help="Share of the passes that may be taught on.")]
Draws = Annotated[int, typer.Option(help="How often the evidence is drawn anew and taught on.")]
Seed = Annotated[int, typer.Option(help="Picks what is shown.")]
CostMiss = Annotated[float, typer.Option(help="Cost of a lost pass.")]
CostFalse = Annotated[float, typer.Option(help="Cost of a false or extra switching.")]
Assignments = Annotated[
    list[str] | None, typer.Option("--set", help="Sets [STRATEGY.]PARAMETER=VALUE; again for more.")
]
Margins = Annotated[bool, typer.Option(help="Measure margin to noise and reserves: a few more readings.")]
Figures = Annotated[list[str] | None, typer.Option(help="Write .json, .svg or .png; again for more.")]
AcceptCost = Annotated[float, typer.Option(help="Errors per pass that are accepted of a setting.")]
Assume = Annotated[
    str, typer.Option(help="What the claim takes for granted: lots, independent, or a correlation within lots (0.05).")
]
Details = Annotated[bool, typer.Option("--details", help="Print all figures, reasons, conditions below the verdict.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]
