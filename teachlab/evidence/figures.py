"""Figures of a record as SVG: the same values give the same bytes; colours and dashes differ in grey print."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import partial
from html import escape
from typing import Any

import numpy as np

from teachlab.data.quality.trace_figure import envelope
from teachlab.light.drawing import EXTRA, FALSE_TRIP, GREY, LIGHT, LOST, PASS, SHADE, drawing, picture, time_axis
from teachlab.model.printable_text import in_figures, number_of, printable
from teachlab.model.recording import Recording
from teachlab.questions.repeatability.figure import draw_cloud
from teachlab.questions.surface.position_figure import draw_position
from teachlab.scoring.switching_position import SwitchingPosition

WORST_DRAWN, LONGEST_UNIT = 6, 30
MOST_DRAWN = 1e300
"""Levels beyond this leave no room for an axis within the range of numbers."""
CLOUD_CAPTION = (
    "Levels of every draw, and their cost per scored pass. A dot has no error, a cross has errors; the diamond is "
    "the setting. Grey lines show how far each level of the best in hindsight may move alone."
)

OVERVIEW_CAPTION = (
    "Lowest and highest light of the whole recording, with both levels. Triangles above mark lost passes, as far "
    "as the table of lost and worst passes lists them."
)
POSITION_CAPTION = (
    "Onset after the start of the pass, and release after its end, over its light, by kind. Within the grey band "
    "the uncertainty of the borders may be the reason."
)
OVERVIEW_COLUMNS = 800
MOST_STRETCHES = 600

Axes = Any


def record_figures(record: dict[str, Any], recording: Recording | None) -> dict[str, tuple[str, str]]:
    """Draw the figures of a record: by name, one SVG element for use inside a page, and its caption.

    `recording`: needed for the light of the worst passes.
    """
    out: dict[str, tuple[str, str]] = {}

    def add(name: str, draw: Callable[[Any, dict[str, Any]], str], height: float, title: str, caption: str) -> None:
        with drawing(name, (7.2, height), font__family="sans-serif", font__size=8) as figure:
            description = draw(figure, record)
            svg = picture(figure, "svg", Creator=None).decode()
        out[name] = embedded_figure(svg, name, title, description), caption

    if recording is not None:
        whole = partial(_overview, recording=recording)
        add("overview", whole, 2.2, "Light of the whole recording", OVERVIEW_CAPTION)
    if record["switching_position"] is not None:
        add("position", _position, 4.2, "Where in the pass the output switches", POSITION_CAPTION)
    if record["over_time"]["blocks"]:
        title = "Level of the passes over the recording"
        add("course", _course, 2.6, title, f"{title}, in stretches of equal number.")
    if record["sensitivity"]:
        title = "Lost passes and false trips when both levels are shifted"
        add("shift", _shift, 2.6, title, "Errors when both levels are shifted together; 0 is the setting.")
    if record["teach_cloud"].get("spreads"):
        add("cloud", _cloud, 3.0, "Levels taught in repeated draws, and what they cost", CLOUD_CAPTION)
    if recording is not None and record["worst"]:
        worst = record["worst"][:WORST_DRAWN]
        rows = -(-len(worst) // 3)
        caption = "Light of the first passes of the table. The pass is shaded; on-level full, off-level dotted."
        draw = partial(_worst, recording=recording, worst=worst, rows=rows)
        add("worst", draw, 2.0 * rows, "Light of the worst passes", caption)
    return out


def embedded_figure(svg: str, name: str, title: str, description: str) -> str:
    """Return an SVG that may share a page with others: own identifiers, a title and a description."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\bid="', f'id="{name}-', svg)
    svg = re.sub(r'(xlink:href|href)="#', rf'\1="#{name}-', svg)
    svg = svg.replace("url(#", f"url(#{name}-")
    head, rest = svg.split(">", 1)
    head = re.sub(r'\s(width|height)="[^"]*"', "", head)
    labels = f'role="img" aria-labelledby="{name}-title {name}-desc"'
    texts = f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-desc">{escape(description)}</desc>'
    return f"{head} {labels}>{texts}{rest}"


def _unit(record: dict[str, Any]) -> str:
    unit = printable(record["data"]["unit"])
    return unit if len(unit) <= LONGEST_UNIT else unit[: LONGEST_UNIT - 1] + "…"


def _levels(axes: Axes, record: dict[str, Any]) -> None:
    for name, style in (("on_level", "-"), ("off_level", ":")):
        level = record["setting"][name]
        if abs(level) <= MOST_DRAWN:
            axes.axhline(level, color=GREY, linestyle=style, linewidth=1, label=name.replace("_", "-"))


def _overview(figure: Any, record: dict[str, Any], recording: Recording) -> str:
    axes = figure.add_subplot()
    found = envelope(recording, 0, recording.samples, columns=OVERVIEW_COLUMNS)
    seconds = found.edges / record["data"]["sample_rate_hz"]
    unit, long = time_axis(float(seconds[-1]))
    low, high = (np.clip(values, -MOST_DRAWN, MOST_DRAWN) for values in (found.low, found.high))
    axes.fill_between(seconds[:-1] / long, low, high, step="post", color=GREY, alpha=0.45, linewidth=0, label="light")
    _levels(axes, record)
    lost = [row["start"] for row in record["worst"] if row["outcome"] != "hit" and row["reason"] != "touching"]
    if lost:
        at = np.array(lost) / record["data"]["sample_rate_hz"] / long
        place = axes.get_xaxis_transform()
        axes.plot(at, np.ones(at.size), "v", color=LOST, markersize=4, transform=place, clip_on=False, label="lost")
    axes.set_xlabel(f"time since the start, {unit}")
    axes.set_ylabel(_unit(record))
    axes.legend(frameon=False, ncols=4, fontsize=7, loc="lower left", bbox_to_anchor=(0, 1), borderaxespad=0.4)
    return f"{len(lost)} lost passes marked."


def _position(figure: Any, record: dict[str, Any]) -> str:
    found = record["switching_position"]
    more = {name: found[name] for name in ("doubt_ms", "doubt_is", "line_speed_m_s")}
    position = SwitchingPosition.from_points(found["points"], confidence=record["options"]["confidence"], **more)
    draw_position(figure, position, _unit(record))
    return " ".join(found["said"])


def _course(figure: Any, record: dict[str, Any]) -> str:
    axes = figure.add_subplot()
    blocks = record["over_time"]["blocks"]
    unit, long = time_axis(3600 * max(b["hours"] for b in blocks))
    at = [3600 * b["hours"] / long for b in blocks]
    drawn = (
        ("object", "-o", PASS, "median of the passes"),
        ("weakest", "--s", PASS, "weakest pass"),
        ("background", "-.^", LIGHT, "median of the gaps"),
    )
    for key, style, color, label in drawn:
        values = [np.nan if b[key] is None else b[key] for b in blocks]
        axes.plot(at, values, style, color=color, markersize=3, label=label)
    _levels(axes, record)
    axes.set_xlabel(f"time since the start, {unit}")
    axes.set_ylabel(_unit(record))
    axes.legend(frameon=False, ncols=5, fontsize=7, loc="lower left", bbox_to_anchor=(0, 1), borderaxespad=0.2)
    first, last = ("unknown" if b["object"] is None else in_figures(b["object"]) for b in (blocks[0], blocks[-1]))
    return f"{number_of(len(blocks), 'stretch', 'stretches')} of passes; median from {first} to {last} {_unit(record)}."


def _cloud(figure: Any, record: dict[str, Any]) -> str:
    levels, cost = figure.subplots(1, 2)
    cloud = record["teach_cloud"]
    said = draw_cloud(levels, cost, cloud, cloud["best"], _unit(record))
    figure.legend(*levels.get_legend_handles_labels(), fontsize=7, loc="outside upper left", ncols=4, frameon=False)
    return said


def _shift(figure: Any, record: dict[str, Any]) -> str:
    axes = figure.add_subplot()
    rows = record["sensitivity"]
    shift = [r["shift"] for r in rows]
    axes.step(shift, [r["lost"] for r in rows], where="mid", color=LOST, label="lost passes")
    axes.step(shift, [r["false_trips"] for r in rows], "--", where="mid", color=FALSE_TRIP, label="false trips")
    axes.step(shift, [r["extra"] for r in rows], ":", where="mid", color=EXTRA, label="extra switchings")
    axes.axvline(0, color=GREY, linewidth=1)
    axes.set_yscale("symlog", linthresh=1)
    axes.set_ylim(bottom=0)
    axes.yaxis.set_major_formatter("{x:g}")
    axes.set_xlabel(f"shift of both levels, {_unit(record)}")
    axes.set_ylabel("count")
    axes.legend(frameon=False, ncols=3, fontsize=7, loc="lower left", bbox_to_anchor=(0, 1), borderaxespad=0.2)
    clean = [not (r["lost"] or r["false_trips"] or r["extra"]) for r in rows]
    if not any(clean):
        return "Every shift makes an error."
    # An extra switching may come and go: the stretch that holds the least shift without an error.
    low = high = min((k for k, fine in enumerate(clean) if fine), key=lambda k: abs(shift[k]))
    while low > 0 and clean[low - 1]:
        low -= 1
    while high + 1 < len(clean) and clean[high + 1]:
        high += 1
    return f"Without an error from {in_figures(shift[low])} to {in_figures(shift[high])} {_unit(record)}."


def _worst(
    figure: Any, record: dict[str, Any], recording: Recording, worst: Sequence[dict[str, Any]], rows: int
) -> str:
    rate = record["data"]["sample_rate_hz"]
    longest = max((row["end"] - row["start"] for row in worst), default=1)
    # One unit of time for all, so that pictures compare.
    unit, long = time_axis((longest + 2 * _around(longest)) / rate)
    for k, row in enumerate(worst):
        axes = figure.add_subplot(rows, 3, k + 1)
        around = _around(row["end"] - row["start"])
        block = recording.read(row["start"] - around, row["end"] + around)
        light, at = _thinned(block.as_float())
        time = (at + block.start - row["start"]) / rate / long
        axes.axvspan(0, (row["end"] - row["start"]) / rate / long, color=SHADE)
        axes.plot(time, light, color=LOST if row["outcome"] != "hit" else LIGHT, linewidth=0.8)
        _levels(axes, record)
        axes.set_title(f"pass {row['pass']}: {row['reason'] or row['outcome']}", fontsize=8)
        axes.set_xlabel(f"after its start, {unit}", fontsize=7)
        if k % 3 == 0:
            axes.set_ylabel(_unit(record), fontsize=7)
    return "; ".join(f"pass {row['pass']}: {row['reason'] or row['outcome']}" for row in worst) + "."


def _around(samples: int) -> int:
    """Return how many samples are drawn on either side of a pass of so many."""
    return max(5, samples // 2)


def _thinned(light: np.ndarray[Any, np.dtype[np.float64]]) -> Any:
    """Return the extremes of equal stretches, so that no peak is lost, and their places."""
    if light.size <= 2 * MOST_STRETCHES:
        return light, np.arange(light.size)
    cuts = np.arange(MOST_STRETCHES) * light.size // MOST_STRETCHES
    low, high = np.fmin.reduceat(light, cuts), np.fmax.reduceat(light, cuts)
    return np.column_stack([low, high]).ravel(), np.repeat(cuts, 2)
