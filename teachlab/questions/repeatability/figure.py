"""The cloud of repeated teachings as a figure: the levels that were taught, and their costs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from teachlab.light.drawing import GOOD, GREY, LOST, drawing, picture
from teachlab.model.printable_text import in_figures, number_of

Axes = Any
Document = dict[str, Any]


def cloud_figure(clouds: Sequence[Document], best: Document | None, unit: str, *, title: str, kind: str) -> bytes:
    """Draw one row per cloud.

    `clouds`: as `Cloud.as_dict` gives them, in plain JSON types.
    `best`: the best in hindsight, as `Hindsight.as_dict` gives it.
    """
    with drawing(title or "cloud", (10.5, 0.6 + 2.9 * max(1, len(clouds)))) as figure:
        grid = figure.subplots(max(1, len(clouds)), 2, squeeze=False)
        for k, cloud in enumerate(clouds):
            draw_cloud(grid[k, 0], grid[k, 1], cloud, best, unit)
            grid[k, 0].set_title(name_of(cloud), fontsize=9, loc="left")
        figure.legend(*grid[0, 0].get_legend_handles_labels(), fontsize=8, loc="outside right upper", frameon=False)
        figure.suptitle(title, fontsize=10)
        return picture(
            figure,
            kind,
            says="Marks that lie close together: repeatable. Grey lines: how far one level of the best may move.",
        )


def name_of(cloud: Document) -> str:
    """Return the strategy with what was varied."""
    parts = [cloud["strategy"]]
    if (length := cloud["parameters"].get("sweep_passes")) is not None:
        parts.append(f"{number_of(length, 'pass', 'passes')} swept")
    if cloud["average"] > 1:
        parts.append(f"mean of {number_of(cloud['average'], 'teaching')}")
    return ", ".join(parts)


def draw_cloud(levels: Axes, cost: Axes, cloud: Document, best: Document | None, unit: str) -> str:
    """Draw a cloud into two panels and describe it in a sentence.

    Left: on-level against off-level, and how far each level of the best in hindsight may move alone. Right: the cost
    per pass against the on-level, and that of the best. A dot is a draw without an error, a cross a draw with errors;
    the diamond is the given setting. The legend is for the caller.

    `levels`, `cost`: matplotlib axes.
    `cloud`, `best`, `unit`: as for `cloud_figure`; `cloud` may hold ``released``: the measures of one setting.
    """
    points, released = cloud["points"], cloud.get("released")
    on, off = (np.array(points[name], np.float64) for name in ("on_level", "off_level"))
    # Null means a cost without a denominator.
    paid = np.array([math.nan if c is None else c for c in points["cost"]], np.float64)
    clean = paid == 0
    if best is not None:
        _best(levels, cost, best)
    for axes, y in ((levels, off), (cost, paid)):
        for some, shape, colour, label in (
            (clean, "o", GOOD, "teaching without an error"),
            (~clean, "x", LOST, "teaching with errors"),
        ):
            (drawn,) = axes.plot(on[some], y[some], shape, color=colour, markersize=4, alpha=0.7, label=label)
            _whole(drawn)
        axes.set_xlabel(f"on-level, {unit}")
    if released is not None:
        for axes, name in ((levels, "off_level"), (cost, "cost")):
            if released[name] is not None:
                (drawn,) = axes.plot(
                    [released["on_level"]], [released[name]], "D", markerfacecolor="none", markeredgecolor="black",
                    markersize=8, markeredgewidth=1.6, label="setting released",
                )  # fmt: skip
                _whole(drawn)
    levels.set_ylabel(f"off-level, {unit}")
    cost.set_ylabel("cost per pass")
    _cost_axis(cost, paid[np.isfinite(paid) & (paid > 0)])
    return _sentence(cloud, best, clean, unit)


def _whole(drawn: Any) -> None:
    """Draw a mark on an axis completely; the layout need not make room for it."""
    drawn.set_clip_on(False)
    drawn.set_in_layout(False)


def _cost_axis(axes: Axes, paid: np.ndarray[Any, Any]) -> None:
    if paid.size == 0:
        axes.set_ylim(0, 1)
        axes.set_yticks([0])
        return
    axes.set_yscale("symlog", linthresh=10.0 ** math.floor(math.log10(float(paid.min()))))
    # Room above the costliest: equal costs would lie on the upper end.
    axes.set_ylim(0, max(axes.get_ylim()[1], 1.5 * float(paid.max())))
    axes.yaxis.set_major_formatter("{x:g}")


def _best(levels: Axes, cost: Axes, best: Document) -> None:
    """Draw a cross of the levels that cost as little as the best, one level moved alone, and its cost."""
    on, off = best["on_level"], best["off_level"]
    named = "no error" if best["cost"] == 0 else f"{in_figures(best['cost'], 3)} per pass"
    line: Any = {"linestyle": "--", "color": GREY, "linewidth": 1.2}
    levels.plot([*best["on_interval"], math.nan, on, on], [off, off, math.nan, *best["off_interval"]],
                label=f"best in hindsight: {named}", **line)  # fmt: skip
    cost.axhline(best["cost"], **line)


def _sentence(cloud: Document, best: Document | None, clean: np.ndarray[Any, Any], unit: str) -> str:
    if not cloud["spreads"]:
        return f"None of {number_of(cloud['draws'], 'draw')} gave a setting."
    spread = cloud["spreads"]["on_level"]
    median, low, high = (in_figures(spread[name]) for name in ("median", "p05", "p95"))
    text = (
        f"{number_of(cloud['draws'], 'draw')} of {name_of(cloud)}: on-level {median} {unit}, 5 to 95 % "
        f"{low} to {high}; {int(clean.sum())} of {clean.size} without a fault"
    )
    if best is not None:
        a, b = best["on_interval"]
        text += (
            f"; in hindsight best from {in_figures(a)} to {in_figures(b)} at off-level {in_figures(best['off_level'])}"
        )
    return text + "."
