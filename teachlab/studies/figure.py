"""Figures of a recording: light, levels and cost of the draws; and the errors that no setting avoids."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.light.drawing import GOOD, GREY, LIGHT, LOST, SHADE, draw_light, drawing, picture
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.arrays import Flags
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.teaching import Levels
from teachlab.model.truth import Truth

if TYPE_CHECKING:
    from teachlab.studies.in_hindsight.unsolved import UnsolvedTrial
    from teachlab.studies.result import RecordingBench, StrategyResult

THIN = 1 / 300
"""An area of a smaller share of its axis cannot be seen: a line takes its place."""
MARGIN = 0.05
"""Room at the ends of an axis, as a share of it."""
MOST_DRAWN = 12
MOST_POINTS = 4000
"""Samples of one picture; of longer stretches only every second, third … one is drawn."""


def bench_figure(bench: RecordingBench, truth: Truth, extremes: PassAndGapExtremes, *, kind: str = "svg") -> bytes:
    """Draw a bench.

    Above: how often every level is the extreme of a pass or of a gap. Below, on the same axis: the active level of
    every draw, a dot without errors, a cross with errors. Right: the spread of the cost.

    `extremes`: of its passes and gaps, at the evaluation rate of the bench.
    """
    rows = len(bench.results)
    with drawing(bench.recording, (11, 3.6 + 0.42 * rows)) as figure:
        grid = figure.add_gridspec(2, 2, height_ratios=(2.0, 0.6 + 0.42 * rows), width_ratios=(2.3, 1))
        levels = figure.add_subplot(grid[1, 0])
        light = figure.add_subplot(grid[0, 0], sharex=levels)
        cost = figure.add_subplot(grid[1, 1], sharey=levels)
        _draw_light(light, bench, truth, extremes)
        _draw_levels(levels, bench)
        _draw_cost(cost, bench)
        key = figure.add_subplot(grid[0, 1])
        key.axis("off")
        handles = [h for axes in (light, levels, cost) for h in axes.get_legend_handles_labels()[0]]
        key.legend(handles=handles, loc="center left", frameon=False, fontsize=8.5)
        figure.suptitle(
            f"{bench.recording}: {number_of(bench.options.draws, 'draw')}, {bench.scored_passes} scored passes, "
            f"cost of lost : false = {bench.options.costs.miss:g} : {bench.options.costs.false:g}"
            + (" — synthetic, no evidence about a real line" if bench.synthetic else "")
            + (" — self-labelled, supports no claim" if bench.self_labelled else ""),
            fontsize=10,
        )
        return picture(
            figure,
            kind,
            says="A good level lies between the gaps and the passes, and marks of a good strategy lie close together.",
        )


def unsolved_figure(title: str, recording: Recording, trials: Sequence[UnsolvedTrial], setting: Setting) -> bytes:
    """Draw up to `MOST_DRAWN` passes and gaps that no setting gets right, each with as much light around it, as SVG.

    `trials`: at least one.
    `setting`: setting whose levels are drawn: the best in hindsight.
    """
    drawn = trials[:MOST_DRAWN]
    rate = recording.info.sample_rate_hz
    rows = -(-len(drawn) // 2)
    with drawing(title, (11, 0.7 + 2.1 * rows)) as figure:
        for k, trial in enumerate(drawn):
            axes = figure.add_subplot(rows, 2, k + 1)
            room = max(trial.end - trial.start, 20)
            a, b = max(trial.start - room, 0), min(trial.end + room, recording.samples)
            step = max((b - a) // MOST_POINTS, 1)
            light = recording.read(a, b).as_float()[::step]
            axes.plot((a + step * np.arange(light.size)) / rate, light, color=LIGHT, linewidth=0.9)
            shade = SHADE if trial.where == "pass" else "white"
            axes.axvspan(trial.start / rate, trial.end / rate, facecolor=shade, edgecolor=GREY, linestyle=":")
            for level in sorted({setting.on_level, setting.off_level}):
                axes.axhline(level, color=GREY, linewidth=0.8, linestyle="--")
            axes.set_title(f"{trial.name}: {trial.what}, {trial.why}", fontsize=9)
            axes.set_xlabel("s", fontsize=8)
            axes.set_ylabel(recording.info.unit, fontsize=8)
        more = f", {len(drawn)} of {len(trials)}" if len(drawn) < len(trials) else ""
        figure.suptitle(
            f"{title}: what no setting gets right{more}. Grey: a pass; dashed: levels of the best in hindsight.",
            fontsize=10,
        )
        return picture(figure, "svg")


def _extremes(bench: RecordingBench, truth: Truth, extremes: PassAndGapExtremes) -> tuple[Levels, Levels]:
    """Return the extreme of every detect pass and of every gap, on the object's side."""
    up = _objects_raise_light(bench)
    passes = extremes.passes.select(truth.detect[extremes.pass_rows])
    found = (passes.high, extremes.gaps.high) if up else (passes.low, extremes.gaps.low)
    return found[0][~np.isnan(found[0])], found[1][~np.isnan(found[1])]


def _objects_raise_light(bench: RecordingBench) -> bool:
    # A window that objects enter is dark-on whichever way they change the light.
    return bench.best_fixed.setting.light_on


def _acts_at(setting: Setting, up: bool) -> float:
    """Return the level at which objects make the output active: of a window, its side towards the gaps."""
    if not isinstance(setting, WindowSetting):
        return setting.activation
    if setting.light_on:
        return setting.on_level if up else setting.off_level
    return setting.low_release if up else setting.high_release


def _draw_light(axes: Any, bench: RecordingBench, truth: Truth, extremes: PassAndGapExtremes) -> None:
    passes, gaps = _extremes(bench, truth, extremes)
    both = np.concatenate((passes, gaps))
    both = both[np.isfinite(both)]
    if both.size:
        # Infinite light is counted at the end of the axis.
        passes, gaps = (np.clip(found, both.min(), both.max()) for found in (passes, gaps))
        draw_light(axes, gaps, passes, "highest" if _objects_raise_light(bench) else "lowest", hatch="////")
        axes.set_ylim(bottom=0)
    axes.set_ylabel("passes or gaps")
    axes.tick_params(labelbottom=False)


def _draw_levels(axes: Any, bench: RecordingBench) -> None:
    best = bench.best_fixed
    low, high = best.on_interval if best.setting.light_on else best.off_interval
    _keep_near_the_light(axes, bench)
    ends, said = axes.get_xlim(), ", ".join([f"{best.cost:.3g} per pass", *_waits(bench, best.setting)])
    name = f"the best fixed setting ({said})"
    if high - low > THIN * (ends[1] - ends[0]):
        on, off = best.setting.on_level, best.setting.off_level
        other = f"off-level stays at {off:.4g}" if best.setting.light_on else f"on-level stays at {on:.4g}"
        told = f"as good as {name},\nif its {other} {bench.unit}"
        axes.axvspan(low, high, color=GREY, alpha=0.14, linewidth=0, zorder=0, label=told)
    else:
        axes.axvline((low + high) / 2, color=GREY, linewidth=0.9, linestyle="--", zorder=0, label=name)
    up = _objects_raise_light(bench)
    for row, result in enumerate(bench.results):
        taught = [d for d in result.draws if d.setting is not None]
        at = np.array([_acts_at(d.setting, up) for d in taught if d.setting is not None])
        free = np.array([d.measures["cost"] == 0 for d in taught], bool)
        # Spread by draw number, so that equal levels stay visible and the picture is reproducible.
        offset = row + 0.72 * (np.array([d.draw for d in taught]) / max(len(result.draws) - 1, 1) - 0.5)
        named = {} if row else {"label": "active level of a draw without an error"}
        axes.scatter(at[free], offset[free], s=7, color=GOOD, linewidths=0, **named)
        named = {} if row else {"label": "active level of a draw that loses or trips"}
        axes.scatter(at[~free], offset[~free], s=9, marker="x", color=LOST, linewidths=0.6, **named)
        if not taught:
            axes.text(0.5, row, "abstained", ha="center", va="center", transform=axes.get_yaxis_transform())
        _mark_beyond(axes, row, at, free)
    axes.set_yticks(range(len(bench.results)), [_row_name(bench, r) for r in bench.results])
    axes.set_ylim(len(bench.results) - 0.5, -0.5)
    axes.set_xlabel(f"level at which the output becomes active, {bench.unit}")


def _keep_near_the_light(axes: Any, bench: RecordingBench) -> None:
    """End the axis where levels lie further from the light than it reaches; on it the light would be one line."""
    low, high = axes.get_xlim()
    reach = high - low
    up = _objects_raise_light(bench)
    found = [_acts_at(d.setting, up) for result in bench.results for d in result.draws if d.setting is not None]
    near = [level for level in found if low - reach <= level <= high + reach]
    if len(near) < len(found):
        ends = min(near, default=low), max(near, default=high)
        axes.set_xlim(min(low, ends[0] - MARGIN * reach), max(high, ends[1] + MARGIN * reach))


def _mark_beyond(axes: Any, row: int, at: Levels, free: Flags) -> None:
    """Say at the ends of the axis how many levels of a row lie beyond them."""
    low, high = axes.get_xlim()
    for beyond, x, said in ((at < low, 0.01, "← {} lower"), (at > high, 0.99, "{} higher →")):
        if (n := int(np.count_nonzero(beyond))) > 0:
            color = LOST if (beyond & ~free).any() else GOOD
            axes.text(x, row, said.format(n), ha="left" if x < 0.5 else "right", va="center", color=color, fontsize=8,
                      transform=axes.get_yaxis_transform())  # fmt: skip


def _waits(bench: RecordingBench, setting: Setting | None) -> list[str]:
    """Say that a setting waits where others do not: gaps may reach above its level, and the picture draws all light."""
    own = setting is not None and setting.has_memory and not (bench.options.base and bench.options.base.has_memory)
    return ["with filter or delays"] if own else []


def _row_name(bench: RecordingBench, result: StrategyResult) -> str:
    # Strategies whose median draws cost the same share a place, as in the table.
    row = bench.row_of(result.strategy)
    place = "– " if row is None else f"{row + 1}. "
    notes = _waits(bench, None if result.median_draw is None else result.median_draw.setting)
    notes += [f"{result.abstained} abstained"] if result.abstained else []
    return place + result.strategy + (f"\n({', '.join(notes)})" if notes else "")


def _draw_cost(axes: Any, bench: RecordingBench) -> None:
    named = [{"label": text} for text in ("5–95 % of the draws", "median draw", "costliest draw")]
    for row, result in enumerate(bench.results):
        spread = result.spreads.get("cost")
        if spread is None or math.isnan(spread.median):
            continue
        bar, middle, worst = named or [{}] * 3
        axes.plot([spread.p05, spread.p95], [row, row], color=GREY, linewidth=4, alpha=0.45, **bar)
        axes.plot([spread.median], [row], "D", color="black", markersize=5, linestyle="none", **middle)
        axes.plot([spread.worst], [row], "|", color=LOST, markersize=11, markeredgewidth=2, linestyle="none", **worst)
        named = []
    # A power of ten as the border of the linear part, as wide as a decade, and few ticks keep their labels apart.
    axes.set_xscale("symlog", linthresh=10.0 ** math.floor(-math.log10(max(bench.scored_passes, 1))), linscale=1.0)
    axes.xaxis.get_major_locator().set_params(numticks=4)
    axes.set_xlim(left=0)
    axes.set_xlabel("cost per pass")
    axes.tick_params(labelleft=False)
