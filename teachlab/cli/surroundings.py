"""The commands `surroundings …` and `counterfactual`: neighbours, lamps, ambient light, targets; better sensors."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, say, warn
from teachlab.cli.loading import not_truth_note
from teachlab.errors import ParameterError

if TYPE_CHECKING:
    from teachlab.explore.surroundings import Answer

_JSON = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(no_args_is_help=True, help="Neighbour, lamps, ambient light and other targets, from numbers.")
    group.command("neighbour")(neighbour)
    group.command("lamp")(lamp_command)
    group.command("ambient")(ambient)
    group.command("target")(target)
    app.add_typer(group, name="surroundings")
    app.command("counterfactual")(counterfactual_command)


def neighbour(
    period_us: Annotated[list[float], typer.Option(help="Pulse period of each sensor, µs; twice or more.")],
    width_us: Annotated[float, typer.Option(help="Width of a light pulse, µs.")],
    consecutive: Annotated[int, typer.Option(help="Evaluations in a row that must agree.")] = 1,
    json: _JSON = False,
) -> None:
    """Tell which pulse periods keep neighbouring sensors apart."""
    from teachlab.explore.surroundings import neighbour_pulses, neighbours_apart

    if len(period_us) < 2:
        raise ParameterError("--period-us is given once per sensor: at least twice.")
    pairs = neighbours_apart(period_us, width_us=width_us, consecutive=consecutive)
    answers = [
        neighbour_pulses(
            own_period_us=a, other_period_us=b, own_width_us=width_us, other_width_us=width_us, consecutive=consecutive
        )
        for a, b, _ in pairs
    ]
    if json:
        rows = [{"periods_us": [a, b], **one.as_dict()} for (a, b, _), one in zip(pairs, answers, strict=True)]
        emit_json({"schema": 1, "pairs": rows})
        return
    for (a, b, apart), one in zip(pairs, answers, strict=True):
        say(f"{a:g} and {b:g} µs: {'keep apart' if apart else 'disturb each other'}; {one.verdict}")
    _basis(answers[0])


def lamp_command(
    evaluation_rate_hz: Annotated[float, typer.Option(help="Evaluations of the sensor per second.")],
    swing: Annotated[float, typer.Option(help="Flicker at the receiver, peak to peak.")],
    hysteresis: Annotated[float, typer.Option(help="In the same unit.")],
    mains_hz: Annotated[float, typer.Option(help="Mains frequency.")] = 50.0,
    on_delay_ms: Annotated[float, typer.Option(help="ms")] = 0.0,
    ripple_hz: Annotated[float | None, typer.Option(help="Ripple of an electronic ballast, Hz.")] = None,
    json: _JSON = False,
) -> None:
    """Tell whether lamps can make the output chatter, and which delay or average cures it."""
    from teachlab.explore.surroundings import lamp

    _show(
        lamp(
            mains_hz=mains_hz, evaluation_rate_hz=evaluation_rate_hz, swing=swing, hysteresis=hysteresis,
            on_delay_ms=on_delay_ms, ripple_hz=ripple_hz,
        ),
        json,
    )  # fmt: skip


def ambient(
    limit_lx: Annotated[float, typer.Option(help="Ambient light that the sensor is rated for, lx.")],
    expected_lx: Annotated[float | None, typer.Option(help="On the line, lx.")] = None,
    json: _JSON = False,
) -> None:
    """Compare the ambient light that a sensor is rated for with usual illuminances."""
    from teachlab.explore.surroundings import ambient_light

    _show(ambient_light(limit_lx=limit_lx, expected_lx=expected_lx), json)


def target(
    measured: Annotated[float, typer.Option(help="Light from the target measured.")],
    other_reflectance: Annotated[float, typer.Option(help="Reflectance of the other target, 0 … 1.")],
    reflectance: Annotated[float, typer.Option(help="Reflectance of the target measured, 0 … 1.")] = 0.9,
    distance: Annotated[float, typer.Option(help="Distance measured.")] = 1.0,
    other_distance: Annotated[float, typer.Option(help="The other distance, in the same unit.")] = 1.0,
    dark: Annotated[float, typer.Option(help="Level without any light.")] = 0.0,
    mode: Annotated[str, typer.Option(help="See the README.")] = "diffuse, target fills the spot",
    json: _JSON = False,
) -> None:
    """Predict the light of another target or distance from a measured one."""
    from teachlab.explore.surroundings import other_target

    _show(
        other_target(
            measured=measured, dark=dark, reflectance=reflectance, other_reflectance=other_reflectance,
            distance=distance, other_distance=other_distance, mode=mode,
        ),
        json,
    )  # fmt: skip


def _show(answer: Answer, json: bool) -> None:
    if json:
        emit_json({"schema": 1, **answer.as_dict()})
        return
    for name, value in answer.values.items():
        say(f"{name:>22}  {value:.4g}" if isinstance(value, float) else f"{name:>22}  {value}")
    say(answer.verdict)
    _basis(answer)


def _basis(answer: Answer) -> None:
    say(f"Source: {answer.source}. Holds for: {answer.limits}.")


def counterfactual_command(
    recording: Annotated[str, typer.Argument(help="Recording: NAME.parquet, or a URI.")],
    setting: Annotated[str | None, typer.Option(help="Filter, delays and rate of the sensor as it is.")] = None,
    truth: Annotated[str | None, typer.Option(help="Table of passes; default: the one beside the recording.")] = None,
    tolerance_ms: Annotated[float, typer.Option(help="Added to every border of every pass, ms.")] = 0.0,
    mains_hz: Annotated[float, typer.Option(help="Mains frequency.")] = 50.0,
    json: _JSON = False,
) -> None:
    """Measure what a faster sensor, a filter or an average would have bought in margin."""
    from teachlab.cli.surfacing import polarity_for, with_passes
    from teachlab.data.setting_files import read_setting
    from teachlab.explore.counterfactual import counterfactual
    from teachlab.model.setting import Setting
    from teachlab.model.setting_kinds import fixed_levels

    opened, passes = with_passes(recording, truth)
    base = (
        fixed_levels(read_setting(setting), "the comparison of sensors")
        if setting is not None
        else Setting(unit=opened.info.unit, on_level=0.0, off_level=0.0, polarity=polarity_for(opened, passes))
    )
    found = counterfactual(opened, passes, base, mains_hz=mains_hz, tolerance_ms=tolerance_ms)
    if note := not_truth_note(passes):
        warn(note)
    if json:
        emit_json({"schema": 1, "recording": opened.name, "sensors": [one.as_dict() for one in found]})
        return
    for one in found:
        if one.margin is None:
            say(f"{one.sensor.name:<42} unknown: {one.sensor.missing or 'the background does not vary'}")
            continue
        times = "" if one.times is None else f", {one.times:.3g} times"
        say(f"{one.sensor.name:<42} {one.margin:8.3g} sigma to either side of a level midway{times}")
