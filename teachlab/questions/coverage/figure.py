"""The certificate as a figure: how often every place of a cycle lay in an open gap, and where trips fell on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from teachlab.light.drawing import FALSE_TRIP, GOOD, GREY, SHADE, drawing, picture
from teachlab.model.arrays import Floats

if TYPE_CHECKING:
    from teachlab.questions.coverage.certificate import Coverage, CycleCoverage

NAMES = {"shown": "shown at teaching", "teach": "teach block", "scored": "scored block"}
PLACES = 240
"""Places in a figure; for each, the point seen least often and the point seen most often are drawn."""

Axes = Any
Counts = NDArray[np.int64]


def places(edges: Floats, count: Counts, *, most: int = PLACES) -> tuple[Floats, Counts, Counts]:
    """Reduce counts of exposures, constant between edges, to `most` equal stretches; no unseen place is lost.

    `edges` (shape (n + 1,), s): from 0 to the period, ascending.
    `count`: shape (n,).
    `edges`: shape (most + 1,), s.
    `least`, `most` (shape (most,)): for every stretch, how often the point seen least often, and most often, was seen.

    Examples
    --------
    >>> _, least, most = places(np.array([0.0, 2.0, 2.1, 4.0]), np.array([3, 0, 5]), most=4)
    >>> least.tolist(), most.tolist()
    ([3, 3, 0, 5], [3, 3, 5, 5])
    """
    cuts = np.linspace(0.0, float(edges[-1]), most + 1)
    points = np.union1d(edges, cuts)
    held = count[np.searchsorted(edges, points[:-1], side="right") - 1]
    first = np.searchsorted(points[:-1], cuts[:-1])
    return cuts, np.minimum.reduceat(held, first), np.maximum.reduceat(held, first)


def coverage_figure(found: Coverage, *, title: str, kind: str) -> bytes:
    """Draw one row per cycle and one panel per block.

    `found`: a certificate with at least one cycle.
    """
    columns = max(len(one.blocks) for one in found.cycles)
    rows = len(found.cycles)
    with drawing(title or "coverage", (max(5.0, 4.2 * columns) + 1.6, 0.9 + 2.5 * rows)) as figure:
        grid = figure.subplots(rows, columns, squeeze=False)
        for row, one in zip(grid, found.cycles, strict=True):
            for axes in row[len(one.blocks) :]:
                axes.set_axis_off()
            for axes, block in zip(row, one.blocks, strict=False):
                _panel(axes, one, block, found.trips_s.get(block))
        handles = {label: h for axes in grid.flat for h, label in zip(*axes.get_legend_handles_labels(), strict=True)}
        figure.legend(handles.values(), handles.keys(), loc="outside right upper", fontsize=8, frameon=False)
        figure.suptitle(title, fontsize=10)
        return picture(
            figure, kind, says="Hatched places of a cycle were seen too seldom to say that they do not trip."
        )


def _panel(axes: Axes, one: CycleCoverage, block: str, trips_s: Floats | None) -> None:
    exposure, period = one.blocks[block], one.cycle.period_s
    edges, least, most = places(*one.profiles[block])
    scale, unit = (1000.0, "ms") if period < 1 else (1.0, "s")
    top = max(1.15 * float(most.max()), exposure.times + 1.0)
    unseen = least < exposure.times
    often = "0 times" if exposure.times == 1 else f"fewer than {exposure.times} times"
    axes.stairs(
        np.where(unseen, top, 0), edges * scale, fill=True, facecolor=SHADE, edgecolor=GREY, hatch="////",
        linewidth=0, label=f"place seen {often}",
    )  # fmt: skip
    axes.stairs(most, edges * scale, baseline=least, fill=True, color=GOOD, alpha=0.35, label="seen at most")
    axes.stairs(least, edges * scale, baseline=None, color=GOOD, linewidth=1.2, label="seen at least")
    axes.axhline(exposure.times, color=GREY, linestyle=":", linewidth=1, label="needed")
    if trips_s is not None and trips_s.size:
        at = np.unique(np.round(np.mod(trips_s, period) / period, 3)) * period * scale
        axes.plot(at, np.full(at.size, top * 0.97), "|", color=FALSE_TRIP, markersize=7, label="false trips")
    axes.set_xlim(0, period * scale)
    axes.set_ylim(0, top)
    axes.yaxis.get_major_locator().set_params(integer=True)
    axes.set_xlabel(f"place on the cycle ({period * scale:.4g} {unit}), {unit}", fontsize=8)
    axes.set_ylabel("times in an open gap", fontsize=8)
    axes.set_title(
        f"{one.cycle.name}, {NAMES[block]}: {100 * exposure.seen_share:.3g} % of places seen", fontsize=9, loc="left"
    )
