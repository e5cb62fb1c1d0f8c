"""The command `import`: a log of another program becomes a recording."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from teachlab.cli.console import emit_json, progress, say, warn
from teachlab.model.recording import Direction, RecordingInfo, Sensing
from teachlab.model.truth import TruthSource

if TYPE_CHECKING:
    from teachlab.data.importing import Imported

LIGHT, TIMES, PASSES, TEXT, ABOUT = "The light", "Times", "Passes", "Text logs", "About the recording"


LEAST_PPM = 5.0
"""Smaller differences between two clocks are not worth a word."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("import")(import_command)


def import_command(
    log: Annotated[
        str, typer.Argument(help="Log: .csv and other text (also .gz), .parquet, .feather, .wav, .mat, or a URI.")
    ],
    unit: Annotated[str, typer.Option(help="Unit of the light: counts, mV, percent …", rich_help_panel=LIGHT)],
    out: Annotated[str, typer.Option(help="Recording to write: NAME.parquet.")],
    column: Annotated[
        str | None, typer.Option(help="Column of the light: name, or number from 1.", rich_help_panel=LIGHT)
    ] = None,
    rate: Annotated[
        float | None, typer.Option(help="Sample rate, Hz; default: from the times.", rich_help_panel=TIMES)
    ] = None,
    time: Annotated[
        str | None, typer.Option(help="Column of times to check; default: `time`.", rich_help_panel=TIMES)
    ] = None,
    time_unit: Annotated[
        Literal["s", "ms", "us", "ns", "min", "h", "d"] | None,
        typer.Option(
            help="Unit of times that are numbers; default: as the name of the column ends (t_ms), else s.",
            rich_help_panel=TIMES,
        ),
    ] = None,
    no_time: Annotated[bool, typer.Option("--no-time", help="Look at no times.", rich_help_panel=TIMES)] = False,
    fill_gaps: Annotated[
        bool, typer.Option("--fill-gaps", help="Fill gaps in time with invalid samples.", rich_help_panel=TIMES)
    ] = False,
    truth_column: Annotated[
        str | None, typer.Option(help="Column that says when an object is in view.", rich_help_panel=PASSES)
    ] = None,
    truth_kind: Annotated[
        Literal["auto", "flag", "label", "number"], typer.Option(help="What it holds.", rich_help_panel=PASSES)
    ] = "auto",
    passes: Annotated[str | None, typer.Option(help="Table of passes: CSV or Parquet.", rich_help_panel=PASSES)] = None,
    passes_in: Annotated[
        Literal["samples", "s", "time"],
        typer.Option(help="What its positions count: time is as in the log.", rich_help_panel=PASSES),
    ] = "samples",
    pass_start: Annotated[str, typer.Option(help="Its column of starts.", rich_help_panel=PASSES)] = "start",
    pass_end: Annotated[str, typer.Option(help="Its column of ends.", rich_help_panel=PASSES)] = "end",
    ignore: Annotated[
        list[str] | None, typer.Option(help="Label of passes that must not switch.", rich_help_panel=PASSES)
    ] = None,
    truth_source: Annotated[
        TruthSource | None, typer.Option(help="Where the passes come from.", rich_help_panel=PASSES)
    ] = None,
    uncertainty_samples: Annotated[
        float | None,
        typer.Option(help="Half-width of the doubt of borders; default: found.", rich_help_panel=PASSES),
    ] = None,
    delimiter: Annotated[
        str | None, typer.Option(help="Comma, semicolon, tab, space or a character.", rich_help_panel=TEXT)
    ] = None,
    decimal: Annotated[
        Literal["point", "comma"] | None, typer.Option(help="What stands before a fraction.", rich_help_panel=TEXT)
    ] = None,
    header: Annotated[
        bool | None, typer.Option(help="Whether the first line names the columns.", rich_help_panel=TEXT)
    ] = None,
    skip: Annotated[int, typer.Option(help="Lines to skip first.", rich_help_panel=TEXT)] = 0,
    encoding: Annotated[str | None, typer.Option(help="Of the text: utf-8, latin-1 …", rich_help_panel=TEXT)] = None,
    full_scale: Annotated[
        float | None, typer.Option(help="Level at which the receiver saturates.", rich_help_panel=ABOUT)
    ] = None,
    dark_level: Annotated[float, typer.Option(help="Level without light.", rich_help_panel=ABOUT)] = 0.0,
    sensing: Annotated[Sensing, typer.Option(help="Sensing principle.", rich_help_panel=ABOUT)] = Sensing.OTHER,
    direction: Annotated[
        Direction | None, typer.Option(help="What objects do to the light.", rich_help_panel=ABOUT)
    ] = None,
    line_speed: Annotated[float | None, typer.Option(help="Speed of the line, m/s.", rich_help_panel=ABOUT)] = None,
    title: Annotated[str | None, typer.Option(help="Title; default: the log's name.", rich_help_panel=ABOUT)] = None,
    notes: Annotated[str, typer.Option(help="Notes.", rich_help_panel=ABOUT)] = "",
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Turn a log into a recording, with its passes where the log or a table has them. Nothing is resampled."""
    from teachlab.data.importing import ImportJob, import_log
    from teachlab.data.importing.interval_table import Counted
    from teachlab.data.importing.text_log import TextOptions
    from teachlab.data.importing.truth_columns import TruthKind

    named = unit_of_name(time)
    job = ImportJob(
        path=log,
        out=out,
        info=RecordingInfo(
            sample_rate_hz=1.0 if rate is None else rate,
            unit=unit,
            full_scale=full_scale,
            dark_level=dark_level,
            sensing=sensing,
            direction=direction,
            title=Path(log).name.partition(".")[0] if title is None else title,
            line_speed_m_s=line_speed,
            notes=notes,
        ),
        rate_hz=rate,
        column=column,
        time=time,
        no_time=no_time,
        time_unit=time_unit or named or "s",
        fill_gaps=fill_gaps,
        truth_column=truth_column,
        truth_kind=TruthKind(truth_kind),
        passes=passes,
        passes_in=Counted(passes_in),
        pass_start=pass_start,
        pass_end=pass_end,
        ignore=tuple(ignore or ()),
        source=truth_source,
        uncertainty_samples=uncertainty_samples,
        text=TextOptions(delimiter=delimiter, decimal=decimal, header=header, skip=skip, encoding=encoding),
    )
    with progress(f"importing {Path(log).name}", quiet=json) as told:
        found = import_log(job, progress=told)
    if time_unit is None and named is not None and found.time is not None:
        warn(f"The numbers in column '{time}' are taken as {named} (from its name; say so with --time-unit {named}).")
    for note in found.notes:
        warn(note)
    if json:
        emit_json(_document(found))
    else:
        _tell(found)


def unit_of_name(column: str | None) -> str | None:
    """Return the unit that the name of a column of times ends with; None where it ends with none.

    Examples
    --------
    >>> [unit_of_name(name) for name in ("Zeit_ms", "t [µs]", "time/s", "items", "2")]
    ['ms', 'us', 's', None, None]
    """
    found = re.search(r"[\s_\[(/.](s|ms|us|[\u00b5\u03bc]s|ns|min|h|d)[\])]?$", column or "")
    return None if found is None else re.sub("[\u00b5\u03bc]", "u", found[1])


def _document(found: Imported) -> dict[str, object]:
    time = found.time
    return {
        "recording": found.recording,
        "samples": found.samples,
        "sample_rate_hz": found.info.sample_rate_hz,
        "rate_from": found.rate_from,
        "seconds": found.samples / found.info.sample_rate_hz,
        "unit": found.info.unit,
        "dtype": found.dtype,
        "column": found.column,
        "rows": found.rows,
        "invalid_samples": found.invalid,
        "filled_samples": found.filled,
        "time": None
        if time is None
        else {
            "column": found.time_column,
            "jitter_periods": time.jitter,
            "jitter_row": time.jitter_row,
            "gaps": int(time.gap_rows.size),
            "gap_rows": time.gap_rows,
            "gap_missing": time.missing,
            "gap_phase_periods": time.gap_phase,
        },
        "truth": found.truth_path,
        "passes": None if found.truth is None else found.truth.passes,
        "uncertainty_samples": None if found.truth is None else found.truth.uncertainty_samples,
        "uncertainty_because": None if found.doubt is None else found.doubt.because,
    }


def _tell(found: Imported) -> None:
    rate = found.info.sample_rate_hz
    say(
        f"{found.recording}: {found.samples:,} samples at {rate:.9g} Hz ({found.rate_from}), "
        f"{found.samples / rate:.6g} s, from column '{found.column}', stored as {found.dtype}"
    )
    if found.time is not None:
        time = found.time
        jitter = f"{100 * time.jitter:.3g} % of a period" if time.jitter > 1e-5 else "0.001 % of a period"
        say(
            f"Times in column '{found.time_column}' are uniform within {jitter} "
            f"(the worst step ends at row {time.jitter_row})."
        )
        if abs(apart := 1e6 * (time.measured_hz / rate - 1)) >= LEAST_PPM:
            say(f"The times say {time.measured_hz:.9g} Hz, {apart:+.3g} ppm from the rate used: a clock drifts.")
        if time.gap_rows.size:
            gaps = "1 gap" if time.gap_rows.size == 1 else f"{time.gap_rows.size} gaps"
            say(
                f"{gaps} filled with {found.filled:,} invalid samples; the samples after a gap are off by at most "
                f"{100 * time.gap_phase:.3g} % of a period."
            )
    if found.invalid > found.filled:
        say(f"{found.invalid - found.filled:,} rows have no valid value.")
    if found.truth is None:
        say("No passes were imported.")
        say()
        say(
            f"Next: teachlab label {found.recording} proposes passes to correct by hand; or import a table by --passes."
        )
        return
    truth = found.truth
    say(f"{truth.passes} passes ({truth.detect_passes} to detect; {truth.source}) written to {found.truth_path}")
    ms, because = 1000 * truth.uncertainty_samples / rate, "as stated"
    if found.doubt is not None:
        because = f"{found.doubt.because} (say better with --uncertainty-samples)"
    say(f"Their borders are in doubt by ±{truth.uncertainty_samples:.4g} samples = ±{ms:.4g} ms: {because}.")
    say()
    say(f"Next: teachlab inspect {found.recording}")
