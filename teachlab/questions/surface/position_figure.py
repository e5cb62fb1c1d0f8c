"""Where in the pass the output switches, as a figure: onset and release over the peak light, by kind."""

from __future__ import annotations

from itertools import pairwise
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.light.drawing import PASS, SHADE, drawing, picture
from teachlab.statistics.quantiles import quantile_limits

if TYPE_CHECKING:
    from teachlab.scoring.switching_position import PositionSlope, SwitchingPosition

KINDS = ("#E69F00", "#56B4E9", "#882255", "#999933", "#BBBBBB")
"""None of them is the colour of light, of a loss or of a trip in any figure; the marks of kinds differ, too."""
SHAPES = "osD^v"
MOST_DOTS = 3000
LONGEST_NAME, NAME_LINES = 24, 3
"""Characters of a kind in the legend: longer ones leave no room for the figure."""
GROUPS, LEAST_IN_RANGE = 10, 10
"""Most ranges of peak light that have a median each, and the least number of passes in one."""
MOST_KINDS = 4
"""Kinds with their own colour; the rarer ones share the last colour."""


def position_figure(position: SwitchingPosition, unit: str, *, title: str = "", kind: str = "svg") -> bytes:
    """Draw the position of every onset and release over the peak light of its pass.

    `position`: with peak light if it was measured; otherwise passes are drawn in time order.
    """
    with drawing(title or "position", (8, 5.4), boxed=True) as figure:
        draw_position(figure, position, unit)
        if title:
            figure.suptitle(title, fontsize=10)
        return picture(
            figure,
            kind,
            says="Flat and narrow: every product switches at the same place. A step: weak and strong ones do not.",
        )


def draw_position(figure: Any, position: SwitchingPosition, unit: str) -> None:
    """Draw onset and release into a figure, one above the other."""
    top, bottom = figure.subplots(2, 1, sharex=True)
    measured = not np.isnan(position.peak).all()
    over = position.peak if measured else position.rows.astype(np.float64)
    kinds = _kinds(position)
    _draw(top, position, over, position.onset_ms, kinds, "onset after the start")
    _draw(bottom, position, over, position.release_ms, kinds, "release after the end")
    if measured:
        _line(top, position.onset_slope, position.peak, position.onset_ms, position.confidence)
        _line(bottom, position.release_slope, position.peak, position.release_ms, position.confidence)
    figure.legend(*top.get_legend_handles_labels(), loc="outside right upper", fontsize=8, frameon=False)
    bottom.set_xlabel(f"light of the pass where it is furthest from the gaps, {unit}" if measured else "pass")


def _kinds(position: SwitchingPosition) -> list[tuple[str, Any]]:
    """Return the name of every kind with the places of its passes, the most frequent first."""
    label = position.label.astype(str)
    names, counts = np.unique(label, return_counts=True)
    order = [str(name) for name in names[np.argsort(-counts, kind="stable")]]
    each = [(name or "(no kind)", np.flatnonzero(label == name)) for name in order]
    if len(order) <= MOST_KINDS + 1:
        return each
    rest = np.flatnonzero(~np.isin(label, order[:MOST_KINDS]))
    return [*each[:MOST_KINDS], (f"{len(order) - MOST_KINDS} other kinds", rest)]


def _draw(axes: Any, position: SwitchingPosition, over: Any, values: Any, kinds: Any, what: str) -> None:
    doubt, named = position.doubt_ms, f"{position.doubt_of},\n±{position.doubt_ms:.2g} ms"
    axes.axhspan(-doubt, doubt, color=SHADE, linewidth=0, label=named)
    axes.axhline(0.0, color=PASS, linewidth=0.8)
    step = max(1, -(-position.rows.size // MOST_DOTS))
    for (name, rows), color, shape in zip(kinds, KINDS, SHAPES, strict=False):
        chosen = rows[::step]
        # Names that begin alike are still different in the second line.
        called = "\n".join(wrap(name, LONGEST_NAME, max_lines=NAME_LINES, placeholder="…"))
        axes.plot(over[chosen], values[chosen], shape, color=color, markersize=3.5, alpha=0.75,
                  markeredgewidth=0, label=called)  # fmt: skip
    axes.set_ylabel(f"{what}, ms")
    axes.spines[["top", "right"]].set_visible(False)
    if position.line_speed_m_s is not None:
        speed = position.line_speed_m_s
        second = axes.secondary_yaxis("right", functions=(lambda ms: ms * speed, lambda mm: mm / speed))
        second.set_ylabel("mm")


def _line(axes: Any, slope: PositionSlope | None, peak: Any, values: Any, confidence: float) -> None:
    """Draw medians over ranges of peak light: a straight line would miss the few weak passes."""
    known = np.isfinite(peak) & np.isfinite(values)
    if slope is None or not known.any():
        return
    steps = median_steps(peak[known], values[known], confidence)
    low, high, middle = np.array(steps).T
    # A step over one peak light alone has no width.
    axes.hlines(middle, low, high, color=PASS, linewidth=1.8, label="median of the passes in this range")
    axes.plot(np.ravel((low, high)), np.tile(middle, 2), "|", color=PASS, markersize=8, markeredgewidth=1.8)


def median_steps(peak: Any, values: Any, confidence: float) -> list[tuple[float, float, float]]:
    """Return ranges of peak light whose medians differ: lowest and highest peak of each, and the median.

    `peak`, `values`: shape (n,), finite; n above 0.
    `confidence`: of the interval of each median.

    Notes
    -----
    Up to 10 ranges of equal number, of at least 10 passes. Neighbours whose intervals overlap become one, those with
    the nearest medians first: what a few passes do by chance makes no step. Equal peaks are in one range.

    Examples
    --------
    >>> peak = np.arange(40.0)
    >>> median_steps(peak, np.where(peak < 10, 4.0, 1.0), 0.95)
    [(0.0, 9.0, 4.0), (10.0, 39.0, 1.0)]
    """
    ascending = np.sort(peak)
    ranges = min(GROUPS, max(1, peak.size // LEAST_IN_RANGE))
    borders = ascending[peak.size * np.arange(1, ranges) // ranges]
    group = np.searchsorted(borders, peak, side="right")
    parts = [group == k for k in np.unique(group)]

    def limits(part: Any) -> tuple[float, float]:
        low, high = quantile_limits(np.sort(values[part]), 0.5, (1 - confidence) / 2)
        return -np.inf if low is None else low, np.inf if high is None else high

    while True:
        inside = [limits(part) for part in parts]
        alike = [
            (abs(np.median(values[parts[k]]) - np.median(values[parts[k + 1]])), k)
            for k, ((low, high), (least, most)) in enumerate(pairwise(inside))
            if low <= most and least <= high
        ]
        if not alike:
            break
        _, k = min(alike)
        parts[k : k + 2] = [parts[k] | parts[k + 1]]
    return [(float(peak[p].min()), float(peak[p].max()), float(np.median(values[p]))) for p in parts]
