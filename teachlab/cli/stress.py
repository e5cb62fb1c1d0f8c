"""The command `stress`: what a setting survives."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, note_last, progress, say, say_verdict
from teachlab.cli.opening import load_base
from teachlab.cli.options import Base, Details, Figures, Json, PassesFile, RecordingFile, Tolerance
from teachlab.cli.writing import kind_of, picture_kind, write_results
from teachlab.errors import ParameterError
from teachlab.model.printable_text import cut, level_text, number_of
from teachlab.wording.notes import passes_note
from teachlab.wording.rates import reserve_percent

if TYPE_CHECKING:
    from teachlab.questions.feasibility import Feasibility
    from teachlab.questions.feasibility.windows import Contradiction
    from teachlab.questions.stress.cleaning import Cleaning, LossRate
    from teachlab.questions.stress.map import StressMap
    from teachlab.questions.stress.speeds import AtSpeed

MOST_NAMED = 6
"""Kinds, lots and conditions that are named for one way to help."""
MOST_NUMBERS = 1000
"""Longest axis of a map that can be given by FROM:TO:HOW_MANY."""


def stress_command(
    recording: RecordingFile,
    setting: Annotated[str, typer.Option(help="Setting to stress: JSON.")],
    truth: PassesFile = None,
    tolerance_ms: Tolerance = 0.0,
    base: Base = None,
    gain: Annotated[str | None, typer.Option(help="Shares of light left: 1,0.9,0.8 or FROM:TO:HOW_MANY.")] = None,
    ambient: Annotated[
        str | None,
        typer.Option(help="Light added, in the unit of the recording. Default: up to 10 % of full scale."),
    ] = None,
    pedestal: Annotated[
        str | None,
        typer.Option(
            help="Stray light of a window that is dirty all over, in the unit of the recording. "
            "Default: 0 and 5 % of full scale."
        ),
    ] = None,
    speed: Annotated[str | None, typer.Option(help="Also run the line faster, by these factors: 1,1.5,2.")] = None,
    loss_per_day: Annotated[
        float | None, typer.Option(help="Loss of light per day, %. Gives the time to cleaning.")
    ] = None,
    levels_seen: Annotated[
        str | None, typer.Option(help="Levels read on several days: CSV with the columns day and level.")
    ] = None,
    details: Details = False,
    json: Json = False,
    out: Figures = None,
    speed_out: Annotated[
        str | None, typer.Option(help="Draw errors and reserve over the speeds of --speed: .svg or .png.")
    ] = None,
) -> None:
    """Will dirt or ambient light stop it? Count errors with less light and with more.

    Named conditions (--gain, --ambient, --pedestal) are also compared with each other: does any fixed level work under
    all of them, and what would help if not?
    """
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.model.following_and_window import fixed_levels
    from teachlab.model.score import Rules
    from teachlab.questions.stress import stress
    from teachlab.questions.stress.figure import stress_figure
    from teachlab.questions.stress.speed_figure import speed_figure
    from teachlab.questions.verdict import FilesJudged, JudgedBy
    from teachlab.switching.fitting import naming

    targets = [(name, kind_of(name)) for name in out or []]
    drawn = _drawn_speed(speed, speed_out)
    rules = Rules(tolerance_ms=tolerance_ms)
    chosen = fixed_levels(read_setting(setting), "the stress map")
    if (kept := load_base(base)) is not None:
        chosen = kept.with_levels(chosen.on_level, chosen.off_level, chosen.polarity)
    named = [
        None if t is None else numbers(f"--{n}", t)
        for n, t in (("gain", gain), ("ambient", ambient), ("pedestal", pedestal))
    ]
    factors = () if speed is None else numbers("--speed", speed)
    opened, passes = open_pair(recording, truth)
    rate = _rate(loss_per_day, levels_seen, opened.info.dark_level)
    files = FilesJudged(recording=recording, setting=setting, truth=truth)
    with progress(f"stressing {opened.name}", quiet=json) as told, naming(setting, recording):
        answer = stress(
            opened, passes, chosen, gain=named[0], ambient=named[1], pedestal=named[2], factors=factors, loss=rate,
            rules=rules, by=JudgedBy(files=files), progress=told,
        )  # fmt: skip
    found, document = answer.stressed, answer.as_dict()
    write_results(targets, document, lambda kind: stress_figure(found, title=opened.name, kind=kind))
    if drawn is not None:
        write_results([drawn], document, lambda kind: speed_figure(answer.faster, title=opened.name, kind=kind))
    note_last(passes_note(passes))
    if json:
        emit_json(document)
        return
    none = "none, because there is no reserve" if answer.bears else "not shown by this recording"
    if found.share_refused:
        none = "unknown, because no share of the light can be stated"
    asked = (*_cleaning_lines(answer.cleaning, none), *_speed_lines(answer.faster))
    say_verdict(answer.verdict, asked=asked, details=details)
    if not details:
        return
    _tell(found)
    _tell_feasibility(answer.possible, found.setting.unit)


def _rate(loss_per_day: float | None, levels_seen: str | None, dark_level: float) -> LossRate | float | None:
    if loss_per_day is not None and levels_seen is not None:
        raise ParameterError("give --loss-per-day or --levels-seen, not both.")
    if levels_seen is not None:
        from teachlab.questions.stress.cleaning import read_levels

        return read_levels(levels_seen, dark_level=dark_level)
    if loss_per_day is not None and not 0 <= loss_per_day < 100:
        raise ParameterError(f"--loss-per-day is in percent, from 0 to below 100, got {loss_per_day:g}.")
    return None if loss_per_day is None else loss_per_day / 100


def _drawn_speed(speed: str | None, name: str | None) -> tuple[str, str] | None:
    if name is None:
        return None
    if speed is None:
        raise ParameterError("--speed-out draws the speeds of --speed: name some, --speed 1,1.25,1.5,2.")
    return name, picture_kind(name, "--speed-out")


def _speed_lines(found: Sequence[AtSpeed]) -> list[str]:
    lines = []
    for one in found:
        counts, left = one.counts, one.stressed.contamination_reserve
        works = "it works" if one.faultless else "it does not work"
        if left is not None:
            works = f"it works until {reserve_percent(left)} of the light is lost"
        merged = counts.merged - counts.touching
        lines.append(
            f"Line {one.factor:g} times as fast: {works}; lost {counts.apart_lost} of "
            f"{number_of(counts.detect_trials, 'pass', 'passes')}{f', merged {merged}' if merged else ''}, "
            f"{number_of(counts.false_trips + counts.ignore_trips, 'false trip')}, "
            f"{number_of(counts.extra, 'extra switching')}."
        )
    return lines


def numbers(option: str, text: str) -> tuple[float, ...]:
    """Read ``1,0.9,0.8`` or ``FROM:TO:HOW_MANY``."""
    from math import isfinite

    import numpy as np

    try:
        if text.count(":") == 2:
            first, last, count = text.split(":")
            if int(count) > MOST_NUMBERS:
                raise ParameterError(f"{option} takes at most {MOST_NUMBERS} numbers, got '{text}'. Give fewer.")
            if not isfinite(float(last) - float(first)):
                raise ParameterError(f"{option} takes finite numbers, got '{text}'.")
            values = tuple(np.linspace(float(first), float(last), int(count)).tolist())
        else:
            values = tuple(float(part) for part in text.split(","))
    except ValueError:
        raise ParameterError(f"{option} takes numbers, 1,0.9,0.8, or FROM:TO:HOW_MANY; got '{text}'.") from None
    if not values:
        raise ParameterError(f"{option} needs at least one number, got '{text}'.")
    return values


def _tell(found: StressMap) -> None:
    unit = found.setting.unit
    least = [share for row in found.boundary() for share in row]
    if len(least) > 1 and not any(share is not None for share in least):
        say(f"With the most light it works in none of the {len(least)} combinations of ambient light and pedestal.")
    elif len(least) > 1:
        say("Smallest share of the light with which it still works:")
        for row, ambient in zip(found.boundary(), found.ambient, strict=True):
            for share, pedestal in zip(row, found.pedestal, strict=True):
                if share is not None:
                    say(f"  ambient {level_text(ambient):>8}, pedestal {level_text(pedestal):>8} {unit}: {share:g}")
        if never := least.count(None):
            say(f"  In {never} of the {len(least)} combinations of ambient light and pedestal it does not work at all.")
    told = []
    for lost, same in groupby(zip(found.gain, found.lost[:, 0, 0].tolist(), strict=True), key=lambda one: one[1]):
        shares = [f"{share:g}" for share, _ in same]
        told.append(f"{' to '.join(dict.fromkeys((shares[0], shares[-1])))}: {lost}")
    say(
        f"Lost passes by share of light left, ambient {level_text(found.ambient[0])}, pedestal "
        f"{level_text(found.pedestal[0])} {unit}: " + ", ".join(told)
    )


def _cleaning_lines(cleaning: Cleaning | None, why_none: str) -> list[str]:
    from math import expm1, isinf

    if cleaning is None:
        return []

    def days(value: float | None) -> str:
        if value is None or isinf(value):
            return "unknown" if value is None else "never"
        return number_of(cut(value, 4), "day", spec=".4g")

    def lost(rate: float) -> str:
        return f"{-100 * expm1(-rate):.3g}"

    lines = []
    seen = cleaning.observed
    if seen is not None:
        share, low, high = map(lost, (seen.per_day, seen.low, seen.high))
        first, second = map(lost, seen.halves or (0.0, 0.0))
        changed = f", {first} % in the first half and {second} % in the second" if seen.halves else ""
        lines.append(
            f"Observed over {number_of(seen.days, 'day', spec='g')}, {number_of(seen.points, 'level')}: {share} % of "
            f"the light lost per day ({low} to {high} %{changed}). Neighbouring days correlate by about "
            f"{seen.alike:.2g}, which the interval allows for. A season, a lamp or a product that changes the light as "
            "slowly counts as dirt, and a cleaning in between as less of it. If most dirt fell on a few days, the "
            "interval is too narrow."
        )
    if cleaning.days is None:
        return [*lines, f"Time to cleaning: {why_none}."]
    told = f"{days(cleaning.days)}, on the passes recorded"
    if seen is not None and cleaning.latest is not None:
        most = f"{days(cleaning.latest)} at the latest"
        if isinf(cleaning.latest):
            most = "and no latest: a loss of light is not shown"
        least = f"{days(cleaning.earliest)} at the earliest"
        told = f"{days(cleaning.days)}, {least}, {most}, on the passes recorded and if it goes on as on these days"
        if isinf(cleaning.days):
            told = f"not shown, as the light did not fall; {least} if it goes on as on these days"
    return [*lines, f"Time to cleaning: {told}."]


def _tell_feasibility(possible: Feasibility, unit: str) -> None:
    if possible.survivable_loss is not None:
        say(f"No fixed level at all survives a loss of more than {100 * possible.survivable_loss:.4g} %.")
    if possible.common is not None:
        above, up_to = map(level_text, possible.common)
        say(f"Levels that may work under all these conditions: above {above} up to {up_to} {unit}.")
        return
    say("No fixed level works under all these conditions:")
    # What would help is told once for all that it helps.
    alike: dict[str, list[Contradiction]] = {}
    for one in possible.contradictions:
        alike.setdefault(one.helps, []).append(one)
    for helps, found in alike.items():
        if found[0].second is None:
            more = f" and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
            say(f"  {'; '.join(one.first.name for one in found[:MOST_NAMED])}{more}: {helps}")
            continue
        first, second = (
            f"{w.name}: above {level_text(w.low)} up to {level_text(w.high)} {unit}"
            for w in (found[0].first, found[0].second)
        )
        more = f" {len(found) - 1} more of this kind: --json lists them." if found[1:] else ""
        say(f"  {first}, against {second}; {helps}{more}")
