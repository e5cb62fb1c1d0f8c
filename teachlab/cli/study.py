"""The command `study`: many recordings × strategies × parameters; rows are kept as recordings are completed."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Iterable
from contextlib import redirect_stdout, suppress
from typing import TYPE_CHECKING, Annotated, Any

import typer

from teachlab.cli import options as opt
from teachlab.cli.again import given_again
from teachlab.cli.console import emit_json, if_pair_faster, progress, say, say_verdict, show, warn
from teachlab.cli.opening import NEED_INPUT, named_strategies
from teachlab.cli.writing import picture_kind, write_file
from teachlab.errors import ParameterError, TeachlabError
from teachlab.model.printable_text import number_of

if TYPE_CHECKING:
    from teachlab.model.teaching import Strategy
    from teachlab.studies.family.configurations import Grid
    from teachlab.studies.family.study_grid import StudiedLine
    from teachlab.studies.family.study_run import WorkAhead

    _Asked = tuple[type[Strategy], Grid]


def study_command(
    context: typer.Context,
    recordings: Annotated[
        list[str],
        typer.Argument(help="A study in TOML, or recordings: NAME.parquet …, folders, patterns, addresses."),
        opt.APART,
    ],
    strategy: Annotated[
        list[str] | None, typer.Option(help="Strategy to try. May be given several times. Default: those of bench.")
    ] = None,
    grid: Annotated[
        list[str] | None,
        typer.Option(help="Values to try: [STRATEGY.]PARAMETER=V,V,… or =LOW:HIGH:COUNT. May be given several times."),
    ] = None,
    base: Annotated[
        list[str] | None,
        typer.Option(help="Setting (JSON) from which delays, filter and rate are taken. May be given several times."),
    ] = None,
    condition: Annotated[
        list[str] | None,
        typer.Option(
            help="Also try every setting with other light: NAME=GAIN[,AMBIENT[,PEDESTAL]]. May be given several times."
        ),
    ] = None,
    draws: Annotated[int | None, opt.or_default(opt.Draws, 200)] = None,
    seed: Annotated[
        list[int] | None, typer.Option(help="Which passes are shown. May be given several times. Default: 0.")
    ] = None,
    teach_share: Annotated[float | None, opt.or_default(opt.TeachShare, 0.3)] = None,
    tolerance_ms: Annotated[float | None, opt.or_default(opt.Tolerance, 0)] = None,
    cost_miss: Annotated[float | None, opt.or_default(opt.CostMiss, 1)] = None,
    cost_false: Annotated[float | None, opt.or_default(opt.CostFalse, 1)] = None,
    confidence: Annotated[float | None, opt.or_default(opt.Confidence, 0.95)] = None,
    accept_cost: Annotated[float | None, opt.or_default(opt.AcceptCost, 0.05)] = None,
    assume: Annotated[str | None, opt.or_default(opt.Assume, "lots")] = None,
    criteria: Annotated[
        str | None, typer.Option(help="Acceptance criteria (TOML), fixed before the run: lost_rate, passes, lots …")
    ] = None,
    out: Annotated[
        str | None,
        typer.Option(
            help="Folder or address in which the rows of each recording are kept as they end. Run again to go on there."
        ),
    ] = None,
    plot: Annotated[str | None, typer.Option(help="Draw what each parameter does: .svg or .png.")] = None,
    jobs: Annotated[int, typer.Option(help="Recordings worked on at once. 0: as many as there are cores.")] = 0,
    scheduler: Annotated[
        str | None,
        typer.Option(help="Address of a Dask scheduler, such as tcp://host:8786. local: a cluster on this machine."),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only tell how much work, time and memory it takes.")
    ] = False,
    retry: Annotated[
        bool,
        typer.Option("--retry", help="Work what failed again: a strategy that ended its process, too little memory."),
    ] = False,
    details: opt.Details = False,
    json: opt.Json = False,
) -> None:
    """Try strategies and their parameters on many recordings, and recommend one for all of them.

    Exit code with criteria: 0 met, 1 not met, 3 not enough evidence.
    """
    from teachlab.evidence.criteria import Judgement, overall
    from teachlab.studies.family.engines import engine_of
    from teachlab.studies.family.family_tables import group_table, line_table, method_lines, parameter_table
    from teachlab.studies.family.study_plan import planned_study, read_study, studied_lines
    from teachlab.studies.family.study_run import run_study, work_ahead
    from teachlab.teaching.registry import ships
    from teachlab.teaching.strategy_files import strategy_class

    kind = picture_kind(plot)
    lines: list[StudiedLine] = []
    strategies: list[_Asked] = []
    options: dict[str, Any] = {}
    for one in recordings:
        if one.endswith(".toml"):
            more, asked, stated = read_study(one)
            lines += more
            strategies += asked
            options |= stated
        else:
            lines += studied_lines(one, left_out=out)
    classes = [strategy_class(n) for n in (strategy or ([] if strategies else named_strategies([])))]
    strategies += [(made, {}) for made in classes if made.name not in NEED_INPUT or strategy]
    typed = {
        "draws": draws, "seeds": seed, "teach_share": teach_share, "tolerance_ms": tolerance_ms,
        "cost_miss": cost_miss, "cost_false": cost_false, "confidence": confidence, "accept_cost": accept_cost,
        "assume": assume, "criteria": criteria, "bases": None if not base else {one: one for one in base},
        "conditions": None if not condition else dict(_condition(text) for text in condition),
    }  # fmt: skip
    options |= {name: value for name, value in typed.items() if value is not None}
    plan = planned_study(studied_lines(lines), _with_grids(strategies, grid or []), **options)
    tried = {(one.strategy.name, p, str(one.parameters[p])) for one in plan.grid.configurations for p in one.varied}
    if plot is not None and len(tried) == len({one[:2] for one in tried}):
        raise ParameterError("--plot draws what each parameter does, and none takes two values: add --grid.")
    if dry_run:
        with redirect_stdout(sys.stderr):
            ahead = work_ahead(plan, workers=jobs or os.cpu_count() or 1, out=out, retry=retry)
        if json:
            emit_json(ahead.as_dict())
        else:
            _say_ahead(ahead)
        return
    # What a strategy prints is no part of the answer.
    with progress("studying", quiet=json) as report, redirect_stdout(sys.stderr):
        # A strategy of somebody may end its process, or leave threads in it that never end.
        apart = not all(ships(type(one.strategy)) for one in plan.grid.configurations)
        engine = engine_of(jobs, scheduler, apart=apart)
        told = report if json else if_pair_faster(report, plan.grid.bases.values(), lambda: _longest(plan.lines))
        found = run_study(plan, engine=engine, out=out, retry=retry, progress=lambda done, of: told(done / of))
    if plot is not None:
        from teachlab.studies.family.effect_figure import effect_figure

        write_file(plot, effect_figure(found, kind=kind))
    judged = overall(found.judged) if found.judged else Judgement.MET
    code = {Judgement.NOT_MET: 1, Judgement.NOT_ENOUGH: 3}.get(judged, 0)
    unwritten = f"Nothing was written: {out} can only be read. The answer is that of the rows that are kept there."
    if json:
        emit_json(found.as_dict())
        if out is not None and not found.written:
            warn(unwritten)
        raise typer.Exit(code)
    verdict = found.verdict
    for spec in strategy or []:  # a strategy in a file is found by its file, not by its name
        named = f"--strategy {strategy_class(spec).name} "
        verdict = verdict.leading_to(verdict.next_step.replace(named, f"--strategy {shlex.quote(spec)} "))
    say_verdict(verdict, method_lines(found), details=details)
    for item in found.judged:
        say(f"{item.measure}, {item.limit}: {item.verdict}; {item.measured}: {item.because}.")
    if details:
        for table in (line_table(found), parameter_table(found), group_table(found)):
            if table is not None:
                show(table)
        for line in found.lines:
            if line.fault or line.why:
                say(f"  {line.recording}: {f'not studied: {line.fault}' if line.fault else line.why}")
    else:
        warn("More: --details shows every recording, every parameter, lots and conditions.")
    if found.written:
        warn(f"Written to {out}: study.html, study.json, and all rows as Parquet in rows/.")
        if found.failed:
            warn("What failed is kept as failed. To work it again:")
            typer.echo(f"  {given_again(context, retry=True)}", err=True)  # never broken into lines
    elif out is not None:
        warn(unwritten)
    raise typer.Exit(code)


def _with_grids(strategies: list[_Asked], texts: list[str]) -> list[_Asked]:
    """Return the strategies with their typed grids."""
    from teachlab.teaching.parameters import parse_assignments, parse_parameters

    grids: list[Any] = [dict(grid) if isinstance(grid, dict) else grid for _, grid in strategies]
    for key, text in parse_assignments(texts).items():
        owner, _, name = key.rpartition(".")
        meant = [
            k for k, (made, _) in enumerate(strategies) if owner == made.name or (not owner and len(strategies) == 1)
        ]
        if len(meant) != 1 or not isinstance(grids[meant[0]], dict):
            names = ", ".join(made.name for made, _ in strategies)
            raise ParameterError(f"--grid takes STRATEGY.PARAMETER=VALUES with one of {names}, got '{key}={text}'.")
        made = strategies[meant[0]][0]
        values = _numbered(key, text) if ":" in text else text.split(",")
        grids[meant[0]][name] = [parse_parameters(made, {name: value.strip()})[name] for value in values]
    return [(made, grid) for (made, _), grid in zip(strategies, grids, strict=True)]


def _numbered(key: str, text: str) -> list[str]:
    from teachlab.studies.family.configurations import spaced

    parts = text.split(":")
    try:
        low, high, count = float(parts[0]), float(parts[1]), int(parts[2])
        if len(parts) != 3 or count < 2 or not abs(high - low) < float("inf"):
            raise ValueError
    except (ValueError, IndexError):
        raise ParameterError(f"--grid takes LOW:HIGH:COUNT, such as {key}=0.3:0.7:5, got '{key}={text}'.") from None
    return [f"{value:.17g}" for value in spaced(low, high, count)]


def _condition(text: str) -> tuple[str, dict[str, float]]:
    name, _, numbers = text.partition("=")
    parts = numbers.split(",")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if not name or not 1 <= len(values) <= 3:
        raise ParameterError(f"--condition takes NAME=GAIN[,AMBIENT[,PEDESTAL]], such as dirty=0.7, got '{text}'.")
    return name, dict(zip(("gain", "ambient", "pedestal"), values, strict=False))


def _longest(lines: Iterable[StudiedLine]) -> int:
    """Return the samples of the longest recording that can be opened."""
    longest = 0
    for line in lines:
        with suppress(TeachlabError):
            longest = max(longest, line.open()[0].samples)
    return longest


def _say_ahead(ahead: WorkAhead) -> None:
    say(
        f"{ahead.recordings_left} of {number_of(ahead.recordings, 'recording')} and {ahead.rows_left:,} of "
        f"{number_of(ahead.rows, 'row is', 'rows are')} to be worked."
    )
    if ahead.seconds is not None:
        say(f"Time: about {span_text(ahead.seconds)}, measured on {ahead.tried}.")
    say(
        f"Memory: about {ahead.worker_bytes / 1e6:,.0f} MB in each worker, {ahead.here_bytes / 1e6:,.0f} MB in this "
        "process."
    )


def span_text(seconds: float) -> str:
    """Return a time in the unit that suits it.

    Examples
    --------
    >>> span_text(42), span_text(400), span_text(9000)
    ('42 s', '7 min', '2.5 h')
    """
    if seconds < 100:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 6000 else f"{seconds / 3600:.1f} h"
