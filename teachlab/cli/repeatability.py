"""The command `repeatability`: how different other pieces, persons or lots would have taught."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from teachlab.cli import options as opt
from teachlab.cli.console import emit_json, if_pair_faster, note_last, progress, say, say_verdict, show
from teachlab.cli.opening import load_base, open_all, teachers
from teachlab.errors import ParameterError
from teachlab.model.printable_text import Lines, in_figures, level_text, number_of, typed_again
from teachlab.wording.notes import passes_notes

if TYPE_CHECKING:
    from teachlab.model.setting import Setting
    from teachlab.questions.repeatability.by_group import ByGroup
    from teachlab.questions.repeatability.study import Study
    from teachlab.questions.repeatability.values import Limit
    from teachlab.statistics.variance_components import LossAgreement

TRIPS = "false_trips_per_running_hour"
SHOWN = (
    ("on_level", "on-level", 4),
    ("off_level", "off-level", 4),
    ("lost_rate", "lost, %", 3),
    (TRIPS, "false trips per {}", 3),
    ("extra_per_pass", "extra per pass", 3),
    ("regret", "regret per pass", 3),
)


def repeatability_command(
    recordings: Annotated[list[str], typer.Argument(help="Recordings: NAME.parquet …, one per person or shift.")],
    strategy: Annotated[list[str], typer.Option(help="Strategy to repeat. May be given several times.")],
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
    limit: Annotated[
        list[str] | None,
        typer.Option(help="What is too bad: lost_rate=0.001 (at most) or on_level=40:60. May be given several times."),
    ] = None,
    vary: Annotated[
        list[str] | None,
        typer.Option(
            help="Repeat with other values of a parameter: sweep_passes=1,2,5,10,30. May be given several times."
        ),
    ] = None,
    average: Annotated[str, typer.Option(help="How many teachings to average into one setting: 2,5,10.")] = "",
    taught: Annotated[
        list[str] | None,
        typer.Option(help="A setting that somebody taught: NAME=SETTING.json. May be given several times."),
    ] = None,
    by: Annotated[str, typer.Option(help="Column of the passes that names the groups: lot, label or none.")] = "lot",
    passes_per_teaching: Annotated[int, typer.Option(help="Passes that a teaching of one group is shown.")] = 5,
    out: opt.Figures = None,
    details: opt.Details = False,
    json: opt.Json = False,
) -> None:
    """Would another person, or another day, teach the same? How level and score spread."""
    from teachlab.cli.writing import kind_of, write_results
    from teachlab.model.draws import Costs, DrawOptions
    from teachlab.model.score import Rules
    from teachlab.questions.repeatability import repeatability
    from teachlab.questions.repeatability.figure import cloud_figure
    from teachlab.questions.repeatability.study import Question
    from teachlab.questions.repeatability.values import USUAL_LIMITS
    from teachlab.switching.fitting import naming

    targets = [(name, kind_of(name)) for name in out or []]
    options = DrawOptions(
        draws=draws, seed=seed, teach_share=teach_share, base=load_base(base),
        rules=Rules(tolerance_ms=tolerance_ms, confidence=confidence),
        costs=Costs(miss=cost_miss, false=cost_false),
    )  # fmt: skip
    question = Question(
        vary=_varied(vary) if vary else None, average=_whole("--average", average) if average else (),
        by="" if by == "none" else by, passes=passes_per_teaching,
        limits=tuple(_limit(text) for text in limit) if limit else USUAL_LIMITS,
    )  # fmt: skip
    subjects = teachers(strategy, set_ or [])
    given = _settings(taught or [])
    opened = open_all(recordings, truth)
    with naming(base, ", ".join(recordings)), progress("repeating", quiet=json) as report:
        longest = max(recording.samples for recording, _ in opened)
        told = report if json else if_pair_faster(report, [options.base], lambda: longest)
        answer = repeatability(opened, subjects, options=options, question=question, taught=given, progress=told)
    note_last(*passes_notes(opened))
    on = typed_again(*recordings, truth=truth)
    named = "".join(f" --strategy {shlex.quote(name)}" for name in strategy)
    verdict, step = answer.verdict, f"teachlab bench {on}{named} --out results"
    if answer.next_look:
        step = f"{answer.next_look} Compare the others: teachlab bench {on} --out results"
    elif verdict.decision == "too few teachings":
        step = f"teachlab repeatability {on}{named} --draws 200"
    elif verdict.decision == "wrong every time":
        # The same strategy would fail again.
        step = f"teachlab bench {on} --out results"
    if answer.off is not None and (lies := answer.alignments[answer.off]) is not None:
        step = lies.command(recordings[answer.off], truth)
    verdict = verdict.leading_to(step)
    studies, document = answer.studies, answer.as_dict() | {"verdict": verdict.as_dict()}

    def drawn(kind: str) -> bytes:
        if len(studies) > 1:
            raise ParameterError("a figure shows a single recording; write .json, or name one recording.")
        ready, (study,) = document["recordings"][0], studies
        return cloud_figure(ready["strategies"], ready["best"], study.unit, title=study.recording, kind=kind)

    write_results(targets, document, drawn)
    if json:
        emit_json(document)
        return
    say_verdict(verdict, details=details)
    if not details:
        return
    for found in studies:
        _tell(found, draws)
    if not answer.between:
        say("All of this holds for this recording. Name several recordings to see the spread between them.")
    for name, group in answer.between:
        _tell_groups(group, studies[0], f"{name}, between recordings")


def _limit(text: str) -> Limit:
    from teachlab.questions.repeatability.values import Limit

    name, equals, value = text.partition("=")
    low, colon, high = value.partition(":")
    try:
        if not equals:
            raise ValueError
        if colon:
            return Limit(measure=name.replace("-", "_"), low=float(low), high=float(high))
        return Limit(measure=name.replace("-", "_"), high=float(value))
    except ValueError:
        raise ParameterError(f"--limit takes MEASURE=MOST or MEASURE=LOW:HIGH, got '{text}'.") from None


def _varied(texts: Sequence[str]) -> dict[str, tuple[int, ...]]:
    out: dict[str, tuple[int, ...]] = {}
    for text in texts:
        name, _, values = text.partition("=")
        out[name.replace("-", "_")] = _whole("--vary", values)
    return out


def _whole(option: str, text: str) -> tuple[int, ...]:
    try:
        values = tuple(int(part) for part in text.split(","))
        if min(values) < 1:
            raise ValueError
    except ValueError:
        raise ParameterError(f"{option} takes whole numbers of at least 1: 1,2,5,10; got '{text}'.") from None
    return values


def _settings(texts: Sequence[str]) -> list[tuple[str, Setting]]:
    from teachlab.data.setting_files import read_setting

    out = []
    for text in texts:
        name, equals, path = text.partition("=")
        if not (name and equals and path):
            raise ParameterError(f"--taught takes NAME=SETTING.json, got '{text}'.")
        out.append((name, read_setting(path)))
    return out


def _cell(spread: dict[str, Any], name: str, digits: int, an_hour_has: float) -> str:
    factor = {"lost_rate": 100, TRIPS: 1 / an_hour_has}.get(name, 1)

    def text(value: float | None) -> str:
        return in_figures(None if value is None else factor * value, digits)

    middle, low, high = (text(spread[key]) for key in ("median", "p05", "p95"))
    return middle if low == high else Lines.of(middle, f"[{low},\u00a0{high}]")


def _tell(found: Study, draws: int) -> None:
    from teachlab.model.json_values import plain
    from teachlab.questions.repeatability.figure import name_of
    from teachlab.wording.rates import time_unit
    from teachlab.wording.tables import plain_table

    word, of = time_unit(found.scored_hours)
    table = plain_table(
        f"{found.recording}: {number_of(draws, 'draw')} from {found.teach_passes} teach passes, scored on "
        f"{found.scored_passes}; levels in {found.unit}",
        "median [5 %, 95 %] over the draws that gave a setting, sd of the on-level. All draws come from the one teach "
        "block of this recording; another day is another block",
    )
    table.add_column("taught", min_width=21)
    for _, title, _ in SHOWN:
        table.add_column(title.format(word), justify="right")
    table.add_column("no setting", justify="right")
    for one in found.strategies:
        clouds = [one.cloud, *(cloud for _, _, cloud in one.varied), *one.averaged]
        names = [None, *(f"  {key} = {value}" for key, value, _ in one.varied), *([None] * len(one.averaged))]
        for cloud, name in zip(clouds, names, strict=True):
            ready = plain(cloud.as_dict())
            if not ready["spreads"]:
                cells = ["–"] * len(SHOWN)
            else:
                cells = [_cell(ready["spreads"][key], key, digits, of) for key, _, digits in SHOWN]
                sd = ready["spreads"]["on_level"]["sd"]
                cells[0] = Lines.of(*cells[0].split("\n"), f"sd {in_figures(sd, 3)}" if sd else "")
            table.add_row(name or name_of(ready), *cells, str(cloud.abstained.events))
    show(table)
    if found.best is not None:
        a, b = found.best.on_interval
        cost = found.best.cost
        what = "nothing is lost or false" if cost == 0 else f"the cost is least, {cost:.3g} per pass,"
        off = found.best.setting.off_level
        from_, to, release = map(level_text, (a, b, off))
        low = f"above {from_}, up to {to}" if found.best.open_below[0] else f"from {from_} to {to}"
        say(f"In hindsight {what} for on-levels {low} at off-level {release}.")
    for one in found.strategies:
        for limits, rate in one.cloud.worse:
            whole = limits.low == float("-inf")
            bad = f"above {limits.high:g}" if whole else f"outside {limits.low:g} to {limits.high:g}"
            say(
                f"{one.cloud.strategy}: {limits.measure} {bad} in {rate.events} of {number_of(rate.trials, 'draw')}: "
                f"{100 * rate.low:.3g} to {100 * rate.high:.3g} % of draws from this block."
            )
        if one.groups is not None:
            _tell_groups(one.groups, found, f"{one.cloud.strategy}, between {one.groups.what}")
        if one.agreement is not None:
            _tell_agreement(one.agreement, f"{one.cloud.strategy}: {number_of(one.agreement.settings, 'draw')}")
    for name, measures in found.settings:
        say(
            f"Taught by {name}: on {level_text(measures['on_level'])}, off {level_text(measures['off_level'])}, lost "
            f"{100 * measures['lost_rate']:.3g} %, regret {measures['regret']:.3g} per pass."
        )
    if found.people is not None:
        _tell_groups(found.people, found, "given settings, between people")
    if found.settings_agreement is not None:
        _tell_agreement(found.settings_agreement, f"{found.settings_agreement.settings} given settings")


FIGURES = {
    "on_level": "on-level", "off_level": "off-level", "hysteresis": "hysteresis", "lost_rate": "lost rate",
    TRIPS: "false trips per running {}", "extra_per_pass": "extra switchings per pass",
    "cost": "cost per pass",
}  # fmt: skip


def _tell_groups(group: ByGroup, of: Study, what: str) -> None:
    from teachlab.statistics.variance_components import ASSUMES
    from teachlab.wording.rates import time_unit

    if group.components is None:
        say(f"{what}: {group.refused}.")
        return
    n = group.components
    say(
        f"{what}: {number_of(n.values, 'teaching')} in {number_of(n.groups, 'group')}; share: of the variance that "
        f"lies between."
    )
    word, an_hour_has = time_unit(of.scored_hours)
    for key, figure in group.figures.items():
        found, named, parts = figure.components, FIGURES[key].format(word), an_hour_has if key == TRIPS else 1.0
        if found is None:
            say(f"  {named}: {figure.refused}.")
            continue
        if found.between_ss == found.within_ss == 0:
            say(f"  {named}: {in_figures(found.mean / parts)} every time.")
            continue
        share = "–" if found.share is None else f"{100 * found.share:.3g} %"
        p = "" if found.p is None else f"; p = {found.p:.2g}"
        in_unit = f" {of.unit}" if key in {"on_level", "off_level", "hysteresis"} else ""
        between, within, whole = (
            in_figures(sd / parts, 3) for sd in (found.between_sd, found.repeatability_sd, found.reproducibility_sd)
        )
        say(
            f"  {named}: sd between {between}, within (repeatability) {within}, in all (reproducibility) "
            f"{whole}{in_unit}; share {share} ({100 * found.share_low:.3g} to {100 * found.share_high:.3g} %{p})."
        )
    say(f"  The interval of a share holds if {ASSUMES}.")


def _tell_agreement(found: LossAgreement, what: str) -> None:
    kappa = "all or none is lost, nothing to agree on" if found.kappa is None else f"Fleiss' kappa {found.kappa:.3g}"
    say(
        f"{what} on the same {number_of(found.passes, 'pass', 'passes')}: "
        f"{number_of(found.lost_by_every, 'pass', 'passes')} lost by every one, {found.lost_by_some} by some; {kappa}."
    )
