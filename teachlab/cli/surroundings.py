"""The commands `surroundings …` and `counterfactual`: neighbours, lamps, ambient light, targets; better sensors."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, if_pair_faster, note_last, progress, say, say_lines, say_verdict, show
from teachlab.cli.options import CostFalse, CostMiss, Json, PassesFile, RecordingFile, Tolerance
from teachlab.errors import check_positive
from teachlab.model.printable_text import Lines, in_figures, level_text, typed_again
from teachlab.wording.notes import passes_note

if TYPE_CHECKING:
    from rich.table import Table

    from teachlab.questions.counterfactual.margin import SensorMargin
    from teachlab.questions.surroundings import SurroundingsAnswer

MODES = (
    "through-beam",
    "diffuse, target fills the spot",
    "diffuse, target smaller than the spot",
    "retroreflective, reflector filled",
    "retroreflective, reflector not filled",
)
"""The modes of `teachlab.questions.surroundings.answers`, which help must not import; a test keeps them equal."""
WORDS = {
    "share_hit": "share hit", "run_pulses": "hits in a row, mean", "longest_run_pulses": "hits in a row, most",
    "beat_pulses": "a beat every", "shift_us": "shift from pulse to pulse", "beat_hz": "beat",
    "beat_alias_hz": "seen by the sensor as", "flicker_alias_hz": "seen by the sensor as",
    "ripple_alias_hz": "ripple seen as", "average_ms": "average that removes it", "average_evaluations": "that is",
    "average_leaves": "flicker that is then left", "limit_lx": "rated for", "head_room": "rating is",
    "on_delay_needed_ms": "on-delay needed",
}  # fmt: skip
COUNTED = ("pulses", "evaluations")
"""Units that lose their last letter after 1."""


def neighbour(
    width_us: Annotated[float, typer.Option(help="Width of a light pulse, µs.")],
    period_us: Annotated[list[float] | None, typer.Option(help="Pulse period of each sensor, µs.")] = None,
    frequency_hz: Annotated[list[float] | None, typer.Option(help="Or its pulse frequency, Hz.")] = None,
    consecutive: Annotated[int, typer.Option(help="Filter: evaluations in a row that must agree.")] = 1,
    json: Json = False,
) -> None:
    """Tell which pulse frequencies keep neighbouring sensors apart; give one per sensor, two or more.

    The number of hits in a row depends on how far the other pulse train shifts from one own pulse to the next. Valid
    for steady periods and a receiver that looks only while its own pulse lasts.
    """
    from teachlab.questions.surroundings import neighbours_apart

    for name, given in (("--period-us", period_us), ("--frequency-hz", frequency_hz)):
        for value in given or []:
            check_positive(**{name: value})
    periods = [*(period_us or []), *(1e6 / value for value in frequency_hz or [])]
    answer = neighbours_apart(periods, width_us=width_us, consecutive=consecutive)
    if json:
        emit_json(answer.as_dict())
        return
    for pair in answer.pairs:
        say(pair.sentence)
        _values(pair.answer)
    worst = max((pair.answer for pair in answer.pairs), key=lambda one: one.values["longest_run_pulses"])
    _basis(worst)


def beat(
    own_hz: Annotated[float, typer.Option(help="Modulation of this sensor, Hz.")],
    other_hz: Annotated[float, typer.Option(help="Modulation of the neighbour, Hz.")],
    amplitude: Annotated[float, typer.Option(help="Neighbour's light here if both ran at one frequency.")],
    integration_us: Annotated[float, typer.Option(help="Time that the receiver integrates, µs.")],
    hysteresis: Annotated[float, typer.Option(help="Hysteresis of the setting, in the unit of the amplitude.")],
    evaluation_rate_hz: Annotated[float | None, typer.Option(help="Evaluations of the sensor per second.")] = None,
    json: Json = False,
) -> None:
    """Tell the beat of two modulated emitters that the receiver leaves, against the hysteresis.

    Valid for steady emitters and a linear receiver.
    """
    from teachlab.questions.surroundings import neighbour_beat

    _show(
        neighbour_beat(
            own_hz=own_hz, other_hz=other_hz, amplitude=amplitude, integration_us=integration_us,
            hysteresis=hysteresis, evaluation_rate_hz=evaluation_rate_hz,
        ),
        json,
    )  # fmt: skip


def lamp_command(
    evaluation_rate_hz: Annotated[float, typer.Option(help="Evaluations of the sensor per second.")],
    swing: Annotated[float, typer.Option(help="Flicker at the receiver, peak to peak.")],
    hysteresis: Annotated[float, typer.Option(help="Hysteresis of the setting, in the same unit.")],
    mains_hz: Annotated[float, typer.Option(help="Mains frequency.")] = 50.0,
    on_delay_ms: Annotated[float, typer.Option(help="On-delay of the setting, ms.")] = 0.0,
    ripple_hz: Annotated[float | None, typer.Option(help="Ripple of an electronic ballast, Hz.")] = None,
    json: Json = False,
) -> None:
    """Tell whether lamps can make the output chatter, and which delay or average cures it.

    Lamps on the mains flicker at twice the mains frequency. Valid for sinusoidal flicker and an on-level not below its
    mean.
    """
    from teachlab.questions.surroundings import lamp

    _show(
        lamp(
            mains_hz=mains_hz, evaluation_rate_hz=evaluation_rate_hz, swing=swing, hysteresis=hysteresis,
            on_delay_ms=on_delay_ms, ripple_hz=ripple_hz,
        ),
        json,
    )  # fmt: skip


def ambient(
    limit_lx: Annotated[float, typer.Option(help="Ambient light that the sensor is rated for, lx.")],
    expected_lx: Annotated[float | None, typer.Option(help="Ambient light on the line, lx.")] = None,
    json: Json = False,
) -> None:
    """Compare the ambient light that a sensor is rated for with usual illuminances.

    Usual: full sun in the open 100,000 lx, heavy overcast sky 5,000, by a window 2,000, fine work 1,000, office 500.
    Valid for the light on the lens; spectrum and direction matter as much.
    """
    from teachlab.questions.surroundings import ambient_light

    _show(ambient_light(limit_lx=limit_lx, expected_lx=expected_lx), json)


def target(
    measured: Annotated[float, typer.Option(help="Light from the target measured.")],
    other_reflectance: Annotated[float, typer.Option(help="Reflectance of the other target; white paper has 0.9.")],
    reflectance: Annotated[float, typer.Option(help="Reflectance of the target measured.")] = 0.9,
    distance: Annotated[float, typer.Option(help="Distance measured.")] = 1.0,
    other_distance: Annotated[float, typer.Option(help="The other distance, in the same unit.")] = 1.0,
    dark: Annotated[float, typer.Option(help="Level without any light.")] = 0.0,
    mode: Annotated[str, typer.Option(help="; ".join(MODES) + ".")] = "diffuse, target fills the spot",
    json: Json = False,
) -> None:
    """Predict the light of another target or distance from a measured one.

    Light above dark is proportional to the reflectance and falls with the 2nd or 4th power of the distance, by mode.
    Valid for matt targets in full view, beyond the blind zone.
    """
    from teachlab.questions.surroundings import other_target

    _show(
        other_target(
            measured=measured, dark=dark, reflectance=reflectance, other_reflectance=other_reflectance,
            distance=distance, other_distance=other_distance, mode=mode,
        ),
        json,
    )  # fmt: skip


def _show(answer: SurroundingsAnswer, json: bool) -> None:
    if json:
        emit_json(answer.as_dict())
        return
    say(answer.judged)
    _values(answer)
    _basis(answer)


def _values(answer: SurroundingsAnswer) -> None:
    from math import isinf

    for name, value in answer.values.items():
        unit = answer.units.get(name, "")
        words = WORDS.get(name) or name.removesuffix(f"_{unit.replace('µ', 'u').lower()}").replace("_", " ")
        if isinstance(value, list):
            text = ", ".join(value) or "nothing"
        elif name not in answer.units:
            text = {True: "yes", False: "no"}.get(value, str(value))
        else:
            one = unit.removesuffix("s") if value == 1 and unit in COUNTED else unit
            text = "no end" if isinf(value) else f"{in_figures(0.0 if abs(value) < 1e-12 else value)} {one}".rstrip()
        say(f"{words:>28}  {text}")


def _basis(answer: SurroundingsAnswer) -> None:
    say_lines((f"Holds for: {answer.limits}.", f"Source: {answer.source}."))
    if answer.next_step:
        say("")
        say(f"Next: {answer.next_step}")


def counterfactual_command(
    recording: RecordingFile,
    setting: Annotated[str | None, typer.Option(help="Filter, delays and rate of the present sensor.")] = None,
    truth: PassesFile = None,
    tolerance_ms: Tolerance = 0.0,
    mains_hz: Annotated[float, typer.Option(help="Mains frequency.")] = 50.0,
    best: Annotated[bool, typer.Option("--best", help="Also find the best fixed setting of each sensor.")] = False,
    cost_miss: CostMiss = 1.0,
    cost_false: CostFalse = 1.0,
    json: Json = False,
) -> None:
    """Compute how much margin a faster sensor, a filter or an average would have on this light.

    Margin: half the distance between the weakest 1 % of the passes and the strongest 1 % of the gaps, in robust
    standard deviations of the background. Needed: the margin with which white noise alone trips once an hour. This
    compares sensors on this light; it promises nothing.
    """
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.model.draws import Costs
    from teachlab.model.following_and_window import fixed_levels
    from teachlab.model.score import Rules
    from teachlab.model.verdict import VerdictReason
    from teachlab.questions.counterfactual import counterfactual
    from teachlab.switching.fitting import naming

    rules = Rules(tolerance_ms=tolerance_ms)
    opened, passes = open_pair(recording, truth)
    base = None if setting is None else fixed_levels(read_setting(setting), "the comparison of sensors")
    costs = Costs(miss=cost_miss, false=cost_false) if best else None
    with progress(f"comparing sensors on {opened.name}", quiet=json) as report, naming(setting, recording):
        told = if_pair_faster(report, [base], lambda: opened.samples) if best and not json else report
        found = counterfactual(opened, passes, base, mains_hz=mains_hz, rules=rules, costs=costs, progress=told)
    note_last(passes_note(passes))
    on = typed_again(recording, truth=truth) + ("" if setting is None else f" --base {typed_again(setting)}")
    now = found.sensors[0]
    enough = now.clean is not None and (now.margin is None or (now.spare or 0.0) >= 1)
    step = f"teachlab {f'bench {on} --out results' if enough else f'design {on}'}"
    if now.sensor.missing:
        step = "Log more passes, and gaps between them that are not cut by the ends of the log. Then run this again."
    verdict = found.verdict
    if not now.sensor.missing and now.clean is None and all((one.margin or 0.0) <= 0 for one in found.sensors):
        # Sensors are compared with fixed levels: one that follows the light may work.
        light = (
            "If no level that follows works either: change distance, angle, background or kind of sensor, log again."
        )
        verdict = verdict.then(VerdictReason(text=light))
        step = f"teachlab inspect {typed_again(recording, truth=truth)}"
    if found.alignment is not None and found.alignment.off:
        step, verdict = found.alignment.command(recording, truth), found.verdict
    verdict = verdict.leading_to(step)
    if json:
        emit_json(found.as_dict() | {"verdict": verdict.as_dict()})
        return
    say_verdict(verdict, details=False)
    show(_sensors(found.sensors, opened.info.unit))
    say("Margin and needed: in robust standard deviations of the background.")
    say("Times: margin divided by the needed one, compared with the present sensor.")
    say("Separate: levels without hysteresis, reached by every pass and by no gap.")
    say("Light that lasts from a pass into its gap reaches the gap but switches nothing: see --best.")
    if best:
        say("Cost: of the best fixed levels in hindsight, with the on-levels that cost as little.")
    for one in found.sensors:
        if one.sensor.missing:
            say(f"{one.sensor.name}: unknown, {one.sensor.missing}.")
        elif one.margin is None:
            say(f"{one.sensor.name}: no margin, the background does not vary.")


def _sensors(found: Sequence[SensorMargin], unit: str) -> Table:
    from teachlab.wording.tables import plain_table

    table = plain_table("")
    for name in ("sensor", "margin", "needed", "times", Lines.of("separate,", unit)):
        table.add_column(name, justify="left" if name == "sensor" else "right")
    best = any(one.best is not None for one in found)
    if best:
        table.add_column("cost", justify="right")
        table.add_column("its levels", justify="right")
    for one in found:
        cells = [in_figures(v, 3) for v in (one.margin, one.needed, one.times)]
        cells.append("none" if one.clean is None else _between(*one.clean))
        if one.sensor.missing:
            cells = ["–"] * 4
        if best:
            cells += ["–", "–"] if one.best is None else [in_figures(one.best.cost), _between(*one.best.on_interval)]
        table.add_row(one.sensor.name, *cells)
    return table


def _between(above: float, up_to: float) -> str:
    return " … ".join(dict.fromkeys(map(level_text, (above, up_to))))


surroundings_command = {
    "neighbour": neighbour, "beat": beat, "lamp": lamp_command, "ambient": ambient, "target": target,
}  # fmt: skip
"""The commands of the group, by their names."""
