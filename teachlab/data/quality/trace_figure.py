"""Figure of a recording: its light over time with the passes marked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.data.quality.report import Quality
from teachlab.light.drawing import GREY, LIGHT, OUTPUT, PASS, drawing, picture, time_axis
from teachlab.light.extremes import Extremes
from teachlab.model.recording import Origin, Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth

COLUMNS = 1600
DETAIL_PASSES = 6


@dataclass(frozen=True, slots=True, eq=False)
class Envelope:
    """Lowest and highest light in equal stretches of time; no sample is left out.

    `edges`: shape (columns + 1,), samples.
    `low`, `high` (shape (columns,), recording units): NaN if no sample is valid.
    """

    edges: NDArray[np.int64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


def envelope(recording: Recording, start: int, stop: int, *, columns: int = COLUMNS) -> Envelope:
    """Return the envelope of the samples ``[start, stop)``."""
    columns = min(columns, stop - start)
    edges = np.array([start + k * (stop - start) // columns for k in range(columns + 1)], np.int64)
    found = Extremes(edges[:-1], edges[1:])
    for block in recording.blocks(start, stop):
        found.push(block.start, block.light, block.invalid_mask())
    return Envelope(edges, found.low, found.high)


def trace_figure(
    recording: Recording,
    truth: Truth | None,
    quality: Quality,
    *,
    best: Setting | None = None,
    logged: NDArray[np.int64] | None = None,
    first: str = "",
    kind: str = "svg",
) -> bytes:
    """Draw the whole recording and, below it, its first passes.

    `truth`: passes to mark.
    `quality`: of the recording.
    `best`: the best pair of levels, as the answer names it: drawn, unless something comes first.
    `logged` (shape (k, 2), samples): where the sensor's own logged output is active: drawn as a separate row.
    `first`: what is to be done to the passes before a level means anything; empty if nothing is.
    """
    spans = [(0, recording.samples)]
    if truth is not None and truth.passes:
        spans.append(_detail(truth, recording.samples))
    with drawing(recording.name, (11, 1.2 + 2.6 * len(spans))) as figure:
        for k, (start, stop) in enumerate(spans):
            axes = figure.add_subplot(len(spans), 1, k + 1)
            _draw(axes, recording, truth, None if first else best, start, stop, logged)
            axes.set_title("the whole recording" if k == 0 else "its first passes", loc="left", fontsize=9)
            if k == 0:
                axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8.5)
        notes = " — synthetic, no evidence about a real line" if recording.info.origin is Origin.SYNTHETIC else ""
        if quality.truth_source == "self-labelled":
            notes += " — passes self-labelled, support no claim"
        figure.suptitle((recording.info.title or recording.name) + notes, fontsize=10)
        works = "Good levels switch once for each product, and never in a gap."
        return picture(figure, kind, says=f"No level is drawn: {first}." if first else works)


def _detail(truth: Truth, samples: int) -> tuple[int, int]:
    last = min(DETAIL_PASSES, truth.passes) - 1
    start, stop = int(truth.start[0]), int(truth.end[last])
    room = max(1, (stop - start) // 12)
    return max(0, start - room), min(samples, stop + room)


def _draw(
    axes: Any, recording: Recording, truth: Truth | None, best: Setting | None, start: int, stop: int,
    logged: NDArray[np.int64] | None,
) -> None:  # fmt: skip
    found = envelope(recording, start, stop)
    rate = recording.info.sample_rate_hz
    unit, size = time_axis((stop - start) / rate)

    def at(samples: NDArray[np.int64]) -> NDArray[np.float64]:
        return samples / rate / size

    # Every column appears twice, at both of its ends, so that it is as wide as its stretch of time.
    x = np.repeat(at(found.edges), 2)[1:-1]
    low, high = np.repeat(found.low, 2), np.repeat(found.high, 2)
    axes.fill_between(x, low, high, color=LIGHT, linewidth=0.6, label="light, lowest to highest")
    rows: list[tuple[NDArray[np.int64], float, str, str]] = []
    if truth is not None:
        for detect, colour, name in ((True, PASS, "pass"), (False, GREY, "pass to ignore")):
            chosen = truth.detect == detect
            rows.append((np.column_stack((truth.start, truth.end))[chosen], 0.0, colour, name))
    if logged is not None:
        rows.append((logged, 0.05, OUTPUT, "sensor's own output active"))
    for spans, foot, colour, name in rows:
        begin, end = _covered(spans, found.edges)
        if begin.size:
            bars = np.column_stack([at(begin), at(end) - at(begin)])
            axes.broken_barh(
                bars, (foot, 0.035), facecolors=colour, edgecolors=colour, linewidth=0.6,
                transform=axes.get_xaxis_transform(), label=name,
            )  # fmt: skip
    bad = np.isnan(found.low)
    if bad.any():
        begin, end = _runs(bad, found.edges)
        bars = np.column_stack([at(begin), at(end) - at(begin)])
        axes.broken_barh(
            bars, (0, 1), facecolors="none", edgecolors=GREY, hatch="///", linewidth=0,
            transform=axes.get_xaxis_transform(), label="no valid sample",
        )  # fmt: skip
    for name, level, style in () if best is None else (("on", best.on_level, "--"), ("off", best.off_level, ":")):
        axes.axhline(level, color="black", linestyle=style, linewidth=1, label=f"{name}-level of the best pair")
    axes.set_xlim(at(found.edges[:1])[0], at(found.edges[-1:])[0])
    axes.margins(y=0.08 if logged is None else 0.13)
    axes.set_xlabel(f"time, {unit}")
    axes.set_ylabel(f"light, {recording.info.unit}")


def _covered(spans: NDArray[np.int64], edges: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the stretches of columns that hold part of a span: even the shortest is one column wide."""
    start, end = spans[(spans[:, 1] > edges[0]) & (spans[:, 0] < edges[-1])].T
    columns = edges.size - 1
    first = (np.searchsorted(edges, start, side="right") - 1).clip(0)
    last = np.searchsorted(edges, end, side="left").clip(0, columns)
    flips = np.zeros(columns + 1, np.int64)
    np.add.at(flips, first, 1)
    np.subtract.at(flips, last, 1)
    return _runs(np.cumsum(flips)[:columns] > 0, edges)


def _runs(flags: NDArray[np.bool_], edges: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    at = edges[np.flatnonzero(np.diff(flags, prepend=False, append=False))]
    return at[::2], at[1::2]
