"""The command `timing`: the time budget, from numbers or from a recording."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, say, say_verdict
from teachlab.cli.options import Details, Json, PassesFile
from teachlab.model.printable_text import number_of, typed_again

if TYPE_CHECKING:
    from teachlab.questions.timing.budget import Timing

LABELS = {
    "dwell_ms": ("shortest dwell", "ms"),
    "gap_ms": ("shortest gap", "ms"),
    "samples_in_dwell": ("evaluations in the dwell", ""),
    "seen": ("chance that it is seen", "%"),
    "resolved": ("chance that the gap is seen", "%"),
    "min_object_mm": ("object surely seen from", "mm"),
    "min_gap_mm": ("gap surely seen from", "mm"),
    "response_ms": ("response, longest", "ms"),
    "response_min_ms": ("response, shortest", "ms"),
    "max_rate_hz": ("fastest switching", "Hz"),
    "output_pulse_ms": ("output pulse", "ms"),
    "output_gap_ms": ("output gap", "ms"),
    "controller_ms": ("the controller needs", "ms"),
    "controller_max_hz": ("the controller follows", "Hz"),
    "controller_sees": ("chance that it sees the pulse", "%"),
    "off_delay_window_ms": ("off-delay may be", "ms"),
    "position_mm": ("object moves until the onset", "mm"),
    "position_jitter_mm": ("standard deviation of that", "mm"),
    "position_shift_mm": ("shift by the change of speed", "mm"),
}
OF_THE_GAP = {"gap_ms", "resolved", "output_gap_ms", "off_delay_window_ms"}
"""Figures that are no figures where no gap was measured."""


def timing_command(
    recording: Annotated[str | None, typer.Argument(help="Recording whose passes and gaps are measured.")] = None,
    truth: PassesFile = None,
    setting: Annotated[
        str | None,
        typer.Option(help="Setting (JSON) with filter, delays and evaluation rate."),
    ] = None,
    speed_mm_s: Annotated[float | None, typer.Option(help="Speed of the line, mm/s.")] = None,
    length_mm: Annotated[float | None, typer.Option(help="Length of the shortest object, mm.")] = None,
    gap_mm: Annotated[float | None, typer.Option(help="Shortest gap, mm.")] = None,
    beam_mm: Annotated[float, typer.Option(help="1/e² radius of the beam, mm; 0: sharp edges.")] = 0.0,
    on_share: Annotated[
        float, typer.Option(help="Height of the on-level, as a share from background to object.")
    ] = 0.5,
    off_share: Annotated[float | None, typer.Option(help="Height of the off-level, alike; default: the same.")] = None,
    evaluation_rate_hz: Annotated[float | None, typer.Option(help="Evaluations of the sensor per second.")] = None,
    consecutive: Annotated[int | None, typer.Option(help="Filter: evaluations in a row that must agree.")] = None,
    on_delay_ms: Annotated[float | None, typer.Option(help="On-delay, ms: holds the onset back.")] = None,
    off_delay_ms: Annotated[
        float | None, typer.Option(help="Off-delay, ms: holds the output after the product.")
    ] = None,
    scan_ms: Annotated[float, typer.Option(help="Scan of the controller, ms.")] = 0.0,
    input_filter_ms: Annotated[float, typer.Option(help="Filter of its input, ms.")] = 0.0,
    speed_change: Annotated[float, typer.Option(help="Relative change of the speed: 0.1 for 10 %.")] = 0.0,
    details: Details = False,
    json: Json = False,
) -> None:
    """Is the sensor fast enough? Dwell, gap, response, delays and controller scan."""
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.model.following_and_window import fixed_levels
    from teachlab.questions.timing import time_budget
    from teachlab.switching.fitting import naming

    chosen = None if setting is None else fixed_levels(read_setting(setting), "the timing check")
    opened, passes = (None, None) if recording is None else open_pair(recording, truth)
    with naming(setting, recording or ""):
        answer = time_budget(
            opened, passes, chosen, speed_mm_s=speed_mm_s, length_mm=length_mm, gap_mm=gap_mm, beam_mm=beam_mm,
            on_share=on_share, off_share=off_share, evaluation_rate_hz=evaluation_rate_hz, consecutive=consecutive,
            on_delay_ms=on_delay_ms, off_delay_ms=off_delay_ms, scan_ms=scan_ms, input_filter_ms=input_filter_ms,
            speed_change=speed_change,
        )  # fmt: skip
    step = "Log some passes at this speed. Dwell and gap are then measured."
    if recording is not None:
        on = typed_again(recording, truth=truth, setting=setting)
        step = f"teachlab bench {on} --out results" if setting is None else f"teachlab replay {on}"
    if answer.by_level and recording is not None:
        step = f"teachlab bench {typed_again(recording, truth=truth)} --out results"
    elif answer.mend:
        step = answer.mend
    verdict = answer.verdict.leading_to(step)
    if json:
        emit_json(answer.as_dict() | {"verdict": verdict.as_dict()})
        return
    found, expected = answer.separated or answer.budget, answer.predicted
    say_verdict(verdict, _budget(found, gap=answer.gap_measured), details=details)
    if not details:
        return
    for name, (label, unit) in LABELS.items():
        value = getattr(found, name)
        idle = (name.startswith("controller") and found.controller_ms == 0) or (
            name.endswith("shift_mm") and value == 0
        )
        idle = idle or (not answer.gap_measured and name in OF_THE_GAP)
        if value is not None and not idle:
            say(f"{label:>30}  {_text(value, unit)}".rstrip())
    say(f"From {found.source}.")
    if expected is not None and (expected.short_pulses or expected.short_gaps):
        say(
            f"The controller needs {_text(found.controller_ms, 'ms')}: too short for it are "
            f"{number_of(expected.short_pulses, 'pulse')} and {number_of(expected.short_gaps, 'gap')}."
        )


def _budget(found: Timing, *, gap: bool) -> list[str]:
    """Return the budget in three lines; a gap that was not measured is no number."""
    apart, rest = (_text(ms, "ms") if gap else "not measured" for ms in (found.gap_ms, found.output_gap_ms))
    return [
        f"  dwell {_text(found.dwell_ms, 'ms')}, gap {apart}, response at most {_text(found.response_ms, 'ms')}",
        f"  output pulse {_text(found.output_pulse_ms, 'ms')}, output gap {rest}, "
        + (
            f"controller needs {_text(found.controller_ms, 'ms')}"
            if found.controller_ms
            else "controller not checked (give --scan-ms)"
        ),
    ]


def _text(value: float | tuple[float, float], unit: str) -> str:
    from teachlab.model.printable_text import in_figures
    from teachlab.questions.timing.line import in_words, range_in_words

    if isinstance(value, tuple):
        low, high = value
        if low > high:
            return f"none fits: {in_words(low)} needed, {in_words(max(high, 0.0))} left"
        return range_in_words(low, high)
    if unit == "ms":
        return in_words(value)
    if unit == "%":
        return f"{100 * value:.4g} %"
    return f"once in {in_words(1000 / value)}" if unit == "Hz" and 0 < value < 0.1 else f"{in_figures(value, 4)} {unit}"
