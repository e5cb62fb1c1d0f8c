"""The command `label`: passes proposed from the light, for a person to correct."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, progress, say, warn
from teachlab.cli.options import Json, RecordingFile
from teachlab.errors import ParameterError, TruthError
from teachlab.model.recording import Direction

if TYPE_CHECKING:
    from teachlab.data.quality.labelling import Proposal
    from teachlab.model.recording import Recording


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("label")(label_command)


def label_command(
    recording: RecordingFile,
    out: Annotated[
        str | None, typer.Option(help="Table to write: .csv or .parquet; default: NAME.passes.csv beside it.")
    ] = None,
    min_ms: Annotated[
        float | None, typer.Option(help="Shortest pass and gap, ms; default: a tenth of the typical one.")
    ] = None,
    direction: Annotated[
        Direction | None, typer.Option(help="What objects do to the light; default: as stored, else the rarer level.")
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Overwrite an existing table of passes.")] = False,
    json: Json = False,
) -> None:
    """Propose passes from the light alone, marked self-labelled, as a table to correct by hand."""
    from teachlab.data.quality.labelling import propose_passes
    from teachlab.data.recording_files import read_recording
    from teachlab.data.truth_files import write_truth

    opened = read_recording(recording)
    target = _target(recording, out, force=force)
    with progress(f"labelling {opened.name}", quiet=json) as told:
        found = propose_passes(opened, direction=direction, min_ms=min_ms, progress=told)
    write_truth(target, found.truth.tied_to(opened.info.digest))
    if json:
        emit_json(_document(opened, target, found))
        return
    _tell(recording, opened, target, found)


def _target(recording: str, out: str | None, *, force: bool) -> str:
    from teachlab.data.truth_files import beside

    if out is None and "://" in recording:
        raise ParameterError("a recording in an object store needs --out: name a local .csv or .parquet file.")
    target = out if out is not None else beside(recording, ".passes.csv")
    if not target.lower().endswith((".csv", ".parquet")):
        raise ParameterError(f"--out takes a name that ends in .csv or .parquet, got '{target}'.")
    if Path(target).exists() and not force:
        raise TruthError(
            f"{target}: this table of passes exists, perhaps corrected by hand. "
            "Name another with --out, or overwrite it with --force."
        )
    other = beside(recording, ".passes.parquet")
    if out is None and Path(other).exists():
        raise TruthError(
            f"{other}: the recording already has passes; a second table beside it would contradict them. "
            "Name another place with --out."
        )
    return target


def _document(opened: Recording, target: str, found: Proposal) -> dict[str, object]:
    levels = found.levels
    return {
        "schema": 1,
        "recording": opened.name,
        "out": target,
        "source": found.truth.source,
        "passes": found.truth.passes,
        "uncertainty_samples": found.truth.uncertainty_samples,
        "direction": found.direction,
        "direction_from": found.direction_from,
        "levels": {"low": levels.low, "high": levels.high, "separation": levels.separation},
        "shortest_samples": found.shortest_samples,
        "dropped": found.dropped,
    }


def _tell(recording: str, opened: Recording, target: str, found: Proposal) -> None:
    levels, unit = found.levels, opened.info.unit
    say(f"{found.truth.passes} passes proposed, written to {target}")
    say(
        f"Two levels: {levels.low:.4g} {unit} and {levels.high:.4g} {unit}, {levels.separation:.3g} times the sum of "
        f"their spreads apart. Objects {'raise' if found.direction == 'rise' else 'lower'} the light "
        f"({found.direction_from})."
    )
    if found.direction_from == "the rarer level":
        say("If it is the other way round: --direction " + ("dip" if found.direction == "rise" else "rise"))
    shortest = 1000 * found.shortest_samples / opened.info.sample_rate_hz
    say(f"Passes and gaps shorter than {shortest:.4g} ms were smoothed away: {found.dropped}.")
    warn("These passes are self-labelled: made from this very signal. They may tune; they support no claim.")
    say()
    say(f"Next: correct {target} against what really passed (columns start, end, label, expect; keep its first line),")
    say(f"then: teachlab inspect {recording} --truth {target}")
