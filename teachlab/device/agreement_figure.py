"""A picture of an agreement: how early or late the sensor was at every edge, and the edges without a partner."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.light.drawing import FALSE_TRIP, GOOD, LOST, drawing, picture

if TYPE_CHECKING:
    from teachlab.device.matching import MatchedEdges

MATCHED, LOGGED, REPLAYED = GOOD, LOST, FALSE_TRIP


def agreement_figure(found: MatchedEdges, *, rate_hz: float, name: str, kind: str = "svg") -> bytes:
    """Draw logged less replayed edges over time, in samples, with the unmatched ones above and below.

    Parameters
    ----------
    found : MatchedEdges
    rate_hz : float, Hz
        Samples per second of the recording.
    name : str
        For the title.
    kind : str
        svg or png.
    """
    from matplotlib.figure import Figure

    at, apart = found.apart()
    reach = found.tolerance + 1
    with drawing(name):
        figure = Figure(figsize=(10, 4), layout="constrained")
        figure.suptitle(f"{name}: the sensor's edges against the replay's", fontsize=10)
        axes: Any = figure.subplots()
        axes.axhline(0, color="0.6", linewidth=0.8)
        axes.plot(at / rate_hz, apart, ".", color=MATCHED, markersize=3.5, label=f"matched: {apart.size:,}")
        for side, row, colour, label in (
            ("logged", reach, LOGGED, "logged, not replayed"),
            ("replayed", -reach, REPLAYED, "replayed, not logged"),
        ):
            some = np.array([one.sample for one in found.unmatched() if one.side == side]) / rate_hz
            marker = "v" if row > 0 else "^"
            axes.plot(
                some, np.full(some.size, row), marker, color=colour, markersize=6, label=f"{label}: {some.size:,}"
            )
        axes.set_ylim(-reach - 0.6, reach + 0.6)
        axes.set_ylabel("sensor later by, samples")
        axes.set_xlabel("time, s")
        axes.yaxis.get_major_locator().set_params(integer=True)
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8.5)
        return picture(
            figure,
            kind,
            says="Points between the triangles are edges that both have; triangles are edges that only one has.",
        )
