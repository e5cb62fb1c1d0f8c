"""Sentences about truth that does not agree with the light."""

from __future__ import annotations

import math

from teachlab.data.alignment.answer import Alignment, Room
from teachlab.data.strict_json import shown
from teachlab.model.printable_text import in_figures, to_error, typed_again
from teachlab.model.recording import Direction

FEW = 8
"""Fewer passes may meet edges by chance as well as their own."""
TRUST = "Trust no count below before that is settled."


def lead_lines(alignment: Alignment | None, recording: str, truth: str | None = None, *, step: str = "") -> list[str]:
    """Return what must be said before any count; empty if the truth agrees within its uncertainty.

    `alignment`: None if it could not be measured.
    `recording`: name of the recording as the user gave it, for the command that mends it.
    `truth`: table of passes that is not the one beside the recording.
    `step`: next step that is printed below: a command in it is not said twice.
    """
    found = off_lines(alignment)
    said = [line for line in mending(alignment, recording, truth) if not step or not line.endswith(step)]
    return [*found, *said] if found else []


def off_lines(alignment: Alignment | None) -> list[str]:
    """Return what must be said about truth that does not agree with the light, without a command; or nothing."""
    told = alignment is not None and (alignment.matters or alignment.misfits or alignment.fuller)
    return finding(alignment) if alignment is not None and told else []


def finding(alignment: Alignment) -> list[str]:
    """Return the findings, the most important first."""
    a = alignment
    jitter, doubt = 2 * a.ms(a.lags.jitter), a.ms(a.doubt)
    if a.parted is not None:
        late = "later" if a.parted.lag < 0 else "earlier"
        by = duration(abs(a.ms(a.parted.lag)))
        why = ": the clock of the table jumped."
        if a.parted.of_kind:
            why = (
                ". The kind of product changes there: their times mean another place of it, or the clock of the table "
                "jumped."
            )
        return [
            f"Passes {a.parted.first} to {a.parted.last} lie {by} {late} against this light than the others{why} One "
            f"shift cannot mend that. Correct the times of one part, then run this again. {TRUST}"
        ]
    if not a.belongs:
        if a.turned:
            what, stored = ("lower", "rise") if a.direction is Direction.RISE else ("raise", "dip")
            return [
                f"Your passes follow this light only if products {what} it, but its direction is stored as {stored}. "
                f"Correct the direction, or the passes if they mark the gaps. {TRUST}"
            ]
        if a.coarse:
            told = (
                f"come in steps of {duration(a.ms(a.step))}" if a.step > 1 else f"are exact to ±{duration(doubt)} only"
            )
            return [
                f"The times of your passes {told}, where half of all passes and gaps are shorter than "
                f"{duration(a.ms(a.shortest))}: too coarse to lie against this light. Take closer times. {TRUST}"
            ]
        if a.by_chance:
            if (few := a.lags.begins.size) < FEW:
                return [
                    "Whether your passes follow this light is not known: edges would lie as near to the borders of "
                    f"only {few} passes by chance. Take a longer recording. {TRUST}"
                ]
            return [
                "Your passes do not follow this light: edges lie about their borders as they would by chance. "
                f"Do they belong to this recording? {TRUST}"
            ]
        if a.kinds is not None:
            return [f"{_kinds(a)} {TRUST}"]
        off = abs(a.width)
        width = f", and they are {duration(a.ms(off))} too {'short' if a.width > 0 else 'long'}"
        return [
            "Your passes follow this light too loosely to judge by: their borders scatter by "
            f"±{duration(jitter)} about it{width if off > a.lags.jitter else ''}, where half "
            f"of all passes and gaps are shorter than {duration(a.ms(a.shortest))}. Take closer times. {TRUST}"
        ]
    lines, (scatter, which) = [], a.lags.scatter
    if a.moves:
        lines.append(f"{_lag(a)} Their borders were stated as exact to ±{duration(doubt)}.")
        if a.broken:
            lines.append(
                "Sound clocks do not differ by so much: is the sample rate of the light right, and do your passes "
                "belong to this recording?"
            )
        if a.ambiguous and a.pitch is not None:
            lines.append(
                f"This holds if the passes are off by less than {duration(a.ms(a.pitch) / 2)}, half the time "
                f"between two products. The line is so regular that, one or two whole passes off, "
                f"{100 * a.rival:.0f} % as many borders would fit."
            )
    elif 2 * a.ms(scatter) > doubt:
        lines.append(
            f"The {which} of your passes scatter by ±{duration(2 * a.ms(scatter))} about the light, but were stated as "
            f"exact to ±{duration(doubt)}. No shift mends that."
        )
    if lines and a.step > a.doubt:
        lines.append(f"Their times come in steps of {duration(a.ms(a.step))}.")
    if a.kinds is not None:
        lines.append(_kinds(a))
    if a.misfits:
        word = "shorter" if a.short else "longer"
        lines.append(
            f"Your passes are {duration(abs(a.ms(a.width)))} {word} than the light shows. No shift mends that."
        )
    if a.fuller:
        count, way = abs(a.fuller), "later" if a.fuller > 0 else "earlier"
        lines.append(
            f"Moved {count} {'pass' if count == 1 else 'passes'} {way}, more of your passes would meet the light. "
            "The line is too regular to measure that: is their first one the first product?"
        )
    if a.room is not None and a.moves and (text := _room(a.room)):
        lines.append(text)
    return lines


def _kinds(a: Alignment) -> str:
    """Say that kinds of products lie apart."""
    assert a.kinds is not None  # noqa: S101 - asked for
    early, late = (shown(kind.name) for kind in a.kinds)
    by = duration(a.ms(a.kinds[0].middle - a.kinds[1].middle))
    return (
        f"Passes of kind {late} lie {by} later against this light than those of {early}. No shift mends that: do their "
        "times mean the same place of the product?"
    )


def _room(room: Room) -> str:
    """Say what the shift changes: the room or, if there is none, the passes and gaps on the wrong side."""
    if room.before is None or room.after is None:
        return ""
    if max(room.before, room.after) > 0:
        old, new = (_level(one, room.unit) for one in (room.before, room.after))
        how = "grows" if room.after > room.before else "shrinks"
        return f"Shifted, the room between passes and gaps {how} from {old} to {new}."
    return (
        f"Shifted, the best level has {_passes_and_gaps(room.wrong_after)} on its wrong side instead of "
        f"{room.wrong_before}."
    )


def _passes_and_gaps(count: int) -> str:
    return "1 pass or gap" if count == 1 else f"{count} passes and gaps"


def mending(alignment: Alignment | None, recording: str, truth: str | None = None) -> list[str]:
    """Return what has to be settled first, and last the command that mends it; nothing where nothing was measured."""
    if alignment is None or not alignment.matters:
        return []
    command = alignment.command(recording, truth)
    if not alignment.belongs:
        return [f"Look at it: {command}"]
    settle = (
        ["Note by hand when one product passed: that shows how many whole passes to add (0 if none)."]
        if alignment.ambiguous
        else []
    )
    what = "Mend it" if alignment.moves else "Measure the doubt instead"
    return [*settle, f"{what}: {command}"]


def _lag(a: Alignment) -> str:
    shift, half = a.lags.shift.shift, (a.lags.high - a.lags.low) / 2
    size = with_error(a.ms(abs(shift)), a.ms(half))
    if abs(shift) <= half:
        text = f"Your passes and the light agree in the middle of the recording (within {duration(a.ms(half))})"
    else:
        text = f"Your passes {'lead' if shift > 0 else 'lag'} the light by {size}"
    if a.drifts:
        # The clock of the truth is slow if its times have to be stretched.
        ppm, ends = 1e6 * a.lags.shift.rate, [a.ms(-shift + way * a.lags.shift.rate * a.samples / 2) for way in (1, -1)]
        error = 1e6 * (a.lags.rate_high - a.lags.rate_low) / 2
        text += (
            f", and their clock runs {to_error(abs(ppm), error)} ± {to_error(error, error)} ppm "
            f"{'slow' if ppm > 0 else 'fast'}: {_side(ends[0])} at the start, {_side(ends[1])} at the end"
        )
    return text + "."


def _side(ms: float) -> str:
    return f"{duration(abs(ms))} {'late' if ms > 0 else 'early'}"


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


def _level(room: float, unit: str) -> str:
    return f"{in_figures(room)} {unit}" if room > 0 else "none"


def with_error(ms: float, half: float) -> str:
    """Return a time and its error with the digits that the error allows.

    Examples
    --------
    >>> with_error(4.0312, 0.183), with_error(120866.7, 26302.9), with_error(0.0, 0.0)
    ('4.0 ± 0.2 ms', '121 ± 26 s', '0 ± 0 ms')
    """
    size, unit = _unit(max(abs(ms), abs(half)))
    return f"{to_error(ms / size, half / size)} ± {to_error(half / size, half / size)} {unit}"


def duration(ms: float) -> str:
    """Return a time with two digits, or three if it has them.

    Examples
    --------
    >>> duration(0.02), duration(1e-9), duration(14.0), duration(1234.0), duration(90_000_000)
    ('20 µs', '0 ms', '14 ms', '1234 ms', '1500 min')
    """
    if abs(ms) < 1e-4:
        return "0 ms"
    size, unit = _unit(abs(ms))
    value = ms / size
    digits = max(0, 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{digits}f}".removesuffix(".0") + f" {unit}"


def _unit(ms: float) -> tuple[float, str]:
    for limit, size, name in (
        (1e-4, 1.0, "ms"),
        (0.1, 1e-3, "µs"),
        (10_000.0, 1.0, "ms"),
        (6_000_000.0, 1e3, "s"),
        (math.inf, 6e4, "min"),
    ):
        if ms < limit:
            return size, name
    return 6e4, "min"


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
    size, unit = _unit(max(abs(ms), half))
    text = to_error(ms / size, half / size)
    return ("+" if float(text) > 0 else "") + f"{text} {unit}"
