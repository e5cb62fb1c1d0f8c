"""One figure per recording: where the light lies, where the draws put the level, what they cost."""

from __future__ import annotations

import io
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.benchmark import RecordingBench, StrategyResult
from teachlab.model.recording import Recording
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.signal.evaluation import Clock
from teachlab.signal.windows import Windows, border_evaluations
from teachlab.teach.evaluated import Evaluated, measure

OBJECT, BACKGROUND, GREY = "#D55E00", "#0072B2", "#595959"


def active_level(setting: Setting) -> float:
    """Return the level at which the output becomes active: on-level for light-on, off-level for dark-on."""
    return setting.on_level if setting.polarity is Polarity.LIGHT_ON else setting.off_level


def bench_figure(
    bench: RecordingBench, recording: Recording, truth: Truth, *, base: Setting | None = None, format: str = "svg"
) -> bytes:
    """Draw a bench.

    Above: how often every level is the extreme of a pass or of a gap. Below on the same axis: the active
    level of every draw, a filled dot where it costs nothing, an open one where it does. Right: the spread
    of the cost.

    Parameters
    ----------
    bench : RecordingBench
    recording, truth
        What was benched.
    base : Setting, optional
        Of the bench.
    format : str
        svg or png.

    Returns
    -------
    bytes
        The same bytes for the same bench and library versions.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context({"svg.hashsalt": bench.recording, "svg.fonttype": "none", "font.size": 9}):
        rows = len(bench.results)
        figure = Figure(figsize=(11, 3.6 + 0.42 * rows), layout="constrained")
        grid = figure.add_gridspec(2, 2, height_ratios=(2.0, 0.6 + 0.42 * rows), width_ratios=(2.3, 1))
        levels = figure.add_subplot(grid[1, 0])
        light = figure.add_subplot(grid[0, 0], sharex=levels)
        cost = figure.add_subplot(grid[1, 1], sharey=levels)
        _draw_light(light, bench, recording, truth, base)
        _draw_levels(levels, bench)
        _draw_cost(cost, bench)
        figure.suptitle(
            f"{bench.recording}: {bench.draws} draws, {bench.scored_passes} scored passes, "
            f"cost of lost : false = {bench.costs.miss:g} : {bench.costs.false:g}"
            + (" — synthetic, no evidence about a real line" if bench.synthetic else "")
            + (" — self-labelled, supports no claim" if bench.self_labelled else ""),
            fontsize=10,
        )
        out = io.BytesIO()
        metadata = {"Date": None} if format == "svg" else None
        figure.savefig(out, format=format, metadata=metadata, dpi=110)
        return out.getvalue()


def _extremes(
    bench: RecordingBench, recording: Recording, truth: Truth, base: Setting | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the extreme of every detect pass and of every gap, on the object's side."""
    rate = None if base is None else base.evaluation_rate_hz
    clock = Clock.of(recording.samples, recording.info.sample_rate_hz, rate)
    windows = Windows.of(truth, clock, border=border_evaluations(truth, clock, bench.tolerance_ms))
    evaluated = Evaluated(recording, clock, clock.count)
    real = truth.detect & (windows.covered_to > windows.covered_from)
    passes = measure(evaluated, windows.covered_from[real], windows.covered_to[real])
    gaps = measure(evaluated, windows.gap_start, windows.gap_stop)
    ups = [r.median_draw.setting.polarity for r in bench.results if r.median_draw and r.median_draw.setting]
    up = not ups or ups[0] is Polarity.LIGHT_ON
    found = (passes.high, gaps.high) if up else (passes.low, gaps.low)
    return found[0][~np.isnan(found[0])], found[1][~np.isnan(found[1])]


def _draw_light(axes: Any, bench: RecordingBench, recording: Recording, truth: Truth, base: Setting | None) -> None:
    passes, gaps = _extremes(bench, recording, truth, base)
    both = np.concatenate((passes, gaps))
    if both.size:
        bins = np.linspace(both.min(), max(both.max(), both.min() + 1e-9), 80)
        axes.hist(gaps, bins, color=BACKGROUND, alpha=0.75, label=f"extreme of a gap ({gaps.size})")
        axes.hist(
            passes, bins, histtype="step", hatch="////", color=OBJECT, linewidth=1.3,
            label=f"extreme of a pass ({passes.size})",
        )  # fmt: skip
        axes.set_yscale("symlog", linthresh=1)
        axes.set_ylim(bottom=0)
        axes.legend(frameon=False, fontsize=8, bbox_to_anchor=(1.01, 1), loc="upper left")
    axes.set_ylabel("how many")
    axes.tick_params(labelbottom=False)
    axes.spines[["top", "right"]].set_visible(False)


def _draw_levels(axes: Any, bench: RecordingBench) -> None:
    for row, result in enumerate(bench.results):
        taught = [d for d in result.draws if d.setting is not None]
        at = np.array([active_level(d.setting) for d in taught if d.setting is not None])
        free = np.array([d.measures["cost"] == 0 for d in taught], bool)
        # Spread by draw number, so that equal levels stay visible and the picture repeats.
        offset = row + 0.5 * (np.array([d.draw for d in taught]) / max(len(result.draws) - 1, 1) - 0.5)
        axes.scatter(at[free], offset[free], s=9, color=BACKGROUND, linewidths=0)
        axes.scatter(at[~free], offset[~free], s=11, facecolors="none", edgecolors=OBJECT, linewidths=0.7)
        if not taught:
            axes.text(0.5, row, "abstained", ha="center", va="center", transform=axes.get_yaxis_transform())
    axes.set_yticks(range(len(bench.results)), [_row_name(bench, r) for r in bench.results])
    axes.set_ylim(len(bench.results) - 0.5, -0.5)
    axes.set_xlabel(f"level at which the output becomes active, {bench.unit}   (● costs nothing   ○ costs)")
    axes.spines[["top", "right"]].set_visible(False)


def _row_name(bench: RecordingBench, result: StrategyResult) -> str:
    place = f"{bench.ranking.index(result.strategy) + 1}. " if result.strategy in bench.ranking else "– "
    return place + result.strategy + (f"\n({result.abstained} abstained)" if result.abstained else "")


def _draw_cost(axes: Any, bench: RecordingBench) -> None:
    for row, result in enumerate(bench.results):
        spread = result.spreads.get("cost")
        if spread is None or math.isnan(spread.median):
            continue
        axes.plot([spread.p05, spread.p95], [row, row], color=GREY, linewidth=3, solid_capstyle="butt", alpha=0.5)
        axes.plot([spread.median], [row], "D", color="black", markersize=5)
        axes.plot([spread.worst], [row], "x", color=OBJECT, markersize=6)
    axes.set_xscale("symlog", linthresh=1 / max(bench.scored_passes, 1))
    axes.set_xlim(left=0)
    axes.set_xlabel("cost per pass: ◆ median, bar 5–95 %, × worst")
    axes.tick_params(labelleft=False)
    axes.spines[["top", "right"]].set_visible(False)
