"""The command `surface`: what every pair of levels would have done."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from teachlab.cli import options as opt
from teachlab.cli.console import emit_json, if_faster, note_last, progress, say, say_lines, say_verdict
from teachlab.cli.opening import load_base, open_all, teachers
from teachlab.cli.writing import kind_of, write_results
from teachlab.errors import ParameterError
from teachlab.model.printable_text import level_text, number_of, typed_again
from teachlab.wording.notes import passes_notes

if TYPE_CHECKING:
    from teachlab.model.setting import Setting
    from teachlab.questions.surface.cloud import SurfaceCloud
    from teachlab.questions.surface.hindsight import Hindsight
    from teachlab.questions.surface.values.table import Surface

FASTER = "With the extra 'fast' counting is about 3 times as fast: pip install 'teachlab[fast]'"
"""Measured 3.4 to 4 times on a million samples of clean, noisy and chattering light."""


_TRIPS = {"false_trips": "false trip", "ignore_trips": "ignore trip"}


def surface_command(
    recordings: Annotated[list[str], typer.Argument(help="Recordings: NAME.parquet …; counts are added up.")],
    truth: opt.PassesOfOne = None,
    tolerance_ms: opt.Tolerance = 0.0,
    base: opt.Base = None,
    setting: Annotated[
        list[str] | None, typer.Option(help="Setting to look up and mark. May be given several times.")
    ] = None,
    strategy: Annotated[
        str | None,
        typer.Option("--strategy", "--cloud", help="Strategy to teach and mark, with many teachings around it."),
    ] = None,
    set_: opt.Assignments = None,
    draws: opt.Draws = 200,
    seed: opt.Seed = 0,
    levels: Annotated[str | None, typer.Option(help="Levels to count at: LOW:HIGH:HOW_MANY.")] = None,
    device: opt.DeviceFile = None,
    on_delay: Annotated[
        str | None, typer.Option(help="On-delays counted with every level, ms: LOW:HIGH or LOW:HIGH:HOW_MANY.")
    ] = None,
    off_delay: Annotated[
        str | None, typer.Option(help="Off-delays counted with every level, ms: LOW:HIGH or LOW:HIGH:HOW_MANY.")
    ] = None,
    cost_miss: opt.CostMiss = 1.0,
    cost_false: opt.CostFalse = 1.0,
    out: opt.Figures = None,
    details: opt.Details = False,
    json: opt.Json = False,
) -> None:
    """Count errors for every pair of levels, and name the best in hindsight."""
    from teachlab.data.setting_files import read_setting
    from teachlab.model.draws import Costs, DrawOptions
    from teachlab.model.following_and_window import fixed_levels
    from teachlab.model.score import Rules
    from teachlab.questions.surface import operating_surface
    from teachlab.questions.surface.figure import MarkedSetting, delay_figure, surface_figure
    from teachlab.switching.fitting import refuse_unfit

    targets = [(name, kind_of(name)) for name in out or []]
    if set_ and strategy is None:
        raise ParameterError("--set needs --strategy: it sets a parameter of the strategy.")
    given = [(name, fixed_levels(read_setting(name), "the surface")) for name in setting or []]
    options = DrawOptions(
        draws=draws, seed=seed, base=load_base(base), rules=Rules(tolerance_ms=tolerance_ms),
        costs=Costs(miss=cost_miss, false=cost_false),
    )  # fmt: skip
    chosen = None if strategy is None else teachers([strategy], set_ or [])[0]
    opened = open_all(recordings, truth)
    kept = [] if base is None or options.base is None else [(base, options.base)]
    refuse_unfit([*given, *kept], [(name, one) for name, (one, _) in zip(recordings, opened, strict=True)])
    with progress("counting", quiet=json) as report:
        memory = options.base is not None and options.base.has_memory
        samples = sum(recording.samples for recording, _ in opened)
        told = report if memory or json else if_faster(report, FASTER, lambda: samples)
        answer = operating_surface(
            opened, given=given, strategy=chosen, on_delay=on_delay, off_delay=off_delay, options=options,
            levels=_levels(levels) if device is None else _steps(device, levels), progress=told,
        )  # fmt: skip
    found, curve, best, cloud = answer.surface, answer.curve, answer.best, answer.cloud
    note_last(*passes_notes(opened))
    on = typed_again(*recordings, truth=truth)
    delays_help = answer.delays_help and len(recordings) == 1
    step = f"teachlab bench {on} --out results"
    if delays_help:
        step = f"teachlab design {on}"
    elif answer.delays is None and len(recordings) == 1 and not answer.works:
        # Why no level works, and what would: borders that are too sharp, a filter, levels that follow.
        step = f"teachlab inspect {on}"
    if answer.alignment is not None and answer.alignment.off and not answer.works:
        step = answer.alignment.command(recordings[0], truth)
    verdict = answer.verdict.leading_to(step)
    document = answer.as_dict() | {"verdict": verdict.as_dict()}

    def drawn(kind: str) -> bytes:
        if answer.delays is not None:
            title = f"{', '.join(answer.recordings)}: every level and delay counted, without hysteresis"
            return delay_figure(answer.delays, title=title, kind=kind)
        marks = [
            MarkedSetting(one, f"setting {Path(file).name}")
            for file, one in zip(answer.names, answer.given, strict=True)
        ]
        if cloud is not None and cloud.first is not None:
            marks.append(MarkedSetting(cloud.first, f"taught by {cloud.strategy}"))
        counted = "every pair of levels counted" if found.distinct else found.how
        title = f"{', '.join(r.name for r, _ in opened)}: {found.detect_trials} passes to be detected, {counted}"
        return surface_figure(
            found, best, title=title, marks=marks, cloud=() if cloud is None else cloud.settings,
            cloud_name="" if cloud is None else f"draws of {cloud.strategy}", curve=curve, kind=kind,
        )  # fmt: skip

    write_results(targets, document, drawn)
    if json:
        emit_json(document, indent=None)
        return
    say_verdict(verdict, details=details)
    if not details:
        return
    _tell(found, curve, best, answer.step)
    if answer.positions is not None:
        say(answer.positions.sentence())
    for name, one, looked in zip(answer.names, answer.given, answer.looked_up(), strict=True):
        say(_about(name, one, looked, answer.step))
    if cloud is not None:
        say_lines(_about_cloud(cloud, best))


def _steps(device: str, levels: str | None) -> Any:
    """Return the light behind every step that can be keyed in, within the readings."""
    from teachlab.device.device_file import read_device

    if levels is not None:
        raise ParameterError("--levels and --device both say at which levels to count; give one.")
    scale = read_device(device).scale()
    import numpy as np

    return np.array(sorted(scale.behind(float(d)).light for d in scale.steps(scale.light_low, scale.light_high)))


def _levels(text: str | None) -> Any:
    import numpy as np

    from teachlab.questions.surface.values.levels import MOST_LEVELS

    if text is None:
        return None
    parts = text.split(":")
    try:
        low, high, count = float(parts[0]), float(parts[1]), int(parts[2])
    except (ValueError, IndexError):
        raise ParameterError(f"--levels takes LOW:HIGH:HOW_MANY, such as 0:4095:512, got '{text}'.") from None
    if len(parts) != 3 or not 0 < high - low < np.inf or not 2 <= count <= MOST_LEVELS:
        raise ParameterError(f"--levels takes finite LOW < HIGH and 2 to {MOST_LEVELS} levels, got '{text}'.")
    return np.linspace(low, high, count)


def _interval(ends: tuple[float, float], *, open_below: bool) -> str:
    return f"{'(' if open_below else '['}{level_text(ends[0])}, {level_text(ends[1])}]"


def _tell(found: Surface, curve: Surface | None, best: Hindsight, step: float | None) -> None:
    unit, n = found.base.unit, found.levels.size
    pairs = n * (n + 1) // 2 if found.every_pair else n
    say(
        f"{number_of(pairs, 'pair')} of {number_of(n, 'level')}, {found.base.polarity}, "
        f"{number_of(found.detect_trials, 'pass', 'passes')}, {number_of(found.gap_trials, 'gap')}"
    )
    say(f"How: {found.how}.")
    if not found.distinct and curve is None:
        say("The light has more levels than that: between the levels counted the counts may differ.")
    say(
        f"Best in hindsight: {_pair(best.setting, step)} {unit}, "
        f"cost {best.cost:.4g} per pass; {number_of(best.equally_good, 'pair costs', 'pairs cost')} the same."
    )
    say(f"  {_counted(best.counts)}")
    say(
        f"  as good: on-levels {_interval(best.on_interval, open_below=best.open_below[0])} with that off-level, "
        f"off-levels {_interval(best.off_interval, open_below=best.open_below[1])} with that on-level"
    )
    if curve is not None:
        lost = (curve.lost - curve.touching_merges).diagonal() + curve.false_trips.diagonal() + curve.extra.diagonal()
        k = int(lost.argmin())
        say(
            f"Without hysteresis, every level exact: at best {lost[k]} lost, false and extra "
            f"(level {level_text(curve.levels[k])})"
        )


def _pair(setting: Setting, step: float | None) -> str:
    return f"on {level_text(setting.on_level, step)}, off {level_text(setting.off_level, step)}"


def _about(name: str, setting: Setting, looked: dict[str, Any], step: float | None) -> str:
    head = f"{name}: {_pair(setting, step)}: "
    counts, regret = looked["counts"], looked["regret"]
    if counts is None:
        return head + "not among the levels counted; replay it."
    return f"{head}{_counted(counts)}; regret {regret:.4g} per pass"


def _counted(counts: Mapping[str, int]) -> str:
    plain = ", ".join(f"{counts[k]} {k}" for k in ("lost", "merged", "extra"))
    trips = [number_of(counts[k], one) for k, one in _TRIPS.items() if k in counts]
    return ", ".join([plain, *trips])


def _about_cloud(cloud: SurfaceCloud, best: Hindsight) -> list[str]:
    if not cloud.settings:
        how = "fails" if cloud.failed else "abstains"
        return [f"{cloud.strategy} {how} in all {cloud.abstained + cloud.failed} draws: {cloud.why}"]
    found = cloud.as_dict(best.cost)
    first, cost = found["first"], found["cost"]
    lines = []
    if first is not None:
        lines.append(
            f"Taught by {cloud.strategy}: on {level_text(first['on_level'])}, off {level_text(first['off_level'])}, "
            f"cost {first['cost']:.4g} per pass, regret {first['regret']:.4g}"
        )
    abstained = f", {cloud.abstained} abstained" if cloud.abstained else ""
    abstained += f", {cloud.failed} failed ({cloud.why})" if cloud.failed else ""
    lines.append(
        f"{found['draws']} draws of it: cost {cost['median']:.4g} (5 to 95 %: {cost['p05']:.4g} to {cost['p95']:.4g}, "
        f"worst {cost['worst']:.4g}); {found['as_good_as_best']} as good as the best{abstained}. Taught on the "
        "recording that is counted, so this is no proof; see teachlab repeatability."
    )
    return lines
