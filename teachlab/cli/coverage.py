"""The command `coverage`: which disturbances could be seen while teaching and scoring, and what recurs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, note_last, say, say_verdict, show
from teachlab.cli.options import Figures, Json, PassesFile, RecordingFile, TeachShare, Tolerance
from teachlab.errors import ParameterError
from teachlab.model.printable_text import in_figures, number_of, typed_again
from teachlab.wording.notes import passes_note

if TYPE_CHECKING:
    from teachlab.questions.coverage import Coverage


def coverage_command(
    recording: RecordingFile,
    cycle: Annotated[
        list[str] | None,
        typer.Option(
            help="What repeats: belt=10s, belt=6000mm, lamp=100Hz. belt=6000mm:40mm: the disturbing part is 40 mm. "
            "May be given several times."
        ),
    ] = None,
    setting: Annotated[
        str | None, typer.Option(help="Setting whose false trips are searched for a period: JSON.")
    ] = None,
    truth: PassesFile = None,
    line_speed: Annotated[
        float | None, typer.Option(help="m/s, for cycles given as lengths; default: as stored with the recording.")
    ] = None,
    teach_share: TeachShare = 0.3,
    tolerance_ms: Tolerance = 0.0,
    confidence: Annotated[
        float, typer.Option(help="Confidence with which every part of a cycle must have been seen.")
    ] = 0.95,
    times: Annotated[int, typer.Option(help="How many times it must have been seen.")] = 1,
    begins: Annotated[
        str | None, typer.Option(help="Time of day at which the recording begins, HH:MM: counts hours of the day.")
    ] = None,
    out: Figures = None,
    json: Json = False,
) -> None:
    """Was every state of the belt or lamp seen? How often each part of a cycle lay in a gap."""
    from dataclasses import replace

    from teachlab.cli.writing import kind_of, write_results
    from teachlab.data.opening import open_pair
    from teachlab.data.setting_files import read_setting
    from teachlab.model.score import Rules
    from teachlab.questions.coverage import coverage
    from teachlab.questions.coverage.cycles import cycle_of
    from teachlab.questions.coverage.figure import coverage_figure
    from teachlab.switching.fitting import naming

    targets = [(name, kind_of(name)) for name in out or []]
    if not cycle and any(kind != "json" for _, kind in targets):
        raise ParameterError("a figure shows cycles, and none is named: give --cycle belt=10s, or write .json.")
    opened, passes = open_pair(recording, truth)
    if line_speed is not None:
        opened = replace(opened, info=replace(opened.info, line_speed_m_s=line_speed))
    speed = opened.info.line_speed_m_s
    cycles = [cycle_of(text, line_speed_m_s=speed) for text in cycle or []]
    used = None if setting is None else read_setting(setting)
    with naming(setting, recording):
        found = coverage(
            opened, passes, cycles, setting=used, teach_share=teach_share,
            rules=Rules(tolerance_ms=tolerance_ms, confidence=confidence), times=times,
            begins_h=None if begins is None else _clock(begins),
        )  # fmt: skip
    note_last(passes_note(passes))
    on = typed_again(recording, truth=truth)
    verdict = found.verdict
    if not cycles:
        verdict = verdict.leading_to(f"Give the time of one turn of your belt: teachlab coverage {on} --cycle belt=10s")
    elif not verdict.next_step:
        verdict = verdict.leading_to(f"teachlab bench {on} --out results")
    document = found.as_dict() | {"verdict": verdict.as_dict()}
    write_results(targets, document, lambda kind: coverage_figure(found, title=opened.name, kind=kind))
    if json:
        emit_json(document)
        return
    say_verdict(verdict, details=True)
    _tell(found, opened.name)


def _clock(text: str) -> float:
    hours, colon, minutes = text.partition(":")
    if not (colon and hours.isdecimal() and minutes.isdecimal() and int(hours) < 24 and int(minutes) < 60):
        raise ParameterError(f"--begins takes a time of day, HH:MM, 00:00 to 23:59; got '{text}'.")
    return int(hours) + int(minutes) / 60


def _tell(found: Coverage, name: str) -> None:
    from teachlab.wording.tables import plain_table

    if found.cycles:
        table = plain_table(f"{name}: how often a feature at an unknown place of each cycle lay wholly in an open gap")
        table.add_column("cycle")
        table.add_column("block")
        for title in ("revolutions", "open in", "seen, mean", "at least", "surely", "chance seen", "needed"):
            table.add_column(title, justify="right")
        for one in found.cycles:
            for block, e in one.blocks.items():
                table.add_row(
                    f"{one.cycle.name}, {one.cycle.period_s:.4g} s", block, in_figures(e.revolutions, 3),
                    f"{100 * e.open_share:.3g} %", in_figures(e.exposures, 3), str(e.least), str(e.sure),
                    f"{100 * e.seen_share:.3g} %", in_figures(one.needed[block], 3),
                )  # fmt: skip
        show(table)
        first = next(iter(found.cycles[0].blocks.values()))
        say("Seen: revolutions with the feature in an open gap, on average over its places and at the worst one.")
        say(f"Surely: at least {100 * first.confidence:g} % of all places were seen this often.")
        say(
            f"Needed: revolutions in which so many places are seen {first.times} ×, at the same confidence, if "
            "products come independently of the cycle."
        )
    labels = {name: both for name, both in found.names.items() if name.startswith("label")}
    for what, (taught, scored) in labels.items():
        kind = what.removeprefix("label").strip()
        say(f"Passes{kind and f' of kind {kind}'}: {taught} in the teach block, {scored} scored")
    if lots := [both for name, both in found.names.items() if name not in labels]:
        taught, scored = (sum(count > 0 for count in side) for side in zip(*lots, strict=True))
        both = sum(min(counts) > 0 for counts in lots)
        told = f", {both} of them in both" if both else ""
        say(f"{number_of(len(lots), 'lot')}: {taught} in the teach block, {scored} scored{told}")
    if found.hours:
        say("Passes by hour of the day, in the teach block and scored:")
        for hour, (taught, scored) in found.hours.items():
            say(f"  {hour}: {taught}, {scored}")
    for one_found in found.found:
        say(one_found.sentence or f"{one_found.what.capitalize()}: {one_found.refused}.")
