"""The command `timing`: the time budget, from numbers or from a recording."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from teachlab.cli.console import emit_json, say
from teachlab.errors import ParameterError


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("timing")(timing_command)


def timing_command(
    recording: Annotated[str | None, typer.Argument(help="Recording whose shortest pass and gap are taken.")] = None,
    truth: Annotated[str | None, typer.Option(help="Table of passes; default: the one beside the recording.")] = None,
    setting: Annotated[str | None, typer.Option(help="Take filter, delays and evaluation rate from it.")] = None,
    speed_mm_s: Annotated[float | None, typer.Option(help="Speed of the line, mm/s.")] = None,
    length_mm: Annotated[float | None, typer.Option(help="Length of the shortest object, mm.")] = None,
    gap_mm: Annotated[float | None, typer.Option(help="Shortest gap, mm.")] = None,
    beam_mm: Annotated[float, typer.Option(help="1/e² radius of the beam, mm; 0: sharp edges.")] = 0.0,
    on_share: Annotated[float, typer.Option(help="Height of the on-level as a share of the span.")] = 0.5,
    off_share: Annotated[float, typer.Option(help="Height of the off-level as a share of the span.")] = 0.5,
    evaluation_rate_hz: Annotated[float | None, typer.Option(help="Evaluations of the sensor per second.")] = None,
    consecutive: Annotated[int | None, typer.Option(help="Evaluations in a row that must agree.")] = None,
    on_delay_ms: Annotated[float | None, typer.Option(help="ms")] = None,
    off_delay_ms: Annotated[float | None, typer.Option(help="ms")] = None,
    scan_ms: Annotated[float, typer.Option(help="Scan of the controller, ms.")] = 0.0,
    input_filter_ms: Annotated[float, typer.Option(help="Filter of its input, ms.")] = 0.0,
    speed_change: Annotated[float, typer.Option(help="Relative change of the speed: 0.1 for 10 %.")] = 0.0,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Check dwell, gap, response, delays and controller scan before any level is taught."""
    from dataclasses import replace

    from teachlab.data.setting_files import read_setting
    from teachlab.explore.timing import Line, delay_at_fault, line_from_lengths, line_from_recording, timing
    from teachlab.model.setting import Setting
    from teachlab.model.setting_kinds import fixed_levels

    chosen = None if setting is None else fixed_levels(read_setting(setting), "the timing check")
    given = {
        "consecutive": consecutive, "on_delay_ms": on_delay_ms, "off_delay_ms": off_delay_ms,
        "evaluation_rate_hz": evaluation_rate_hz,
    }  # fmt: skip
    overrides: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    blamed = None
    line: Line
    if recording is not None:
        from teachlab.cli.surfacing import with_passes

        if length_mm is not None or gap_mm is not None:
            raise ParameterError("give a recording, or --length-mm and --gap-mm, not both.")
        opened, passes = with_passes(recording, truth)
        start = chosen or Setting(unit=opened.info.unit, on_level=0.0, off_level=0.0)
        used = replace(start, **overrides)
        line = line_from_recording(opened, passes, used, scan_ms=scan_ms, input_filter_ms=input_filter_ms)
        line = replace(line, speed_change=speed_change, speed_mm_s=speed_mm_s or line.speed_mm_s)
        blamed = delay_at_fault(opened, passes, used)
    else:
        missing = [
            n for n, v in (("--speed-mm-s", speed_mm_s), ("--length-mm", length_mm), ("--gap-mm", gap_mm)) if v is None
        ]
        rate = evaluation_rate_hz or (chosen.evaluation_rate_hz if chosen else None)
        if rate is None:
            missing.append("--evaluation-rate-hz")
        if missing or speed_mm_s is None or length_mm is None or gap_mm is None or rate is None:
            raise ParameterError(f"timing needs a recording, or numbers; missing: {', '.join(missing)}.")
        start = replace(chosen or Setting(unit="-", on_level=0.0, off_level=0.0), **overrides)
        line = line_from_lengths(
            speed_mm_s=speed_mm_s, length_mm=length_mm, gap_mm=gap_mm, evaluation_rate_hz=rate, beam_mm=beam_mm,
            on_share=on_share, off_share=off_share, consecutive=start.consecutive, on_delay_ms=start.on_delay_ms,
            off_delay_ms=start.off_delay_ms, scan_ms=scan_ms, input_filter_ms=input_filter_ms,
            speed_change=speed_change,
        )  # fmt: skip
    found = timing(line)
    document = {**found.as_dict(), "delay_at_fault": blamed}
    if json:
        emit_json(document)
        return
    for name, value in found.as_dict().items():
        if name not in ("schema", "verdict", "because", "source") and value is not None:
            text = " … ".join(f"{v:.4g}" for v in value) if isinstance(value, list) else f"{value:.4g}"
            say(f"{name:>22}  {text}")
    say(f"From {found.source}.")
    say(f"{found.verdict}: {found.because}.".replace("..", "."))
    if blamed:
        say(blamed)
