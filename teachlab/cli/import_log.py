"""The command `import`: a log of another program becomes a recording."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from teachlab.cli.console import emit_json, note_last, progress, say, warn
from teachlab.cli.options import Json
from teachlab.model.printable_text import in_figures, number_of, printable, typed_again
from teachlab.model.recording import Direction, LoggedOutput, OutputWhen, RecordingInfo, Sensing
from teachlab.model.truth import TruthSource

if TYPE_CHECKING:
    from teachlab.data.importing import Imported

_light, _times, _passes, _text, _about = (
    partial(typer.Option, rich_help_panel=panel)
    for panel in ("The light", "Times", "Passes", "Text logs", "About the recording")
)


LEAST_PPM = 5.0
"""Smaller differences between two clocks are not mentioned."""


def import_command(
    log: Annotated[
        str,
        typer.Argument(
            help="Log: text (also compressed), Parquet, Feather, WAV, MAT, HDF5, TDMS, MDF, Excel, or an address. "
            "- reads text from standard input."
        ),
    ],
    out: Annotated[str, typer.Option(help="Recording to write: NAME.parquet.")],
    unit: Annotated[str | None, _light(help="Unit of the light: counts, mV …; default: as the log says.")] = None,
    column: Annotated[
        list[str] | None,
        _light(help="Column of the light: its name, or its number from 1. Several columns make several recordings."),
    ] = None,
    output_column: Annotated[str | None, _light(help="Column of the sensor's own output.")] = None,
    output_active: Annotated[
        OutputWhen, _light(help="State of that column while the output is active.")
    ] = OutputWhen.HIGH,
    output_level: Annotated[
        float | None, _light(help="Level from which it counts as high, if it is a voltage.")
    ] = None,
    rate: Annotated[float | None, _times(help="Sample rate, Hz; default: from the times.")] = None,
    time: Annotated[str | None, _times(help="Column of times to check; default: `time`.")] = None,
    time_unit: Annotated[
        Literal["s", "ms", "us", "ns", "min", "h", "d", "100ns"] | None,
        _times(help="Unit of times that are numbers. Default: found from the log."),
    ] = None,
    date: Annotated[str | None, _times(help="Column of dates, where date and time have a column each.")] = None,
    time_zone: Annotated[str | None, _times(help="Time zone of times that name none: Europe/Berlin …")] = None,
    time_format: Annotated[
        str | None, _times(help="How dates are written that are not in ISO 8601: '%d/%m/%Y %H:%M:%S.%f'.")
    ] = None,
    no_time: Annotated[bool, _times("--no-time", help="Do not read any times.")] = False,
    fill_gaps: Annotated[bool, _times("--fill-gaps", help="Fill gaps in time with invalid samples.")] = False,
    truth_column: Annotated[str | None, _passes(help="Column that says when an object is in view.")] = None,
    truth_kind: Annotated[
        Literal["auto", "flag", "label", "number", "level"],
        _passes(help="What that column holds. level: a second signal, divided at a level."),
    ] = "auto",
    truth_level: Annotated[float | None, _passes(help="Level at which it is divided. Default: the middle.")] = None,
    lot_column: Annotated[str | None, _passes(help="Column that names the lot of a pass: shift, batch, roll …")] = None,
    passes: Annotated[str | None, _passes(help="Table of passes: CSV or Parquet.")] = None,
    passes_in: Annotated[
        Literal["samples", "s", "ms", "time", "mm"] | None,
        _passes(help="Unit of the positions in that table. Default: samples. time: as in the log, or dates."),
    ] = None,
    pass_ms: Annotated[
        float | None,
        _passes(help="Length of a pass, where the table has one time per product: the middle of the pass."),
    ] = None,
    borders_from_light: Annotated[
        bool, _passes("--borders-from-light", help="Instead of a length: take the nearest crossings of the light.")
    ] = False,
    shift_ms: Annotated[float, _passes(help="Move all passes later by this, ms.")] = 0.0,
    clock_ppm: Annotated[float, _passes(help="Correct the clock of the passes by this about the middle, ppm.")] = 0.0,
    excepted: Annotated[
        str | None, _passes("--except", help="Table of stretches to leave out of scoring, in the same unit.")
    ] = None,
    encoder_column: Annotated[str | None, _passes(help="Column of the encoder: position of the line.")] = None,
    encoder_mm: Annotated[float, _passes(help="Travel per step of the encoder, mm.")] = 1.0,
    pass_start: Annotated[str, _passes(help="Column in the table of passes that holds the starts.")] = "start",
    pass_end: Annotated[str, _passes(help="Column in the table of passes that holds the ends.")] = "end",
    ignore: Annotated[list[str] | None, _passes(help="Label of passes that must not switch.")] = None,
    truth_source: Annotated[TruthSource | None, _passes(help="Where the passes come from.")] = None,
    uncertainty_samples: Annotated[
        float | None, _passes(help="How far a border of a pass may be wrong, samples. Default: measured.")
    ] = None,
    delimiter: Annotated[
        str | None, _text(help="Separator of columns: comma, semicolon, tab, space or a character.")
    ] = None,
    decimal: Annotated[Literal["point", "comma"] | None, _text(help="Decimal separator.")] = None,
    header: Annotated[bool | None, _text(help="Whether the first line names the columns.")] = None,
    skip: Annotated[int, _text(help="Lines to skip first.")] = 0,
    encoding: Annotated[str | None, _text(help="Encoding of the text: utf-8, latin-1 …")] = None,
    missing: Annotated[
        list[str] | None, _text(help="Word or number that stands for a missing value. May be given several times.")
    ] = None,
    sheet: Annotated[str | None, _text(help="Sheet of a workbook.")] = None,
    from_: Annotated[
        float | None,
        typer.Option("--from", help="Instead of a log: keep a part of a recording, from here, s from its beginning."),
    ] = None,
    to: Annotated[float | None, typer.Option("--to", help="End of that part, s. Default: the end.")] = None,
    append: Annotated[
        bool, typer.Option("--append", help="Continue where the last run ended, with the rest of the log.")
    ] = False,
    full_scale: Annotated[float | None, _about(help="Level at which the receiver saturates.")] = None,
    dark_level: Annotated[float, _about(help="Level without light.")] = 0.0,
    sensing: Annotated[Sensing, _about(help="Sensing principle.")] = Sensing.OTHER,
    direction: Annotated[Direction | None, _about(help="What products do to the light.")] = None,
    line_speed: Annotated[float | None, _about(help="Speed of the line, m/s.")] = None,
    title: Annotated[str | None, _about(help="Title; default: the log's name.")] = None,
    notes: Annotated[str, _about(help="Notes.")] = "",
    json: Json = False,
) -> None:
    """Turn a log into a recording and a table of passes. No sample is changed."""
    from teachlab.data.importing import ImportJob, import_log, kept_rows
    from teachlab.data.importing.interval_table import CountedIn
    from teachlab.data.importing.reading.text_log import STANDARD_INPUT, TextOptions
    from teachlab.data.importing.truth_columns import TruthKind

    name = "" if log == STANDARD_INPUT else Path(log).name
    columns = column or []
    job = ImportJob(
        path=log,
        out=out,
        info=RecordingInfo(
            sample_rate_hz=1.0 if rate is None else rate,
            unit="?" if unit is None else unit,
            full_scale=full_scale,
            dark_level=dark_level,
            sensing=sensing,
            direction=direction,
            title=name.partition(".")[0] if title is None else title,
            line_speed_m_s=line_speed,
            notes=notes,
            output=None if output_column is None else LoggedOutput(output_active),
        ),
        unit_given=unit is not None,
        rate_hz=rate,
        column=columns[0] if columns else None,
        more_columns=tuple(columns[1:]),
        time=time,
        date=date,
        no_time=no_time,
        time_unit=time_unit,
        time_zone=time_zone,
        time_format=time_format,
        fill_gaps=fill_gaps,
        from_s=from_,
        to_s=to,
        append=append,
        truth_column=truth_column,
        truth_kind=TruthKind(truth_kind),
        truth_level=truth_level,
        lot_column=lot_column,
        passes=passes,
        passes_in=None if passes_in is None else CountedIn(passes_in),
        pass_start=pass_start,
        pass_end=pass_end,
        pass_ms=pass_ms,
        borders_from_light=borders_from_light,
        shift_ms=shift_ms,
        clock_ppm=clock_ppm,
        excepted=excepted,
        encoder_column=encoder_column,
        encoder_mm=encoder_mm,
        output_column=output_column,
        output_level=output_level,
        ignore=tuple(ignore or ()),
        source=truth_source,
        uncertainty_samples=uncertainty_samples,
        text=TextOptions(
            delimiter=delimiter,
            decimal=decimal,
            header=header,
            skip=skip,
            encoding=encoding,
            missing=tuple(missing or ()),
            sheet=sheet,
        ),
    )
    try:
        with progress(f"importing {name or 'standard input'}", quiet=json) as told:
            found = import_log(job, progress=told)
    except BaseException:
        if log == STANDARD_INPUT and (kept := kept_rows(out)):
            warn(
                f"{number_of(kept, 'row is', 'rows are')} kept in {out}.unfinished. Feed the rows after them, and "
                f"add --append."
            )
        raise
    if found.kept:
        note_last(f"{number_of(found.kept, 'row')} of an earlier run come first.")
    note_last(*found.notes)
    if json:
        emit_json(found.as_dict())
    else:
        _tell(found)


def _tell(found: Imported) -> None:
    rate = found.info.sample_rate_hz
    say(
        f"{found.recording}: {number_of(found.samples, 'sample')} at {rate:.9g} Hz ({found.rate_from}), "
        f"{in_figures(found.samples / rate, 6)} s, from column '{found.column}', stored as {found.dtype}"
    )
    for other in found.also:
        say(f"{other.recording}: the same from column '{other.column}', stored as {other.dtype}")
    if found.began:
        say(f"The first sample is of {found.began.replace('T', ' ')}.")
    if found.time is not None and found.time.tick_s is not None:
        say(
            f"Times in column '{found.time_column}' tick every {in_figures(1000 * found.time.tick_s, 6)} ms, "
            f"{number_of(rate * found.time.tick_s, 'row', spec='.4g')} a tick. Their count is steady: the rate is "
            f"that of the count."
        )
    elif found.time is not None:
        time = found.time
        say(
            f"Times in column '{found.time_column}' are uniform within {_periods(time.jitter)} "
            f"(the worst step ends at row {time.jitter_row})."
        )
        if abs(apart := 1e6 * (time.measured_hz / rate - 1)) >= LEAST_PPM:
            say(f"The times say {time.measured_hz:.9g} Hz, {apart:+.3g} ppm from the rate used: a clock drifts.")
    if found.time is not None and (count := found.time.gap_rows.size):
        gaps = "1 gap" if count == 1 else f"{count} gaps"
        say(
            f"{gaps} filled with {found.filled:,} invalid samples; the samples after a gap are off by at most "
            f"{_periods(found.time.gap_phase)}."
        )
    if found.invalid > found.filled:
        say(f"{number_of(found.invalid - found.filled, 'row has', 'rows have')} no valid value.")
    if found.truth is None:
        say("No passes were imported.")
        say()
        say(f"Next: teachlab label {typed_again(str(found.recording))}")
        say("It proposes passes, and says how to correct them. A table of passes is imported with --passes.")
        return
    truth = found.truth
    say(
        f"{number_of(truth.passes, 'pass', 'passes')} ({truth.detect_passes} to detect; {truth.source}) written to "
        f"{found.truth_path}"
    )
    if not truth.passes:
        say()
        say(f"Next: teachlab inspect {typed_again(str(found.recording))}")
        return
    ms, because = 1000 * truth.uncertainty_samples / rate, "as stated"
    if found.doubt is not None:
        because = f"{found.doubt.because} (change it with --uncertainty-samples)"
    doubt = (
        f"Their borders are uncertain by ±{number_of(truth.uncertainty_samples, 'sample', spec='.4g')} = ±{ms:.4g} "
        f"ms: {because}."
    )
    short = int(((truth.end - truth.start) < truth.uncertainty_samples).sum())
    if short:
        warn(
            f"Problem: {short} of {number_of(truth.passes, 'pass', 'passes')} {'is' if short == 1 else 'are'} shorter "
            f"than the uncertainty of a border: claims leave such passes out. {doubt} Give times with more "
            "decimals, or say how sure the borders are with --uncertainty-samples."
        )
    else:
        say(doubt)
    lots = [] if truth.lot is None else [name for name in dict.fromkeys(truth.lot.tolist()) if name]
    if lots:
        named = f"{lots[0]}" if len(lots) == 1 else f"{lots[0]} … {lots[-1]}"
        say(f"{number_of(len(lots), 'lot')}: {printable(named, most=60)}.")
    if truth.except_:
        seconds = sum(end - start for start, end in truth.except_) / rate
        several = number_of(len(truth.except_), "stretch is", "stretches are")
        say(f"{several} left out of scoring: {in_figures(seconds)} s in all.")
    say()
    if short:
        say(
            "Next: Import the log again, with more decimals in the times of the passes, or with "
            "--uncertainty-samples N: by how many samples a border may be off."
        )
        return
    say(f"Next: teachlab inspect {typed_again(str(found.recording))}")


def _periods(share: float) -> str:
    """Return a share of a period; if it is negligible, the limit that it is below."""
    return f"{max(100 * share, 0.001):.3g} % of a period"
