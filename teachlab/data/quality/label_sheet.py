"""A sheet of pictures: every proposed pass with its surroundings, the doubtful ones first."""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import Any

import numpy as np

from teachlab.data.quality.labelling import Proposal
from teachlab.data.quality.pass_doubts import LEAST_DOUBT, PassDoubt
from teachlab.data.quality.trace_figure import envelope
from teachlab.light.drawing import GREY, LIGHT, LOST, PASS, drawing, picture, time_axis
from teachlab.model.printable_text import moment, number_of, printable
from teachlab.model.recording import Recording

MOST_PICTURES, ACROSS = 60, 4


def label_sheet(recording: Recording, proposal: Proposal, doubts: Sequence[PassDoubt], *, kind: str) -> bytes:
    """Draw the proposed passes, the most doubtful first, at most `MOST_PICTURES` of them.

    `kind`: svg, or html: a page that holds the pictures and a table of the same passes.
    """
    chosen = sorted(doubts, key=lambda one: (-one.doubt, one.start))[:MOST_PICTURES]
    down = max(1, -(-len(chosen) // ACROSS))
    levels = proposal.levels
    with drawing(recording.name, (11, 0.7 + 1.7 * down), boxed=True) as figure:
        # One unit of time for all, so that pictures compare.
        longest = max((2 * _room(one) + one.end - one.start for one in chosen), default=1)
        for k, one in enumerate(chosen):
            axes = figure.add_subplot(down, ACROSS, k + 1)
            _draw(axes, recording, one, (levels.low + levels.high) / 2, longest)
            if k % ACROSS == 0:
                axes.set_ylabel(f"light, {recording.info.unit}", fontsize=6)
        doubtful = sum(one.doubt >= LEAST_DOUBT for one in doubts)
        shown = "all" if len(chosen) == len(doubts) else f"the first {len(chosen)}"
        figure.suptitle(
            f"{recording.info.title or recording.name}: {number_of(len(doubts), 'pass', 'passes')} proposed, "
            f"{doubtful} in doubt; {shown} shown, the most doubtful first. Self-labelled, no claim.",
            fontsize=9,
        )
        svg = picture(figure, "svg")
    if kind == "svg":
        return svg
    rows = "".join(
        f"<tr><td>{one.row}</td><td>{html.escape(moment(one.start, recording))}</td><td>{one.start}</td>"
        f"<td>{one.end}</td><td>{one.doubt:.2f}</td><td>{html.escape(one.reason)}</td></tr>\n"
        for one in chosen
    )
    title = html.escape(printable(recording.info.title or recording.name))
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Proposed passes of {title}</title>\n'
        "<style>body{font-family:sans-serif;margin:1em}td,th{padding:0 .8em;text-align:left}svg{max-width:100%}"
        f"</style></head>\n<body><h1>Proposed passes of {title}</h1>\n{svg.decode()[svg.decode().index('<svg') :]}\n"
        "<table><tr><th>pass</th><th>time</th><th>start, samples</th><th>end, samples</th><th>doubt</th>"
        "<th>reason</th></tr>\n"
        f"{rows}</table></body></html>\n"
    ).encode()


def _room(one: PassDoubt) -> int:
    """Return how many samples are drawn on either side of a pass."""
    return max(8, (one.end - one.start) // 2)


def _draw(axes: Any, recording: Recording, one: PassDoubt, middle: float, longest: int) -> None:
    """Draw one pass; `longest`: samples of the longest picture, whose unit of time all have."""
    rate, room = recording.info.sample_rate_hz, _room(one)
    unit, long = time_axis(longest / rate)
    start, stop = max(0, one.start - room), min(recording.samples, one.end + room)
    found = envelope(recording, start, stop, columns=240)
    x = (np.repeat(found.edges, 2)[1:-1] - one.start) / rate / long
    axes.axvspan(0, (one.end - one.start) / rate / long, color=PASS, alpha=0.25, linewidth=0)
    axes.fill_between(x, np.repeat(found.low, 2), np.repeat(found.high, 2), color=LIGHT, linewidth=0.8)
    axes.axhline(middle, color=GREY, linewidth=0.7, linestyle="--")
    axes.set_title(
        f"pass {one.row}, {moment(one.start, recording)}\n{one.reason or 'as usual'}",
        fontsize=7,
        loc="left",
        color=LOST if one.doubt >= LEAST_DOUBT else GREY,
    )
    axes.tick_params(labelsize=6)
    axes.set_xlabel(unit, fontsize=6)
