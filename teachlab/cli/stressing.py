"""The command `stress`: what a setting survives."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from teachlab.cli.console import emit_json, progress, say, warn
from teachlab.cli.loading import load_base, not_truth_note
from teachlab.cli.surfacing import with_passes
from teachlab.errors import ParameterError

if TYPE_CHECKING:
    from teachlab.explore.feasibility import Feasibility
    from teachlab.explore.stress import StressMap


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("stress")(stress_command)


def stress_command(
    recording: Annotated[str, typer.Argument(help="Recording: NAME.parquet, or a URI.")],
    setting: Annotated[str, typer.Option(help="Setting to stress: JSON.")],
    truth: Annotated[str | None, typer.Option(help="Table of passes; default: the one beside the recording.")] = None,
    tolerance_ms: Annotated[float, typer.Option(help="Added to every border of every pass, ms.")] = 0.0,
    base: Annotated[str | None, typer.Option(help="Take delays, filter and evaluation rate from this setting.")] = None,
    gain: Annotated[str | None, typer.Option(help="Shares of light left: 1,0.9,0.8 or FROM:TO:HOW_MANY.")] = None,
    ambient: Annotated[str, typer.Option(help="Light added, in the recording's unit; written alike.")] = "0",
    pedestal: Annotated[str, typer.Option(help="Backscatter of a dirty window, in the recording's unit.")] = "0",
    speed: Annotated[str | None, typer.Option(help="Also run the line so many times as fast: 1,1.5,2.")] = None,
    loss_per_day: Annotated[
        float | None, typer.Option(help="Loss of light per day, %: gives the time to cleaning.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
    out: Annotated[list[str] | None, typer.Option(help="Write .json, .svg or .png; again for more.")] = None,
) -> None:
    """Count what one setting loses and trips with less light, more ambient light and a dirty window."""
    from dataclasses import replace

    from teachlab.cli.surfacing import _kind, _write
    from teachlab.data.setting_files import read_setting
    from teachlab.explore.feasibility import feasibility
    from teachlab.explore.stress import GAINS, Stress, at_speed, stress_map, time_to_cleaning
    from teachlab.explore.stress_figure import stress_figure
    from teachlab.explore.surface.pairs import score_pairs
    from teachlab.model.setting_kinds import fixed_levels

    targets = [(name, _kind(name)) for name in out or []]
    chosen = fixed_levels(read_setting(setting), "the stress map")
    if (kept := load_base(base)) is not None:
        chosen = kept.with_levels(chosen.on_level, chosen.off_level, chosen.polarity)
    opened, passes = with_passes(recording, truth)
    gains = GAINS if gain is None else numbers("--gain", gain)
    ambients, pedestals = numbers("--ambient", ambient), numbers("--pedestal", pedestal)
    with progress(f"stressing {opened.name}", quiet=json) as told:
        found = stress_map(
            opened, passes, chosen, gain=gains, ambient=ambients, pedestal=pedestals, tolerance_ms=tolerance_ms,
            progress=told,
        )  # fmt: skip
    conditions = [Stress(g, a, p) for g in gains for a in ambients for p in pedestals if (g, a, p) != (1, 0, 0)]
    possible = feasibility(opened, passes, chosen, stresses=conditions, tolerance_ms=tolerance_ms)
    days = None
    if loss_per_day is not None:
        days = time_to_cleaning(found.contamination_reserve, loss_per_day / 100)
    speeds = []
    for factor in numbers("--speed", speed) if speed else ():
        faster, same = at_speed(opened, replace(chosen, taught=None), factor)
        counts = score_pairs(faster, passes, [same], tolerance_ms=tolerance_ms)[0]
        speeds.append({"factor": factor, "lost": counts.lost, "merged": counts.merged, "extra": counts.extra,
                       "false_trips": counts.false_trips, "passes": counts.detect_trials})  # fmt: skip
    document: dict[str, Any] = {
        "recording": opened.name, **found.as_dict(), "days_to_cleaning": days, "feasibility": possible.as_dict(),
        "speed": speeds,
    }  # fmt: skip
    for name, kind in targets:
        picture = b"" if kind == "json" else stress_figure(found, title=opened.name, kind=kind)
        _write(name, kind, document, picture)
    if note := not_truth_note(passes):
        warn(note)
    if json:
        emit_json(document)
        return
    _tell(found, possible, days)
    for one in speeds:
        say(f"Line {one['factor']:g} times as fast: " + ", ".join(f"{v} {k}" for k, v in one.items() if k != "factor"))


def numbers(option: str, text: str) -> tuple[float, ...]:
    """Read ``1,0.9,0.8`` or ``FROM:TO:HOW_MANY``."""
    import numpy as np

    try:
        if text.count(":") == 2:
            first, last, count = text.split(":")
            return tuple(np.linspace(float(first), float(last), int(count)).tolist())
        values = tuple(float(part) for part in text.split(","))
    except ValueError:
        raise ParameterError(f"{option} takes numbers, 1,0.9,0.8, or FROM:TO:HOW_MANY; got '{text}'.") from None
    return values


def _tell(found: StressMap, possible: Feasibility, days: float | None) -> None:
    unit = found.setting.unit
    say(f"{found.detect_trials} passes, {found.gap_trials} gaps, setting on {found.setting.on_level:.5g}, off "
        f"{found.setting.off_level:.5g} {unit}")  # fmt: skip
    if found.contamination_reserve is None:
        say("It fails already as recorded: there is no reserve to speak of.")
    else:
        say(f"Works until the light has lost {100 * found.contamination_reserve:.4g} %.")
        if found.ambient_reserve is not None:
            say(f"Works until ambient light adds {found.ambient_reserve:.5g} {unit}.")
    if days is not None:
        say(f"Time to cleaning at that loss per day: {days:.4g} days.")
    if possible.survivable_loss is not None:
        say(f"The best fixed level possible would survive a loss of {100 * possible.survivable_loss:.4g} %.")
    gain, first = found.gain, found.lost[:, 0, 0]
    worst = [f"{g:g}: {n}" for g, n in zip(gain, first.tolist(), strict=True)]
    say(f"Lost passes by share of light left: {', '.join(worst)}")
    if possible.common is None:
        say("No fixed level serves all these conditions and kinds of object:")
        for c in possible.contradictions[:3]:
            second = "" if c.second is None else f" against {c.second.condition} {c.second.label}".rstrip()
            say(f"  {c.first.condition} {c.first.label}".rstrip() + second + f": {c.helps}")
