"""The surface as a map: the cost of every pair of levels, where nothing is lost, and where teaching places settings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.drawing import EXTRA, FALSE_TRIP, GOOD, LOST, OUTLINE, drawing, picture
from teachlab.model.printable_text import in_figures, number_of

if TYPE_CHECKING:
    from teachlab.model.draws import Costs
    from teachlab.model.setting import Setting
    from teachlab.questions.surface.delay_axis import DelaySurface
    from teachlab.questions.surface.hindsight import Hindsight
    from teachlab.questions.surface.values.table import Surface

SHAPES = "Dsv^h"


@dataclass(frozen=True, slots=True)
class MarkedSetting:
    """A setting to mark, and its name in the legend."""

    setting: Setting
    name: str


def surface_figure(
    surface: Surface,
    best: Hindsight,
    *,
    title: str = "",
    marks: Sequence[MarkedSetting] = (),
    cloud: Sequence[Setting] = (),
    cloud_name: str = "draws",
    curve: Surface | None = None,
    kind: str = "svg",
) -> bytes:
    """Draw a surface.

    Left: the cost of every pair of levels. The region without any loss or false switching is outlined; if there is
    none, the cheapest region. Right: losses and trips along zero hysteresis.

    `best`: best setting of that surface; its costs colour the map.
    `cloud`: the settings that repeated teaching gave.
    `cloud_name`: what the cloud shows, for the legend.
    `curve`: the exact counts without hysteresis, if `surface` is a grid.
    """
    with drawing(title or "surface", (11, 5.2), boxed=True) as figure:
        left, right = figure.subplots(1, 2, width_ratios=(1.35, 1))
        outlined = _draw_map(figure, left, surface, best)
        _mark(left, best, marks, cloud, cloud_name)
        _draw_line(right, surface if curve is None else curve, left.get_xlim())
        figure.suptitle(title, fontsize=10)
        least = "errors cost least" if best.cost else "nothing is lost and nothing trips"
        where = f"Inside the black line {least}" if outlined else "No pair of this map is as good as the best"
        return picture(figure, kind, says=f"{where}; the cross has the most room.")


def _edges(surface: Surface) -> NDArray[np.float64]:
    """Return the borders of the cells: a distinct level extends down to the next; a selected one is in the middle."""
    levels = surface.levels
    step = float(np.median(np.diff(levels))) if levels.size > 1 else 1.0
    if surface.distinct:
        return np.concatenate(([levels[0] - step], levels))
    middle = (levels[1:] + levels[:-1]) / 2
    first, last = (middle[0], middle[-1]) if middle.size else (levels[0] + step / 2, levels[0] - step / 2)
    return np.concatenate(([2 * levels[0] - first], middle, [2 * levels[-1] - last]))


def _interesting(cost: NDArray[np.float64], levels: NDArray[np.float64], dear: float) -> tuple[float, float]:
    """Return the range of levels outside which every pair costs nearly as much as losing all passes."""
    best = np.minimum(cost.min(axis=0), cost.min(axis=1))
    good = np.flatnonzero(best < max(dear, 2 * float(best.min())))
    if good.size == 0:
        return float(levels[0]), float(levels[-1])
    low, high = float(levels[max(0, good[0] - 1)]), float(levels[good[-1]])
    pad = 0.25 * max(high - low, float(np.median(np.diff(levels))) if levels.size > 1 else 1.0)
    return max(float(levels[0]), low - pad), min(float(levels[-1]), high + pad)


def _draw_map(figure: Any, axes: Any, surface: Surface, best: Hindsight) -> bool:
    """Draw the costs, and a line around the cheapest pairs; return whether the map holds such a pair."""
    from matplotlib.patches import Polygon

    cost = surface.cost(best.costs)
    shown = np.ma.masked_where(~surface.counted, cost)
    edges = _edges(surface)
    colours = _colours(best.costs, surface.detect_trials, float(shown.max()))
    # Columns of the picture are on-levels.
    mesh = axes.pcolormesh(edges, edges, shown.T, **colours)
    # No off-level lies above its on-level, also where a cell is wide.
    first, last = edges[0], edges[-1]
    mesh.set_clip_path(Polygon([(first, first), (last, first), (last, last)], transform=axes.transData))
    bar = figure.colorbar(mesh, ax=axes, shrink=0.85, pad=0.01)
    bar.set_label(_cost_label(best.costs))
    region = np.where(surface.counted, cost, np.inf) <= best.cost
    # A contour runs half-way between points. So every cell has a point just inside each of its corners, and the line
    # follows the borders of the cells instead of cutting through their middles.
    grid = np.repeat(np.repeat(region.T.astype(float), 2, axis=0), 2, axis=1)
    ends = np.repeat(edges, 2)[1:-1]
    inside = ends + np.tile((1e-6, -1e-6), surface.levels.size) * max(edges[-1] - edges[0], 1e-300)
    if region.any() and not region.all():
        axes.contour(inside, inside, grid, levels=[0.5], colors=OUTLINE, linewidths=1.6)
    named = "nothing lost, nothing false" if best.cost == 0 else f"cheapest: {best.cost:.3g} per pass"
    if region.any():
        pairs = int(np.count_nonzero(region))
        axes.plot(
            [], [], color=OUTLINE, linewidth=1.6, label=f"{named} ({pairs:,} pair{'' if pairs == 1 else 's'})"
        )  # fmt: skip
    low, high = _interesting(np.where(surface.counted, cost, np.inf), surface.levels, best.costs.miss / 2)
    axes.set_xlim(low, high)
    axes.set_ylim(low, high)
    axes.plot([low, high], [low, high], color=EXTRA, linewidth=0.8, linestyle=":", label="no hysteresis")
    axes.set_xlabel(f"on-level, {surface.base.unit}")
    axes.set_ylabel(f"off-level, {surface.base.unit}")
    axes.spines[["top", "right"]].set_visible(False)
    return bool(region.any())


def _mark(axes: Any, best: Hindsight, marks: Sequence[MarkedSetting], cloud: Sequence[Setting], name: str) -> None:
    if cloud:
        x, y = [s.on_level for s in cloud], [s.off_level for s in cloud]
        axes.scatter(
            x, y, s=13, color=GOOD, edgecolors="white", alpha=0.8, linewidths=0.3, label=f"{len(cloud)} {name}"
        )  # fmt: skip
    style: dict[str, Any] = {"markersize": 9, "markeredgecolor": "white", "linestyle": "none"}
    for mark, shape in zip(marks, SHAPES * len(marks), strict=False):
        axes.plot([mark.setting.on_level], [mark.setting.off_level], shape, color=OUTLINE, label=mark.name, **style)
    axes.plot(
        [best.setting.on_level], [best.setting.off_level], "P", color=OUTLINE, label="best in hindsight, most room",
        **style,
    )  # fmt: skip
    low, high = axes.get_xlim()
    shown = [*(mark.setting for mark in marks), *cloud, best.setting]
    axes.set_xlim(min(low, *(s.on_level for s in shown)), max(high, *(s.on_level for s in shown)))
    axes.set_ylim(min(low, *(s.off_level for s in shown)), max(high, *(s.off_level for s in shown)))
    axes.legend(loc="upper left", fontsize=8, framealpha=0.9)


def _draw_line(axes: Any, surface: Surface, limits: tuple[float, float]) -> None:
    per = max(surface.detect_trials, 1)
    levels = surface.levels
    for values, color, style, name in (
        (surface.lost, LOST, "-", "lost passes"),
        (surface.false_trips + surface.ignore_trips, FALSE_TRIP, "--", "false trips"),
        (surface.extra, EXTRA, ":", "extra switchings"),
    ):
        axes.step(levels, np.diagonal(values) / per, where="pre", color=color, linestyle=style, label=name)
    axes.set_yscale("symlog", linthresh=1 / per, linscale=0.4)
    axes.set_ylim(bottom=0)
    axes.set_xlim(limits)
    axes.set_xlabel(f"level without hysteresis, {surface.base.unit}")
    axes.set_ylabel("per pass to be detected")
    axes.legend(fontsize=8, frameon=False)
    axes.spines[["top", "right"]].set_visible(False)


def delay_figure(found: DelaySurface, *, title: str = "", kind: str = "svg") -> bytes:
    """Draw the cost per pass over level and delay; above each map stands the other delay, that of the best cell."""
    level, on, off = found.best
    cost = found.cost
    delays = {"on-delay": found.on_delays_ms, "off-delay": found.off_delays_ms}
    best = {"on-delay": float(found.on_delays_ms[on]), "off-delay": float(found.off_delays_ms[off])}
    maps = {"on-delay": cost[:, :, off], "off-delay": cost[:, on, :]}
    names = [name for name, ms in delays.items() if ms.size > 1]
    colours = _colours(found.costs, int(found.detect_trials[on]), max(float(np.nanmax(maps[name])) for name in names))
    with drawing(title or "delays", (4.6 * len(names) + 1, 4.6), boxed=True) as figure:
        axes = np.atleast_1d(figure.subplots(1, len(names), sharey=True))
        for panel, name in zip(axes, names, strict=True):
            other = next(one for one in delays if one != name)
            mesh = panel.pcolormesh(delays[name], found.levels, maps[name], shading="nearest", **colours)
            panel.plot(
                best[name], found.levels[level], "o", markersize=9, markerfacecolor="white", markeredgecolor="black",
                label=f"best in hindsight: {number_of(found.left, 'error')}",
            )  # fmt: skip
            # The cell of no delay is as wide as the others, but no delay is below 0.
            low, high = panel.get_xlim()
            panel.set_xticks([tick for tick in panel.get_xticks() if 0 <= tick <= high])
            panel.set_xlim(low, high)
            panel.set_title(f"{other} {in_figures(best[other])} ms", fontsize=9, loc="left")
            panel.set_xlabel(f"{name}, ms")
        axes[0].set_ylabel(f"level, {found.base.unit}")
        axes[0].legend(loc="upper right", fontsize=8)
        figure.colorbar(mesh, ax=list(axes), label=_cost_label(found.costs))
        if title:
            figure.suptitle(title, fontsize=10)
        return picture(figure, kind, says="The palest area has the fewest errors: level and delay together.")


def _colours(costs: Costs, passes: int, largest: float) -> dict[str, Any]:
    """Return how a map of costs is coloured: from 0 to the cost of one error evenly, beyond it by powers of ten."""
    from matplotlib.colors import SymLogNorm

    smallest = min(costs.miss or np.inf, costs.false or np.inf) / max(passes, 1)
    norm = SymLogNorm(linthresh=smallest, vmin=0, vmax=max(largest, smallest))
    return {"cmap": "cividis_r", "norm": norm, "rasterized": True}


def _cost_label(costs: Costs) -> str:
    return f"cost per pass (lost {costs.miss:g}, false or extra {costs.false:g})"
