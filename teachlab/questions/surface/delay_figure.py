"""Cost over level and delay, as a figure: one panel for each delay that has a range."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.light.drawing import drawing, picture

if TYPE_CHECKING:
    from teachlab.questions.surface.delay_axis import DelaySurface

LEAST_COST = 1e-3
"""Cells with a lower cost, including those without an error, share the lightest colour."""


def delay_figure(found: DelaySurface, *, title: str = "", kind: str = "svg") -> bytes:
    """Draw the cost per pass over level and delay; the other delay is that of the best cell."""
    from matplotlib.figure import Figure

    level, on, off = found.best
    panels = [
        (name, delays, cost, chosen)
        for name, delays, cost, chosen in (
            ("on-delay", found.on_delays_ms, found.cost[:, :, off], on),
            ("off-delay", found.off_delays_ms, found.cost[:, on, :], off),
        )
        if delays.size > 1
    ]
    with drawing(title or "delays"):
        figure = Figure(figsize=(4.6 * max(1, len(panels)) + 1, 4.6), layout="constrained")
        mesh: Any = None
        axes = np.atleast_1d(figure.subplots(1, len(panels), sharey=True))
        for panel, (name, delays, cost, chosen) in zip(axes, panels, strict=True):
            mesh = _draw(panel, delays, found.levels, cost)
            panel.plot(
                delays[chosen], found.levels[level], "o", markersize=9, markerfacecolor="white",
                markeredgecolor="black", label="best in hindsight",
            )  # fmt: skip
            panel.set_xlabel(f"{name}, ms")
        axes[0].set_ylabel(f"level, {found.base.unit}")
        axes[0].legend(loc="upper right", fontsize=8)
        figure.colorbar(mesh, ax=list(axes), format="%g", label=f"cost per pass ({LEAST_COST:g}: that or less)")
        if title:
            figure.suptitle(title, fontsize=10)
        return picture(figure, kind, says="The palest area has the fewest errors: level and delay together.")


def _draw(axes: Any, delays: Any, levels: Any, cost: Any) -> Any:
    from matplotlib.colors import LogNorm

    shown = np.maximum(cost, LEAST_COST)
    norm = LogNorm(vmin=LEAST_COST, vmax=max(1.0, float(np.nanmax(shown))))
    return axes.pcolormesh(delays, levels, shown, shading="nearest", cmap="viridis_r", norm=norm, rasterized=True)
