"""A sheet of pictures: every proposed pass with its surroundings, the doubtful ones first."""

from __future__ import annotations

import html
from base64 import b64encode
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from teachlab.data.quality.labelling import Proposal
from teachlab.data.quality.pass_doubts import LEAST_DOUBT, PassDoubt
from teachlab.data.quality.trace_figure import envelope
from teachlab.light.drawing import GREY, LIGHT, LOST, PASS, drawing, picture, time_axis
from teachlab.model.printable_text import level_text, moment, number_of, printable
from teachlab.model.recording import Recording

MOST_PICTURES, ACROSS = 60, 4
USUAL = "as usual"
TO_DO = (
    "Look at the pictures in this order. Where one shows no product, take its row out of the table of passes; where it "
    "shows two, or wrong borders, correct the row. Then read the table back with <code>teachlab label --from</code>."
)
HEAD = """<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">
"""
STYLE = """<style>
body { font: 1rem/1.4 system-ui, sans-serif; margin: 1rem; overflow-wrap: anywhere; }
h1 { font-size: 1.3rem; } p { max-width: 50rem; }
.pictures { display: grid; grid-template-columns: repeat(auto-fill, minmax(18rem, 1fr)); gap: 1rem; }
figure { margin: 0; break-inside: avoid; } img { display: block; width: 100%; background: #fff; }
figcaption { font-size: .9rem; }
@media (max-width: 40rem) { .pictures { display: block; } figure { margin-bottom: 1.5rem; } }
@media print { .pictures { display: block; columns: 3; } figure { margin-bottom: 1rem; } }
</style>
"""


def label_sheet(recording: Recording, proposal: Proposal, doubts: Sequence[PassDoubt], *, kind: str) -> bytes:
    """Draw the proposed passes, the most doubtful first, at most `MOST_PICTURES` of them.

    `kind`: svg, or html: a page of pictures, as many side by side as there is room for.
    """
    chosen = sorted(doubts, key=lambda one: (-one.doubt, one.start))[:MOST_PICTURES]
    middle, unit = (proposal.levels.low + proposal.levels.high) / 2, recording.info.unit
    # One unit of time for all, so that pictures compare.
    longest = max((2 * _room(one) + one.end - one.start for one in chosen), default=1)
    doubtful = sum(one.doubt >= LEAST_DOUBT for one in doubts)
    shown = "all" if len(chosen) == len(doubts) else f"the first {len(chosen)}"
    name = recording.info.title or recording.name
    told = (
        f"{number_of(len(doubts), 'pass', 'passes')} proposed, {doubtful} in doubt; {shown} shown, the most doubtful "
        "first. Self-labelled, no claim."
    )
    marks = f"Grey: the pass as proposed. Dashed: half-way between the two levels, {level_text(middle)} {unit}."
    if kind == "html":
        return _page(
            recording, chosen, name, f"{told} {marks}", lambda axes, one: _draw(axes, recording, one, middle, longest)
        )
    down = max(1, -(-len(chosen) // ACROSS))
    with drawing(recording.name, (11, 0.9 + 1.7 * down), boxed=True) as figure:
        for k, one in enumerate(chosen):
            axes = figure.add_subplot(down, ACROSS, k + 1)
            _draw(axes, recording, one, middle, longest)
            axes.set_title(
                f"{_where(recording, one)}\n{one.reason or USUAL}", fontsize=7, loc="left",
                color=LOST if one.doubt >= LEAST_DOUBT else GREY,
            )  # fmt: skip
            axes.tick_params(labelsize=6)
            axes.xaxis.label.set_fontsize(6)
            if k % ACROSS == 0:
                axes.set_ylabel(f"light, {unit}", fontsize=6)
        figure.suptitle(f"{name}: {told}", fontsize=9)
        return picture(figure, "svg", says=marks)


def _page(
    recording: Recording, chosen: Sequence[PassDoubt], name: str, told: str, draw: Callable[[Any, PassDoubt], None]
) -> bytes:
    """Return a page with a picture of every pass, and below each what is told of it: read on a phone as on a screen."""
    figures = []
    for one in chosen:
        with drawing(recording.name, (3.2, 1.7), boxed=True, font__size=8) as figure:
            axes = figure.add_subplot()
            draw(axes, one)
            axes.set_ylabel(f"light, {recording.info.unit}")
            drawn = b64encode(picture(figure, "svg")).decode()
        where, why = html.escape(_where(recording, one)), html.escape(one.reason or USUAL)
        figures.append(
            f'<figure><img alt="Light around {where}" src="data:image/svg+xml;base64,{drawn}">\n'
            f"<figcaption><b>{where}</b>, samples {one.start} to {one.end}. Doubt {100 * one.doubt:.0f} %: "
            f"{f'<strong>{why}</strong>' if one.doubt >= LEAST_DOUBT else why}.</figcaption></figure>\n"
        )
    title = html.escape(f"Proposed passes of {printable(name)}")
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n{HEAD}<title>{title}</title>\n{STYLE}'
        f"</head>\n<body>\n<main>\n<h1>{title}</h1>\n<p>{TO_DO}</p>\n<p>{html.escape(printable(told))}</p>\n"
        f"<div class='pictures'>\n{''.join(figures)}</div>\n</main>\n</body>\n</html>\n"
    ).encode()


def _where(recording: Recording, one: PassDoubt) -> str:
    return f"pass {one.row}, {moment(one.start, recording)}"


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
    axes.set_xlabel(unit)
