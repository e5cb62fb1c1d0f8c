"""Figure of an agreement: how early or late every edge was, edges without a partner, and both outputs at one edge."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.data.quality.trace_figure import envelope
from teachlab.device.logged_edges import LoggedEdges
from teachlab.light.drawing import FALSE_TRIP, GOOD, LIGHT, LOST, OUTPUT, drawing, picture, time_axis
from teachlab.model.recording import Recording

if TYPE_CHECKING:
    from teachlab.device.matching import MatchedEdges

MATCHED, LOGGED, REPLAYED = GOOD, LOST, FALSE_TRIP
EDGES_AROUND = 8
"""Edges on either side of the edge that is shown with its light."""


def agreement_figure(found: MatchedEdges, recording: Recording, *, kind: str = "svg") -> bytes:
    """Draw logged minus replayed edges over time, unmatched edges above and below, and both outputs at the first one.

    `recording`: the recording whose output was logged.
    """
    at, apart = found.apart()
    rate_hz, name = recording.info.sample_rate_hz, recording.info.title or recording.name
    unit, long = time_axis(recording.samples / rate_hz)
    reach = found.tolerance + 1
    with drawing(name, (10, 6.5)) as figure:
        figure.suptitle(f"{name}: the sensor's edges against the replay's", fontsize=10)
        axes, below = figure.subplots(2, 1)
        axes.axhline(0, color="0.6", linewidth=0.8)
        axes.plot(at / rate_hz / long, apart, ".", color=MATCHED, markersize=3.5, label=f"matched: {apart.size:,}")
        for side, row, colour, label in (
            ("logged", reach, LOGGED, "logged, not replayed"),
            ("replayed", -reach, REPLAYED, "replayed, not logged"),
        ):
            some = np.array([one.sample for one in found.unmatched() if one.side == side]) / rate_hz / long
            marker = "v" if row > 0 else "^"
            axes.plot(
                some, np.full(some.size, row), marker, color=colour, markersize=6, label=f"{label}: {some.size:,}"
            )
        axes.set_ylim(-reach - 0.6, reach + 0.6)
        axes.set_ylabel("sensor later by, samples")
        axes.set_xlabel(f"time, {unit}")
        axes.yaxis.get_major_locator().set_params(integer=True)
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8.5)
        _both_outputs(below, found, recording)
        return picture(
            figure,
            kind,
            says="Points between the triangles are edges that both have; triangles are edges that only one has.",
        )


def _both_outputs(axes: Any, found: MatchedEdges, recording: Recording) -> None:
    """Draw the light around the first edge without a partner, or the first edge, with a row for each output."""
    rate = recording.info.sample_rate_hz
    alone = found.unmatched()
    every = np.sort(np.concatenate((*found.logged, *found.replayed)))
    if not every.size:
        axes.set_axis_off()
        return
    k = int(np.searchsorted(every, alone[0].sample)) if alone else 0
    ends = every[max(0, k - EDGES_AROUND)], every[min(every.size - 1, k + EDGES_AROUND)]
    room = max(10, int(ends[1] - ends[0]) // 20)
    start, stop = max(0, int(ends[0]) - room), min(recording.samples, int(ends[1]) + room)
    seen = envelope(recording, start, stop)
    axes.fill_between(
        seen.edges[:-1] / rate, seen.low, seen.high, step="post", color=LIGHT, linewidth=0.8, label="light"
    )
    place = axes.get_xaxis_transform()
    for foot, sides, colour, label in (
        (0.07, found.logged, OUTPUT, "sensor's output, as logged"),
        (0.0, found.replayed, REPLAYED, "replay, at that lag"),
    ):
        runs = LoggedEdges(recording.samples, False, *sides).runs()
        bars = np.column_stack((runs[:, 0], runs[:, 1] - runs[:, 0])) / rate
        axes.broken_barh(bars, (foot, 0.05), facecolors=colour, linewidth=0, transform=place, label=label)
    axes.set_xlim(start / rate, stop / rate)
    axes.margins(y=0.2)
    axes.set_title("at the first edge that only one has" if alone else "at the first edges", loc="left", fontsize=9)
    axes.set_ylabel(f"light, {recording.info.unit}")
    axes.set_xlabel("time, s")
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8.5)
