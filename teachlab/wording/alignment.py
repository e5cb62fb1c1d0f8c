"""Sentences about how truth agrees with the light, with the commands that mend it."""

from __future__ import annotations

import math

from teachlab.data.alignment.answer import Alignment
from teachlab.data.alignment.finding import duration, off_lines, unit_of_time, with_error
from teachlab.model.printable_text import to_error, typed_again


def lead_lines(alignment: Alignment | None, recording: str, truth: str | None = None, *, step: str = "") -> list[str]:
    """Return what must be said before any count; empty if the truth agrees within its uncertainty.

    `alignment`: None if it could not be measured.
    `recording`: name of the recording as the user gave it, for the command that mends it.
    `truth`: table of passes that is not the one beside the recording.
    `step`: next step that is printed below: a command in it is not said twice.
    """
    return [*off_lines(alignment), *mending(alignment, recording, truth, step=step)]


def mending(alignment: Alignment | None, recording: str, truth: str | None = None, *, step: str = "") -> list[str]:
    """Return the command that mends passes off the light, with what it does; nothing if it is the next step anyway."""
    if alignment is None or not alignment.matters:
        return []
    what = "Mend it" if alignment.moves else "Measure the doubt instead"
    unsure = alignment.contrary is not None and alignment.follows
    if not alignment.belongs:
        what = "If the direction is right" if unsure else "Look at it"
    line = f"{what}: {alignment.command(recording, truth, looked=unsure)}"
    return [] if step and line.endswith(step) else [line]


def agreement(alignment: Alignment) -> str:
    """Return the sentence for truth that agrees within its uncertainty."""
    a = alignment
    half = (a.lags.high - a.lags.low) / 2
    rest = "Nothing needs mending."
    if a.ambiguous:
        rest = f"But the line is so regular that {100 * a.rival:.0f} % as many borders fit one or two passes off."
    return (
        f"Passes and light agree: lag {with_error(-a.ms(a.lags.shift.shift), a.ms(half))}, scatter "
        f"±{duration(2 * a.ms(a.lags.scatter[0]))}, within the doubt of ±{duration(a.ms(a.doubt))}. {rest}"
    )


def after_agreement(alignment: Alignment, recording: str, truth: str | None = None, *, settled: bool = False) -> str:
    """Return what to do where nothing needs mending; `settled`: whole passes off have been ruled out by hand."""
    command = f"teachlab inspect {typed_again(recording, truth=truth)}"
    if alignment.ambiguous and not settled:
        return (
            f"Next: Check by hand that the first pass of the table is the first product of the log. If it is: {command}"
            + (f"\nIf it is not: {alignment.command(recording, truth)}" if alignment.fuller else "")
        )
    return f"Next: {command}"


def figures(alignment: Alignment) -> list[str]:
    """Return the measured values, one line each."""
    a, lags = alignment, alignment.lags
    half = (lags.high - lags.low) / 2
    scatter, which = lags.scatter
    seen = f"{lags.borders} borders" if which == "borders" else f"the {which}"
    if any(map(math.isinf, (lags.rate_low, lags.rate_high))):
        drift = "too few passes to decide"
    else:
        low, high = 1e6 * lags.rate_low, 1e6 * lags.rate_high
        error = (high - low) / 2
        drift = f"{to_error(1e6 * lags.rate, error)} ppm ({to_error(low, error)} to {to_error(high, error)})"
        within = (
            f"less than the times' steps of {duration(a.ms(a.step))}" if low * high > 0 else "none that can be measured"
        )
        drift += "" if a.drifts else f": {within}"
    rows = (
        ("light after border", f"begins {_signed(a, lags.begin)}, ends {_signed(a, lags.end)}"),
        ("move passes by", with_error(a.ms(lags.shift.shift), a.ms(half)) + " in the middle of the recording (95 %)"),
        ("clock", drift),
        ("scatter", f"±{duration(2 * a.ms(scatter))} (95 %), from {seen} of {a.passes} passes"),
        ("border uncertainty", f"±{duration(a.ms(a.doubt))} now, ±{duration(a.ms(a.doubt_after))} moved"),
        ("edges of the light", f"{duration(a.ms(a.edge))} from 10 to 90 %"),
        ("one pass off?", f"moved by one or two whole passes, {100 * a.rival:.0f} % as many borders fit"),
    )
    return [f"{name:<19} {text}" for name, text in rows]


def detail_lines(alignment: Alignment) -> list[str]:
    """Return the remaining deviations by kind of object and over time."""
    lines = []
    for title, groups in (("left by kind", alignment.by_kind), ("left, from", alignment.by_time)):
        for group in groups:
            if group.borders:
                sides = ", ".join(
                    f"{word} {_signed(alignment, side)}"
                    for word, side in (("begins", group.begin), ("ends", group.end))
                    if not math.isnan(side)
                )
                lines.append(f"{title:<19} {group.name or '(no label)'}: {sides} ({group.borders} borders)")
    return lines


def _signed(a: Alignment, lag: float) -> str:
    """Return a lag in samples as a time with its sign, and no more digits than the error of the shift allows."""
    ms, half = a.ms(lag), a.ms(a.lags.high - a.lags.low) / 2
    size, unit = unit_of_time(max(abs(ms), half))
    text = to_error(ms / size, half / size)
    return ("+" if float(text) > 0 else "") + f"{text} {unit}"
