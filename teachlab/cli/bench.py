"""The command `bench`: strategies × recordings × draws, ranked with intervals."""

from __future__ import annotations

from dataclasses import replace
from itertools import zip_longest
from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli import options as opt
from teachlab.cli.again import carried, given_again
from teachlab.cli.console import NOT_ENOUGH, emit_json, if_pair_faster, progress, say, say_lines, show, warn
from teachlab.cli.opening import load_base, named_strategies, open_all, teachers
from teachlab.errors import ParameterError
from teachlab.model.printable_text import typed_again

if TYPE_CHECKING:
    from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth
    from teachlab.studies.result import RecordingBench

NAMED = 3
"""Number of strategies named before a reason that they share."""


def bench_command(
    context: typer.Context,
    recordings: Annotated[list[str], typer.Argument(help="Recordings: NAME.parquet …, folders, patterns, addresses.")],
    strategy: Annotated[
        list[str] | None,
        typer.Option(
            help="Strategy to compare; may be given several times. all: every installed one that needs no parameter "
            "from you. Default: those that serve most lines."
        ),
    ] = None,
    set_: opt.Assignments = None,
    truth: opt.PassesOfOne = None,
    base: opt.Base = None,
    draws: opt.Draws = 200,
    seed: opt.Seed = 0,
    teach_share: opt.TeachShare = 0.3,
    tolerance_ms: opt.Tolerance = 0.0,
    cost_miss: opt.CostMiss = 1.0,
    cost_false: opt.CostFalse = 1.0,
    confidence: opt.Confidence = 0.95,
    device: opt.DeviceFile = None,
    out: Annotated[str | None, typer.Option(help="Folder for draws.parquet, bench.json and the figures.")] = None,
    jobs: Annotated[int, typer.Option(help="Recordings processed at the same time. 0: one per core.")] = 0,
    assume: opt.Assume = "lots",
    accept_cost: opt.AcceptCost = 0.05,
    details: opt.Details = False,
    json: opt.Json = False,
) -> None:
    """Compare teach methods: teach many times on the first passes, score on the rest.

    With --device, every setting is given in its steps. Exit code 3: the steps are too coarse for every setting.
    """
    from teachlab.data.recording_places import find_recordings
    from teachlab.device.device_file import read_device
    from teachlab.device.keyed_in import REFUSED
    from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
    from teachlab.model.draws import Costs, DrawOptions
    from teachlab.model.score import Rules
    from teachlab.questions.verdict import JudgedBy
    from teachlab.statistics.claims.lot_claims import assumption_from
    from teachlab.studies.document import bench_document
    from teachlab.studies.many_recordings import bench_files, write_bench
    from teachlab.switching.fitting import naming
    from teachlab.wording.alignment import lead_lines

    if len(set(recordings)) < len(recordings):
        raise ParameterError("a recording is named twice; name every one once.")
    recordings = find_recordings(recordings, left_out=out)
    options = DrawOptions(
        draws=draws,
        seed=seed,
        teach_share=teach_share,
        rules=Rules(tolerance_ms=tolerance_ms, confidence=confidence),
        base=load_base(base),
        costs=Costs(miss=cost_miss, false=cost_false),
    )
    known = None if device is None else read_device(device)
    strategies = teachers(named_strategies(strategy or []), set_ or [])
    opened = open_all(recordings, truth)
    with naming(base, ", ".join(recordings)), progress("benching", quiet=json) as report:
        longest = max(recording.samples for recording, _ in opened)
        told = report if json else if_pair_faster(report, [options.base], lambda: longest)
        benches = bench_files(
            recordings, strategies, options=options, truth=truth,
            by=JudgedBy(accepted=accept_cost, assumption=assumption_from(assume)), out=out, jobs=jobs,
            keep=given_again(context, out="results"), device=known, progress=told,
        )  # fmt: skip
    benches = [replace(one, verdict=one.verdict.leading_to(carried(one.verdict.next_step))) for one in benches]
    rate, written = options.evaluation_rate_hz, []
    # The light of every pass is needed for the figure and the reasons only: it takes another reading.
    extremes = [
        PassAndGapExtremes.of(r, passes, evaluation_rate_hz=rate, rules=options.rules)
        for r, passes in (opened if out is not None or (details and not json) else ())
    ]
    if out is not None:
        written = write_bench(benches, out, recordings=[(*pair, e) for pair, e in zip(opened, extremes, strict=True)])
    refused = any(bench.verdict.decision == REFUSED for bench in benches)
    if json:
        emit_json(bench_document(benches))
        if refused:
            raise typer.Exit(NOT_ENOUGH)
        return
    for path, bench, (light, passes), measured in zip_longest(recordings, benches, opened, extremes):
        say_lines(lead_lines(bench.alignment, path, truth, step=bench.verdict.next_step))
        print_bench(bench, light, passes, measured, details=details)
    if written and details:
        say(f"Written to {out}: {', '.join(path.name for path in written)}.")
    if not details:
        warn("More: --details." + (f" Written to {out}." if written else ""))
        settings = [path for path in written if path.name.endswith(".setting.json")]
        if len(recordings) == len(settings) == 1:
            of = typed_again(recordings[0], truth=truth, setting=str(settings[0]))
            if device is None:
                warn(carried(f"Drag its levels: teachlab explore {of} --out page.html"))
            else:
                warn(carried(f"Take it to the line: teachlab card {of} --out card.html"))
    if refused:
        raise typer.Exit(NOT_ENOUGH)


def print_bench(
    bench: RecordingBench,
    recording: Recording,
    truth: Truth,
    extremes: PassAndGapExtremes | None,
    *,
    details: bool = False,
) -> None:
    """Print the verdict on one recording with the ranking; with details all tables and reasons below it."""
    from teachlab.scoring.reasons import reasons_of
    from teachlab.studies.bench_verdict import ranking_lines
    from teachlab.studies.tables import (
        interval_table,
        label_table,
        margin_table,
        ranking_table,
        reason_lines,
        spread_table,
    )
    from teachlab.wording.lines import wrapped
    from teachlab.wording.verdict import MOST_LINES, REFUSED, verdict_lines

    rows = () if details else ranking_lines(bench)
    ceiling = bench.ceiling.sentence() if details else bench.ceiling.brief()
    # What no setting gets right on passes that lie beside the light is no limit of any setting.
    beside = bench.alignment is not None and bench.alignment.matters and bench.verdict.decision in REFUSED
    last = [] if beside and not details else wrapped(ceiling)
    say_lines(verdict_lines(bench.verdict, rows, details=details, most=MOST_LINES - len(last), remarks=1))
    say_lines(last)
    if not details:
        return
    for table in (ranking_table, spread_table, interval_table, margin_table):
        show(table(bench))
    chosen = bench.recommendation
    if chosen is not None and chosen.worth.clearance is not None:
        say(f"{chosen.strategy}, on the half that its claim rests on: {chosen.worth.clearance.sentence(bench.unit)}")
    if (labels := label_table(bench)) is not None:
        show(labels)
    shared: dict[str, list[str]] = {}
    for result in bench.results:
        if result.median_draw is None or result.median_draw.setting is None or result.median_score is None:
            continue
        why = reasons_of(
            recording, truth, result.median_draw.setting, result.median_score,
            rules=bench.options.rules, extremes=extremes,
        )  # fmt: skip
        for reason in why.lines():
            shared.setdefault(reason, []).append(result.strategy)
    for reason, names in shared.items():
        more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
        say(f"  {', '.join(names[:NAMED])}{more}: {reason}{'' if reason.endswith('?') else '.'}")
    for line in reason_lines(bench):
        say(f"  {line}.")
