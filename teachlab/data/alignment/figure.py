"""Figure of crossings around the borders, before and after the shift."""

from __future__ import annotations

from typing import Any

import numpy as np

from teachlab.data.alignment.answer import Alignment
from teachlab.light.drawing import LIGHT, PASS, SHADE, drawing, picture, time_axis
from teachlab.model.printable_text import in_figures, to_error
from teachlab.model.truth import Truth


def alignment_figure(alignment: Alignment, truth: Truth, *, name: str, kind: str = "svg") -> bytes:
    """Draw how far the crossings of the light lie after every border, over time: before and after the shift.

    `truth`: truth that was measured.
    `name`: name of the recording, for the title.
    """
    a, lags = alignment, alignment.lags
    middle, to_ms = a.samples / 2, a.ms(1.0)
    unit, long = time_axis(a.samples / a.sample_rate_hz)
    # No more digits than the screen tells.
    moved = to_error(a.ms(a.shift.shift), a.ms(lags.high - lags.low) / 2)
    clock = to_error(1e6 * a.shift.rate, 1e6 * (lags.rate_high - lags.rate_low) / 2)
    sides = []
    for places, left, lag, colour, mark, word in (
        (truth.start, lags.begins, lags.begin, LIGHT, "o", "start of a pass"),
        (truth.end, lags.ends, lags.end, PASS, "s", "end of a pass"),
    ):
        # The remaining deviation of a border, plus the shift that was subtracted.
        whole = left + lag + lags.shift.rate * (places - middle)
        after = whole - a.shift.of(places) + places
        sides.append((places / a.sample_rate_hz / long, whole * to_ms, after * to_ms, colour, mark, word))
    with drawing(name, (10, 5.2)) as figure:
        figure.suptitle(name, fontsize=10)
        rows: Any = figure.subplots(2, 1, sharex=True)
        titles = (
            ("passes as they are", a.doubt, 1),
            (f"passes moved by {moved} ms, clock by {clock} ppm", a.doubt_after, 2),
        )
        for axes, (title, doubt, column) in zip(rows, titles, strict=True):
            axes.axhspan(
                -a.ms(doubt), a.ms(doubt), color=SHADE, label=f"doubt of the borders, ±{in_figures(a.ms(doubt), 2)} ms"
            )
            axes.axhline(0, color="black", linewidth=0.8)
            for side in sides:
                axes.plot(
                    side[0], side[column], side[4], color=side[3], markersize=2.6, fillstyle="none",
                    markeredgewidth=0.7, label=side[5],
                )  # fmt: skip
            known = np.concatenate([side[column] for side in sides])
            known = known[~np.isnan(known)]
            low, high = np.quantile(known, [0.01, 0.99]) if known.size else (0.0, 0.0)
            room = max(1.5 * (high - low), 3 * a.ms(lags.jitter), a.ms(0.5))
            axes.set_ylim(min(low, 0) - room / 2, max(high, 0) + room / 2)
            beyond = int(np.count_nonzero((known < axes.get_ylim()[0]) | (known > axes.get_ylim()[1])))
            axes.set_title(
                title + (f"; borders outside the picture: {beyond}" if beyond else ""), loc="left", fontsize=9
            )
            axes.set_ylabel("light after the border, ms")
            axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8.5)
        rows[-1].set_xlabel(f"time, {unit}")
        return picture(
            figure,
            kind,
            says="Points along zero: passes and light agree. Along another value: a lag. On a slope: a drifting clock.",
        )
