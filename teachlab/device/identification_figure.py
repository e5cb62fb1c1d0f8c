"""Figure of an identification: the light at every logged edge, with the levels that all edges allow."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.device.level_counts import crossing_intervals
from teachlab.light.drawing import LIGHT, LOST, drawing, picture, time_axis

if TYPE_CHECKING:
    from teachlab.device.identified import Identification
    from teachlab.device.logged_edges import LoggedEdges
    from teachlab.model.recording import Light

FITS, CONTRADICTS, BAND = LIGHT, LOST, "#cfe3f1"


def identification_figure(
    found: Identification, light: Light, edges: LoggedEdges, *, name: str, kind: str = "svg"
) -> bytes:
    """Draw, for every logged edge, the levels between which the light crossed, and the levels of the set.

    `found`: an identification with at least one class.
    `light`: in the stored type, NaN where invalid.
    """
    best, rate = found.classes[0], found.sample_rate_hz
    unit, long = time_axis(light.size / rate)
    contradicted = {(c.sample, c.edge) for c in found.contradictions if c.side == "logged"}
    with drawing(name, (10, 5.2)) as figure:
        figure.suptitle(f"{name}: light at every logged edge", fontsize=10)
        rows: Any = figure.subplots(2, 1, sharex=True)
        for axes, word, side, latency in zip(
            rows, ("active", "inactive"), (edges.active, edges.inactive),
            (best.latency_active, best.latency_inactive), strict=True,
        ):  # fmt: skip
            begins = (word == "active") == best.light_on
            band = found.span("on_level" if begins else "off_level")
            level = "on-level" if begins else "off-level"
            low, high = crossing_intervals(light, side, latency, best.grid, found.jitter, begins=begins)
            bad = np.array([(int(s), word) in contradicted for s in side], bool)
            if band is not None:
                axes.axhspan(band.low, band.high, color=BAND, label=f"{level} {band.low:.5g} to {band.high:.5g}")
            at = side / rate / long
            for some, colour, label in ((~bad, FITS, "logged edge fits"), (bad, CONTRADICTS, "contradicted")):
                some = some & np.isfinite(low) & np.isfinite(high)
                if some.any():
                    crossed = colour == CONTRADICTS
                    axes.vlines(at[some], low[some], high[some], color=colour, linewidth=1.2,
                                label=None if crossed else label)  # fmt: skip
                    if crossed:  # in grey print the cross is what differs
                        axes.plot(at[some], (low[some] + high[some]) / 2, "x", color=colour, markersize=5, label=label)
            axes.set_title(
                f"output becomes {word}: light {'rises' if begins else 'falls'} through the {level}",
                loc="left", fontsize=9,
            )  # fmt: skip
            axes.set_ylabel(f"light, {found.unit}")
            axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8.5)
        rows[-1].set_xlabel(f"time, {unit}")
        return picture(
            figure,
            kind,
            says="A level fits where it crosses every blue line: the light went through it when the sensor switched.",
        )
