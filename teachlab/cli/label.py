"""The command `label`: passes proposed from the light, for a person to correct."""

from __future__ import annotations

import math
import shlex
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, progress, say, warn
from teachlab.cli.options import Json, RecordingFile
from teachlab.cli.writing import kind_of
from teachlab.errors import ParameterError, TruthError
from teachlab.model.printable_text import in_figures, level_text, moment, number_of, time_text, typed_again
from teachlab.model.recording import Direction
from teachlab.wording.notes import SELF_LABELLED

if TYPE_CHECKING:
    from teachlab.data.quality.pass_doubts import LikelyPlace
    from teachlab.questions.label import LabelAnswer

MOST_TOLD = 12
"""Number of doubtful passes on the screen."""


def label_command(
    recording: RecordingFile,
    out: Annotated[
        list[str] | None,
        typer.Option(
            help="Table: .csv or .parquet (default: NAME.passes.csv beside it); sheet of pictures: .svg or .html."
        ),
    ] = None,
    corrected: Annotated[
        str | None, typer.Option("--from", help="Corrected table (.csv) to check and read back.")
    ] = None,
    against: Annotated[
        str | None, typer.Option(help="Table of another person (.csv), to see how far it agrees with that of --from.")
    ] = None,
    count: Annotated[int | None, typer.Option(help="How many products passed, counted by other means.")] = None,
    min_ms: Annotated[
        float | None, typer.Option(help="Shortest pass and gap, ms; default: a tenth of the typical one.")
    ] = None,
    direction: Annotated[
        Direction | None,
        typer.Option(help="What products do to the light. Default: as stored, else the rarer level is the product."),
    ] = None,
    semicolon: Annotated[
        bool, typer.Option("--semicolon", help="Write the .csv with semicolons, as some spreadsheets need.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing table of passes.")] = False,
    json: Json = False,
) -> None:
    """Propose passes from the light alone, as a table to correct by hand."""
    from teachlab.data.atomic_files import one_result, write_aside
    from teachlab.data.quality.label_sheet import label_sheet
    from teachlab.data.recording_files import read_recording
    from teachlab.data.truth_files import write_truth
    from teachlab.questions.label import label

    sheets = [name for name in out or [] if name.lower().endswith((".svg", ".html"))]
    tables = [name for name in out or [] if name not in sheets]
    if len(tables) > 1:
        raise ParameterError(f"--out takes one table of passes, got {', '.join(tables)}. Name one.")
    opened = read_recording(recording)
    table = tables[0] if tables else None
    target = None if table is None and sheets else _target(recording, table, corrected, force=force)
    with progress(f"labelling {opened.name}", quiet=json) as told:
        found = label(
            opened,
            direction=direction,
            min_ms=min_ms,
            count=count,
            corrected=corrected,
            against=against,
            progress=told,
        )
    pictures = [
        (name, label_sheet(opened, found.proposal, found.doubts, kind=name.lower().rpartition(".")[2]))
        for name in sheets
    ]
    with one_result():
        if target is not None:
            more = found.columns() if corrected is None else None
            write_truth(target, found.truth.tied_to(opened.info.digest), more=more, semicolon=semicolon)
        for name, content in pictures:
            with write_aside(name) as aside:
                aside.write_bytes(content)
    if json:
        emit_json(found.as_dict(out=target, sheets=sheets))
        return
    _tell(recording, target, sheets, found, min_ms)


def _target(recording: str, out: str | None, corrected: str | None, *, force: bool) -> str:
    from teachlab.data.addresses import same_file
    from teachlab.data.truth_files import beside

    if out is None and "://" in recording:
        raise ParameterError("a recording in an object store needs --out: name a local .csv or .parquet file.")
    proposals, other = beside(recording, ".passes.csv"), beside(recording, ".passes.parquet")
    target = out if out is not None else (proposals if corrected is None else other)
    kind_of(target, "csv", "parquet", "svg", "html")
    if corrected is not None and same_file(corrected, target):
        raise TruthError(f"{target}: this is the corrected table itself, and inputs are never modified. Choose --out.")
    if Path(target).exists() and not force:
        raise TruthError(
            f"{target}: this table of passes exists, perhaps corrected by hand. "
            "Name another with --out, or overwrite it with --force."
        )
    if out is None and corrected is None and Path(other).exists():
        raise TruthError(
            f"{other}: the recording already has passes; a second table beside it would contradict them. "
            "Name another place with --out."
        )
    if out is None and corrected is not None and Path(proposals).exists():
        raise TruthError(
            f"{proposals}: the proposal still lies beside the recording and would contradict the corrected passes. "
            "Move it away, or name another place with --out."
        )
    return target


def _tell(
    recording: str, target: str | None, sheets: list[str], found: LabelAnswer, min_ms: float | None
) -> None:  # fmt: skip
    proposal, info = found.proposal, found.info
    levels, unit = proposal.levels, info.unit
    where = "" if target is None else f", written to {target}"
    _tell_agreement(found)
    say(found.sentence(where))
    if (made := found.correction) is not None:
        say(
            f"As proposed: {made.as_proposed} of {proposal.truth.passes}; with moved borders: {made.moved}, taken out: "
            f"{made.taken_out}, added: {made.added}."
        )
        for note in made.notes:
            warn(note)
    for name in sheets:
        say(f"Pictures of the passes, the most doubtful first: {name}")
    if (check := found.count) is not None:
        say(found.counted)
        for place in check.places:
            say(f"  {_place(place.sample, place.end, place.text, found)}")
        if (left := abs(check.counted - check.proposed) - len(check.places)) > 0:
            say(f"  For {left} of them the light does not show the place.")
    part = ", where the light goes part of the way to an object"
    _tell_left(found, found.unanswered, part, ": a setting is tried only on what is in it")
    other = " on the other side of the background, which no level sees together with the passes"
    _tell_left(found, found.unanswered_opposite, other)
    if found.correction is None:
        for one in found.doubtful[:MOST_TOLD]:
            say(f"  pass {one.row}, {moment(one.start, found)}: {one.reason} (doubt {100 * one.doubt:.0f} %)")
        if len(found.doubtful) > MOST_TOLD:
            where = "the table has them all" if target is not None else "--json has them all"
            say(f"  and {len(found.doubtful) - MOST_TOLD} more; {where}")
    replayed = found.replayed
    if replayed is not None and (
        replayed.losses or replayed.gaps_tripped or replayed.counted_again or replayed.ignored_tripped
    ):
        say(f"A replay at the middle, {level_text(replayed.setting.activation)} {unit}, disagrees with the passes:")
        for line in replayed.lines():
            say(f"  {line}")
        for loss in replayed.losses[:MOST_TOLD]:
            say(f"  pass {loss.row}, {moment(loss.sample, found)}: {replayed.says(loss.code)}")
    elif replayed is not None:
        say("A replay at the middle between the two levels agrees with every pass.")
    apart = "without any spread"
    if math.isfinite(levels.separation):
        apart = f"{in_figures(levels.separation, 3)} times the sum of their spreads apart"
    say(
        f"Two levels: {level_text(levels.low)} {unit} and {level_text(levels.high)} {unit}, {apart}. Objects "
        f"{'raise' if proposal.direction == 'rise' else 'lower'} the light ({proposal.direction_from})."
    )
    if proposal.direction_from == "the rarer level":
        say("If it is the other way round: --direction " + ("dip" if proposal.direction == "rise" else "rise"))
    shortest = time_text(1000 * proposal.shortest_samples / info.sample_rate_hz)
    say(f"Passes and gaps shorter than {shortest} were smoothed away: {proposal.dropped}.")
    warn(SELF_LABELLED)
    say()
    if found.correction is not None:
        say(f"Next: teachlab inspect {typed_again(recording, truth=target)}")
        return
    asked = f" --direction {proposal.direction}" if proposal.direction_from == "given" else ""
    # What was corrected is told against the same proposal.
    asked += "" if min_ms is None else f" --min-ms {min_ms:g}"
    if target is None:
        table = shlex.quote(f"{PurePath(sheets[0]).stem}.csv")
        say(f"Next: teachlab label {typed_again(recording)}{asked} --out {table}")
        say("It writes the table to correct.")
        return
    if not found.truth.passes:
        say(f"Next: give a shorter --min-ms: every pass in this light is shorter than {shortest}.")
        return
    say(
        f"Next: correct {target}: take out rows where no product passed, add products that are missing (start and end "
        "in samples), and keep the first line."
    )
    say(f"Or on the light, the most doubtful first: teachlab explore {typed_again(recording, truth=target)} --serve")
    back = f"{typed_again(recording)}{asked} --from {typed_again(target)}"
    say(f"Then: teachlab label {back} --out NAME.passes.parquet")


def _tell_agreement(found: LabelAnswer) -> None:
    """Say how far the tables of two people agree, and where they do not."""
    one, second = found.agreement, found.second
    if one is None or second is None:
        return
    rate = found.info.sample_rate_hz
    say(found.agreed)
    if one.border_samples:
        within = time_text(1000 * one.border_samples / rate)
        say(f"19 of 20 of their borders lie within {within} of each other.")
    if one.same:
        say(f"{number_of(one.same, 'product')} with equal borders to the sample: proposed, and perhaps not looked at.")
    places = [("only the first", found.truth, row) for row in one.only_first]
    places += [("only the second", second, row) for row in one.only_second]
    places += [("another kind", found.truth, row) for row in one.kinds_differ]
    places.sort(key=lambda place: int(place[1].start[place[2]]))
    for what, truth, row in places[:MOST_TOLD]:
        say(f"  {_place(int(truth.start[row]), int(truth.end[row]), what, found)}")
    if len(places) > MOST_TOLD:
        say(f"  and {len(places) - MOST_TOLD} more; --json has their rows")


def _tell_left(found: LabelAnswer, left: list[LikelyPlace], where: str, why: str = "") -> None:
    """Name stretches without a pass that may be products."""
    if found.count is not None or not left:
        return
    these, them = ("these are products", "them") if len(left) > 1 else ("this is a product", "it")
    say(
        f"Look at {number_of(len(left), 'stretch', 'stretches')} without a pass{where}. If {these}, add {them} to the "
        f"table{why}."
    )
    for one in left[:MOST_TOLD]:
        say(f"  {_place(one.sample, one.end, one.text, found)}")
    if len(left) > MOST_TOLD:
        say(f"  and {len(left) - MOST_TOLD} more; --json has them all")


def _place(start: int, end: int, what: str, found: LabelAnswer) -> str:
    """Return where a stretch lies, as a time and as rows of the table name it, and what is there."""
    return f"{moment(start, found)}, samples {start} to {end}: {what}"
