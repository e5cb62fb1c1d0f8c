"""What is found of passes that do not agree with the light, in sentences without a command."""

from __future__ import annotations

import math
from dataclasses import replace

from teachlab.data.alignment.answer import Alignment, Room
from teachlab.data.strict_json import shown
from teachlab.model.printable_text import in_figures, to_error
from teachlab.model.recording import Direction
from teachlab.model.verdict import Verdict, VerdictReason

FEW = 8
"""Fewer passes may meet edges by chance as well as their own."""
DROWNED = (
    "Your passes lie where the light is: its mean is on their side of the gaps. But its edges are lost in the noise, "
    "so how far the borders are off cannot be measured."
)
TRUST = "Trust no count below before that is settled."


def off_lines(alignment: Alignment | None) -> list[str]:
    """Return what must be said about truth that does not agree with the light, without a command; or nothing."""
    a = alignment
    return finding(a) if a is not None and (a.matters or a.misfits or a.fuller or a.drowned) else []


def aligned_first(verdict: Verdict, alignment: Alignment | None) -> Verdict:
    """Return a verdict on light and passes; if these lie beside the light, that they are to be moved first.

    What it says may come from the passes alone: that no level works, that passes are lost every time, no margin.
    """
    if alignment is None or not alignment.off:
        return verdict
    first = "align the passes first" if alignment.belongs else "find the right passes"
    told = [VerdictReason(text=text) for text in off_lines(alignment)]
    return replace(verdict, decision=first, about="", setting=None, equal_cost=None, conditions=()).after(*told)


def finding(alignment: Alignment) -> list[str]:
    """Return the findings, the most important first."""
    a = alignment
    jitter, doubt = 2 * a.ms(a.lags.jitter), a.ms(a.doubt)
    if a.turned or a.contrary is not None:
        return [f"{_direction(a)} {TRUST}"]
    if a.drowned:
        return [DROWNED]
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
        lines.append(_width(a))
    if a.fuller:
        count, way = abs(a.fuller), "later" if a.fuller > 0 else "earlier"
        lines.append(
            f"Moved {count} {'pass' if count == 1 else 'passes'} {way}, more of your passes would meet the light. "
            "The line is too regular to measure that: is their first one the first product?"
        )
    if a.room is not None and a.moves and (text := _room(a.room)):
        lines.append(text)
    if a.matters and a.ambiguous:
        lines.append("Note by hand when one product passed: that shows how many whole passes to add (0 if none).")
    return lines


def _width(a: Alignment) -> str:
    """Say that passes are shorter or longer than the light shows, with what is usually behind it."""
    told = (
        f"Your passes are {duration(abs(a.ms(a.width)))} {'shorter' if a.width > 0 else 'longer'} than the light shows"
    )
    if a.width > 0 and not a.short:
        told += f", within their doubt of ±{duration(a.ms(a.doubt))}"
    wrong = "lengths"
    if a.right:
        wrong = "ends" if a.right == "starts" else "starts"
        when = "early" if (a.width > 0) == (wrong == "ends") else "late"
        told += f": their {a.right} agree with it, their {wrong} come too {when}"
    if a.width < 0:
        why = "If all of a product is seen, correct"
    else:
        why = "Correct"
        if not a.right:
            why = "Products narrower than the beam are seen longer than they are: if these are not, correct"
    return f"{told}. No shift mends that. {why} the {wrong}."


def _direction(a: Alignment) -> str:
    """Say that the stored direction is wrong, or may be, with what tells it."""
    stored = a.contrary if a.turned else a
    rise = a.direction is (Direction.DIP if a.turned else Direction.RISE)
    name, does, other = ("rise", "raise", "lower") if rise else ("dip", "lower", "raise")
    if a.turned:
        what = "better" if stored is not None and stored.follows else "only"
        told = f" Then they {_lies(a)}; as stored, they {_lies(stored)}." if stored is not None else ""
        return (
            f"Your passes follow this light {what} if products {other} it, but its direction is stored as {name}.{told}"
            " Correct the direction, or the passes if they mark the gaps."
        )
    assert a.contrary is not None  # noqa: S101 - asked for
    return (
        f"The direction may be wrong: it is stored as {name}. If products {does} the light, your passes {_lies(a)}. If "
        f"products {other} it, they {_lies(a.contrary)}. The line is so regular that this light fits both. Look at one "
        "product: if it does not do what is stored, correct the direction; else note when it passed."
    )


def _lies(a: Alignment) -> str:
    """Return how passes lie against the light, as a predicate."""
    if a.parted is not None or a.by_chance:
        return "do not follow it"
    told, off = [], abs(a.shift.shift)
    if off > a.doubt:
        told.append(f"{'lead' if a.shift.shift > 0 else 'lag'} it by {duration(a.ms(off))}")
    if a.moves and a.drifts:
        told.append(f"drift by {duration(a.ms(abs(a.shift.rate) * a.samples))} over the recording")
    if a.misfits:
        told.append(f"are {duration(abs(a.ms(a.width)))} too {'short' if a.width > 0 else 'long'}")
    if not told:
        told = [f"agree with it within {duration(a.ms(a.doubt))}"]
    return f"{', '.join(told)} and scatter by ±{duration(2 * a.ms(a.lags.scatter[0]))}"


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


def _level(room: float, unit: str) -> str:
    return f"{in_figures(room)} {unit}" if room > 0 else "none"


def with_error(ms: float, half: float) -> str:
    """Return a time and its error with the digits that the error allows.

    Examples
    --------
    >>> with_error(4.0312, 0.183), with_error(120866.7, 26302.9), with_error(0.0, 0.0)
    ('4.0 ± 0.2 ms', '121 ± 26 s', '0 ± 0 ms')
    """
    size, unit = unit_of_time(max(abs(ms), abs(half)))
    return f"{to_error(ms / size, half / size)} ± {to_error(half / size, half / size)} {unit}"


def duration(ms: float) -> str:
    """Return a time with two digits, or three if it has them.

    Examples
    --------
    >>> duration(0.02), duration(1e-9), duration(14.0), duration(1234.0), duration(90_000_000)
    ('20 µs', '0 ms', '14 ms', '1234 ms', '1500 min')
    >>> duration(1e-4), duration(0.1), duration(10_000.0), duration(6_000_000.0)
    ('0.10 µs', '0.10 ms', '10 s', '100 min')
    """
    if abs(ms) < 1e-4:
        return "0 ms"
    size, unit = unit_of_time(abs(ms))
    value = ms / size
    digits = max(0, 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{digits}f}".removesuffix(".0") + f" {unit}"


def unit_of_time(ms: float) -> tuple[float, str]:
    """Return the unit in which a time is told: its size in ms, and its name."""
    for limit, size, name in (
        (1e-4, 1.0, "ms"),
        (0.1, 1e-3, "µs"),
        (10_000.0, 1.0, "ms"),
        (6_000_000.0, 1e3, "s"),
    ):
        if ms < limit:
            return size, name
    return 6e4, "min"
