"""The command `replay`: output edges and score of one setting."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from teachlab.cli import options as opt
from teachlab.cli.console import emit_json, note_last, note_written, progress, say, say_lines, say_verdict, show
from teachlab.cli.writing import picture_kind, write_results
from teachlab.model.printable_text import cut, in_figures, number_of, time_text, typed_again
from teachlab.wording.notes import passes_note

if TYPE_CHECKING:
    from rich.table import Table

    from teachlab.model.margin import Margin
    from teachlab.model.score import Score
    from teachlab.model.verdict import Verdict
    from teachlab.questions.replay import ReplayAnswer
    from teachlab.statistics.lots import Dependence


def replay_command(
    recording: opt.RecordingFile,
    setting: Annotated[str, typer.Option(help="Setting to replay: JSON.")],
    truth: opt.PassesFile = None,
    tolerance_ms: opt.Tolerance = 0.0,
    confidence: opt.Confidence = 0.95,
    margin: opt.Margins = True,
    reserves: Annotated[
        bool, typer.Option(help="Measure too how much light may be lost, or added, before the first fault.")
    ] = False,
    assume: opt.Assume = "lots",
    accept_cost: opt.AcceptCost = 0.05,
    edges: Annotated[str | None, typer.Option(help="Write the output's edges: .csv or .parquet.")] = None,
    plot: Annotated[
        str | None, typer.Option(help="Draw where in the pass it switches, by light and kind: .svg or .png.")
    ] = None,
    details: opt.Details = False,
    json: opt.Json = False,
) -> None:
    """Replay a recording through a setting: which passes are lost, where it trips, and why."""
    from teachlab.data.edge_files import write_edges
    from teachlab.data.opening import open_with_passes
    from teachlab.data.setting_files import read_setting
    from teachlab.model.score import Rules
    from teachlab.questions.replay import replayed
    from teachlab.questions.surface.position_figure import position_figure
    from teachlab.questions.verdict import FilesJudged, JudgedBy
    from teachlab.statistics.bursts import Bursts
    from teachlab.statistics.claims.lot_claims import assumption_from
    from teachlab.statistics.lots import Dependence
    from teachlab.switching.fitting import naming
    from teachlab.wording.alignment import lead_lines
    from teachlab.wording.position import position_lines, position_table
    from teachlab.wording.rates import time_unit

    rules = Rules(tolerance_ms=tolerance_ms, confidence=confidence)
    kind = picture_kind(plot)
    chosen = read_setting(setting)
    opened, passes = open_with_passes(recording, truth)
    files = FilesJudged(recording=recording, setting=setting, truth=truth)
    by = JudgedBy(accepted=accept_cost, assumption=assumption_from(assume), files=files)
    with naming(setting, recording), progress(f"replaying {opened.name}", quiet=json) as report:
        found = replayed(
            opened, passes, chosen, rules=rules, margins=margin, with_reserves=reserves, by=by, progress=report
        )
    worth, output = found.worth, found.output
    if worth is not None and worth.left_out:
        note_last(f"Margin and reserves are left out: {worth.left_out}")
    if edges is not None:
        write_edges(edges, output.onsets, output.releases, opened.info.sample_rate_hz)
        note_written(edges)
    if plot is not None:
        if worth is None or worth.position is None:
            note_last(f"{plot} is not written: no pass was hit, so there is no position to draw.")
        else:
            position = worth.position
            write_results(
                [(plot, kind)], {}, lambda kind: position_figure(position, found.unit, title=opened.name, kind=kind)
            )
    note_last(passes_note(passes))
    if json:
        emit_json(found.as_dict())
        return
    step = "" if found.verdict is None else found.verdict.next_step
    say_lines(lead_lines(found.alignment, recording, truth, step=step))
    if worth is not None and found.verdict is not None:
        say_verdict(found.verdict, () if details else _counts(worth.score, found.verdict), details=details)
        if not details:
            return
    if worth is None:
        say("Nothing is scored: there is no table of passes.")
    say(f"{opened.name}: {opened.samples:,} samples at {opened.info.sample_rate_hz:g} Hz, {opened.seconds:.4g} s")
    began = "active" if output.active_at_start else "inactive"
    edges = f"{number_of(output.onsets.size, 'onset')}, {number_of(output.releases.size, 'release')}"
    say(f"{edges}; at the start: {began}")
    say_lines(_reference_lines(output, opened.info.unit))
    if worth is None:
        say(f"Next: teachlab label {typed_again(recording)}")
        return
    result = worth.score
    show(_table(result))
    if isinstance(found.dependence, Dependence):
        say_lines(dependence_lines(found.dependence))
    bursts = found.dependent.get("false_trips_per_running_hour")
    if isinstance(bursts, Bursts) and bursts.design_effect is not None:
        word, of = time_unit(result.running_hours)
        low, high, upper = (f"{value / of:.3g}" for value in (bursts.low, bursts.high, bursts.upper))
        say(
            f"false trips allowing for bursts: [{low}, {high}] per running {word}, upper bound "
            f"{upper}; design effect {bursts.design_effect:.3g} from {bursts.basis}"
        )
    if worth.margin is not None:
        show(margin_table(worth.margin, found.unit, worth.reserves))
    if worth.clearance is not None:
        say(worth.clearance.sentence(found.unit))
    if worth.position is not None:
        say_lines(position_lines(worth.position, found.unit))
        show(position_table(worth.position))
    say_lines(_why(found))


def _why(found: ReplayAnswer) -> list[str]:
    """Say why passes were lost and gaps tripped; without the light, only what the edges show."""
    lines = [] if found.reasons is None else [f"  {line}." for line in found.reasons.lines()]
    if found.early_s:
        least, most = (f"{1000 * by:.3g}" for by in (min(found.early_s), max(found.early_s)))
        lines.append(
            f"  {len(found.early_s)} of the false trips began {most if least == most else f'{least} to {most}'} ms "
            f"before the pass that they lasted into; a sample takes {1000 / found.sample_rate_hz:.3g} ms."
        )
    return lines


def _counts(result: Score, verdict: Verdict) -> list[str]:
    """Return the counts over the whole recording in two lines, and how many passes are no part of the claim."""
    n = result.counts
    apart = n.scored_passes - ((verdict.claim and verdict.claim.passes) or 0)
    beside = f"; {apart} {'is' if apart == 1 else 'are'} left out of the claim" if 0 < apart < n.scored_passes else ""
    ignored = ""
    if n.ignore_passes:
        trips = number_of(n.ignore_false_trips, "switching")
        ignored = f"; {trips} on {number_of(n.scored_ignore_passes, 'pass', 'passes')} to be ignored"
    excluded = (
        f"; {number_of(n.excluded_passes, 'pass', 'passes')} and {number_of(n.excluded_gaps, 'gap')} are no trials"
        if n.excluded_passes
        else ""
    )
    return [
        f"  lost {n.lost} of {n.scored_passes} passes (missed {n.misses}, merged {n.merged}), "
        f"{number_of(n.extra, 'extra switching')}{beside}",
        f"  {number_of(n.false_trips, 'false trip')} in {number_of(n.gaps, 'gap')}, "
        f"{time_text(3.6e6 * result.running_hours)}{ignored}{excluded}",
    ]


def _reference_lines(output: Any, unit: str) -> list[str]:
    followed = output.followed
    if followed is None:
        return []
    text = f"reference from {followed.lowest:.6g} to {followed.highest:.6g} {unit}, at the end {followed.last:.6g}"
    lines = [f"{text}; set anew {number_of(followed.releases.size, 'time')}"]
    if alarms := followed.alarm.rises().size:
        lines.append(f"ALARM: the reference would have left its limits {number_of(alarms, 'time')}")
    return lines


def _table(result: Any) -> Any:
    from rich.table import Table

    from teachlab.wording.rates import SHOWN_GROUPS, count_text, rate_text

    n = result.counts
    groups = {title: rates for title, rates in (("label", result.by_label), ("lot", result.by_lot)) if len(rates) > 1}
    grouped = [f"{title}s" for title in groups]
    table = Table(
        title=f"Score, exact {100 * result.confidence:g} % intervals; they assume independent passes "
        "(no lots, no bursts)",
        title_justify="left",
        caption=f"{' and '.join(grouped)}: those with most losses first" if grouped else None,
        caption_justify="left",
    )
    table.add_column("what")
    table.add_column("count, rate and interval")
    table.add_row("lost passes", rate_text(result.lost_rate))
    table.add_row("  missed", rate_text(result.miss_rate))
    table.add_row("  merged", rate_text(result.merged_rate))
    table.add_row("false trips (headline)", count_text(result.false_trips_per_running_hour))
    table.add_row("false trips", count_text(result.false_trips_per_gap_hour))
    table.add_row("gaps tripped", rate_text(result.false_trips_per_gap))
    table.add_row("extra switchings", count_text(result.extra_per_pass))
    if n.ignore_passes:
        table.add_row("trips on passes to be ignored", count_text(result.ignore_trips_per_pass))
        table.add_row("held over passes to be ignored", str(n.ignore_held))
    table.add_row("excluded", f"{n.excluded_passes} passes, {n.excluded_gaps} gaps, {n.excluded_onsets} onsets")
    if result.false_active_share is not None:
        table.add_row("false-active share of gap time", f"{100 * result.false_active_share:.3g} %")
    for title, rates in groups.items():
        worst = sorted(rates.items(), key=lambda one: -one[1].events)
        for name, rate in worst[:SHOWN_GROUPS]:
            called = name if name.startswith(title) else f"{title} {name or '(none)'}"
            table.add_row(f"lost, {called}", rate_text(rate))
        if left := worst[SHOWN_GROUPS:]:
            lost = sum(rate.events for _, rate in left)
            table.add_row(f"lost, {len(left)} more {title}s", f"{lost}; --json lists them all")
    return table


def margin_table(margin: Margin, unit: str, left: Mapping[str, float | None] | None = None) -> Table:
    """Return margins and reserves as a table for people."""
    from rich.table import Table

    def number(value: float | None, after: str = "") -> str:
        return "nothing to measure" if value is None else f"{in_figures(value, 3)}{after}"

    table = Table(title="Margin to noise, in units of the local noise", title_justify="left")
    table.add_column("what")
    table.add_column("value")
    limit = "" if margin.limited_by is None else f", limited by {margin.limited_by}"
    table.add_row("margin to noise", number(margin.to_noise) + limit)
    for name in margin.sides.__slots__:
        still = name in margin.no_variance
        table.add_row(f"  {name}", "variance not visible: saturated" if still else number(getattr(margin.sides, name)))
    table.add_row("population figure, standard deviations", number(margin.population.smallest))
    table.add_row("excess gain, light side", number(margin.excess_gain.light))
    table.add_row("excess gain, dark side", number(margin.excess_gain.dark))
    if left is not None:
        from teachlab.wording.rates import reserve_percent

        loss, rise = left["contamination_reserve"], left["ambient_reserve"]
        none = "none: it makes an error without any stress"
        dirt = none if loss is None else f"{reserve_percent(loss)} of the light may be lost"
        if left.get("share_of_light_refused"):
            dirt = "not known: light lies below the dark level; state that level: import --dark-level"
        table.add_row("contamination reserve", dirt)
        table.add_row("ambient reserve", none if rise is None else f"{in_figures(cut(rise, 4))} {unit} may be added")
    table.add_row("hysteresis to the noise range of one edge", number(margin.hysteresis_to_noise))
    table.add_row("hysteresis to local noise", number(margin.hysteresis_to_sigma))
    table.add_row("noise on objects", number(margin.noise_object, f" {unit}"))
    table.add_row("noise of the background", number(margin.noise_background, f" {unit}"))
    share = 100 * margin.quantile_share
    table.caption = (
        f"from {margin.passes} passes and {margin.gaps} gaps, leaving {share:g} % beyond; peaks that last for "
        f"{number_of(margin.sustained_evaluations, 'evaluation')}"
    )
    return table


def dependence_lines(found: Dependence) -> list[str]:
    """Say what the lost rate is if passes of one lot resemble each other."""
    from teachlab.wording.rates import lower_percent

    effect = "" if found.measured is None else f" ({found.measured:.3g} measured)"
    return [
        f"lost passes allowing for lots: [{lower_percent(found.low)}, {100 * found.high:.3g}] %, upper bound "
        f"{100 * found.upper:.3g} % (naive [{lower_percent(found.naive.low)}, {100 * found.naive.high:.3g}] %); design "
        f"effect {found.design_effect:.3g}{effect} from {found.basis}",
        *(f"  {warning}" for warning in found.warnings),
        *(dependence_lines(found.by_proxy) if found.by_proxy is not None else ()),
    ]
