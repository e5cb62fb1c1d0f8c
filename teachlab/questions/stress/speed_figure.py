"""A setting over the speed of the line as a figure: losses and trips, and how much light may still be lost."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from teachlab.errors import ParameterError
from teachlab.light.drawing import EXTRA, FALSE_TRIP, GOOD, LOST, drawing, picture
from teachlab.questions.stress.speeds import AtSpeed, fastest
from teachlab.statistics.intervals import proportion

"""From the palette of Okabe & Ito (2008), which colour-blind readers can distinguish; the marks differ too."""
MOST_LINEAR = 4
"""Largest ratio of two speeds that is drawn on a linear scale."""
ABOVE = {"loc": "lower left", "bbox_to_anchor": (0.0, 1.0), "fontsize": 8, "frameon": False, "borderaxespad": 0.2}
"""Legends are placed above the panel, so that they hide nothing."""


def speed_figure(found: Sequence[AtSpeed], *, title: str = "", kind: str = "svg") -> bytes:
    """Draw two panels over the speed: errors per pass, and the share of the light that may be lost.

    `found`: at least one, in any order.

    The bytes are the same for the same values and library versions.

    Notes
    -----
    The bars are exact intervals of the lost rate (Clopper & Pearson 1934) at 95 %. All speeds are counted on the same
    passes, so the bars of two speeds are not independent.
    """
    if not found:
        raise ParameterError("a figure over the speed needs at least one speed, got none.")
    ordered = sorted(found, key=lambda at: at.factor)
    with drawing(title or "speed", (6.4, 5.6)) as figure:
        faults, reserve = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        _faults(faults, ordered)
        _reserve(reserve, ordered)
        _speed_axis(reserve, ordered)
        figure.suptitle("\n".join(part for part in (title, _verdict(ordered)) if part), fontsize=10)
        return picture(
            figure, kind, says="The line may run as fast as errors stay at zero and light is left in reserve."
        )


def _verdict(ordered: Sequence[AtSpeed]) -> str:
    works = [f"{one.factor:g}" for one in ordered if one.faultless]
    best = fastest(ordered)
    if not works:
        return "works at no speed tried"
    if best is None:
        return f"fails at the slowest speed tried; without a fault at {', '.join(works)} times the recorded one"
    more = "the fastest tried" if best == ordered[-1].factor else "fails at the next one tried"
    return f"works up to {best:g} times the recorded speed ({more})"


def _speed_axis(axes: Any, ordered: Sequence[AtSpeed]) -> None:
    """Show the tried speeds; by ratio if they span more than a factor of four."""
    from matplotlib.ticker import NullLocator

    at = np.array([one.factor for one in ordered])
    wide = at[-1] > MOST_LINEAR * at[0]
    place = np.log(at) if wide else at
    span = float(place[-1] - place[0])
    # A number needs about a fifteenth of the width to stay clear of the one before it.
    shown = [0]
    for k in range(1, at.size):
        if place[k] - place[shown[-1]] >= span / 15:
            shown.append(k)
    if wide:
        axes.set_xscale("log")
    axes.set_xticks(at[shown], [f"{value:g}" for value in at[shown]])
    axes.xaxis.set_minor_locator(NullLocator())
    room = 0.04 * span
    ends = (place[0] - room, place[-1] + room) if span else (0.5 * at[0], 1.5 * at[0])
    axes.set_xlim(*(np.exp(ends) if wide else ends))
    label = "speed of the line, as a multiple of the recorded one"
    speed = ordered[0].line_speed_m_s
    axes.set_xlabel(label if speed is None else f"{label}; 1 is {speed / ordered[0].factor:.3g} m/s")


def _faults(axes: Any, ordered: Sequence[AtSpeed]) -> None:
    at = [one.factor for one in ordered]
    per = [max(one.counts.detect_trials, 1) for one in ordered]
    lost = [proportion(one.counts.apart_lost, one.counts.detect_trials) for one in ordered]
    values = [one.counts.apart_lost / n for one, n in zip(ordered, per, strict=True)]
    reach = np.array([[v - r.low for v, r in zip(values, lost, strict=True)],
                      [r.high - v for v, r in zip(values, lost, strict=True)]])  # fmt: skip
    axes.errorbar(
        at, values, yerr=np.maximum(reach, 0), color=LOST, marker="o", markersize=6, linewidth=1.4, elinewidth=1,
        capsize=3, label="lost passes, with 95 % interval", clip_on=False, zorder=2.5,
    )  # fmt: skip
    false = [(one.counts.false_trips + one.counts.ignore_trips) / n for one, n in zip(ordered, per, strict=True)]
    extra = [one.counts.extra / n for one, n in zip(ordered, per, strict=True)]
    for series, color, line, marker, name in (
        (false, FALSE_TRIP, "--", "s", "false trips"),
        (extra, EXTRA, ":", "^", "extra switchings"),
    ):
        axes.plot(
            at, series, color=color, linestyle=line, marker=marker, markersize=4, label=name, markerfacecolor="none",
            clip_on=False, zorder=3,
        )  # fmt: skip
    axes.set_yscale("symlog", linthresh=1 / max(per), linscale=0.4)
    axes.set_ylim(bottom=0)
    axes.set_ylabel("per pass to be detected")
    axes.legend(**ABOVE, ncols=3)


def _reserve(axes: Any, ordered: Sequence[AtSpeed]) -> None:
    works = [one for one in ordered if one.stressed.contamination_reserve is not None]
    shares = [100 * (one.stressed.contamination_reserve or 0.0) for one in works]
    # A curve through a speed without a reserve would suggest that there is one.
    whole = [np.nan if r is None else 100 * r for r in (one.stressed.contamination_reserve for one in ordered)]
    axes.plot([one.factor for one in ordered], whole, color=GOOD, linewidth=1.4)
    if works:
        axes.plot(
            [one.factor for one in works], shares, "o", color=GOOD, markersize=4, label="lost before the first fault",
            clip_on=False,
        )  # fmt: skip
    none = [
        one.factor
        for one in ordered
        if one.stressed.contamination_reserve is None and not (one.stressed.share_refused and one.faultless)
    ]
    if none:
        axes.plot(
            none,
            np.zeros(len(none)),
            "x",
            color=FALSE_TRIP,
            markersize=7,
            label="a fault at this speed already",
            clip_on=False,
        )
    if any(one.stressed.share_refused for one in ordered):
        axes.text(0.5, 0.5, "no share of the light can be stated", transform=axes.transAxes, ha="center", fontsize=8)
    axes.set_ylim(0, max(10.0, 1.15 * max(shares, default=0.0)))
    axes.set_ylabel("light that may\nbe lost, %")
    if works or none:
        axes.legend(**ABOVE, ncols=2)
