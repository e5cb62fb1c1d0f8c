"""One figure of a study: what each parameter does, over all recordings."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.errors import InputError
from teachlab.light.drawing import LIGHT, drawing, picture
from teachlab.studies.family.configurations import brief_value

if TYPE_CHECKING:
    from teachlab.studies.family.family_answer import ParameterEffect, StudyAnswer

ACROSS = 3


def effect_figure(found: StudyAnswer, *, kind: str = "svg") -> bytes:
    """Draw a panel for each varied parameter: the mean over the recordings, and their range.

    Raises `InputError` if no parameter takes more than one value.
    """
    panels = [list(some) for _, some in groupby(found.effects, key=lambda one: (one.strategy, one.parameter))]
    if not panels:
        raise InputError("this study varies no parameter: there is no figure. to_pandas() gives its rows.")
    down = -(-len(panels) // ACROSS)
    with drawing("study", (11, 2.9 * down + 0.4), boxed=True) as figure:
        axes = figure.subplots(down, min(ACROSS, len(panels)), squeeze=False).reshape(-1)
        for part, panel in zip(axes, panels, strict=False):
            _draw(part, panel, found.counted)
        for part in axes[len(panels) :]:
            part.axis("off")
        return picture(
            figure,
            kind,
            says=f"{found.counted.capitalize()} of the median draw on all passes; the answer tells the second half.",
        )


def _draw(axes: Any, panel: list[ParameterEffect], counted: str) -> None:
    numbers = all(isinstance(one.value, int | float) and not isinstance(one.value, bool) for one in panel)
    if numbers:
        panel = sorted(panel, key=lambda one: float(one.value))
    at = np.array([float(one.value) for one in panel]) if numbers else np.arange(len(panel), dtype=float)
    mean, low, high = (
        np.array([np.nan if cost is None else 100 * cost for cost in costs])
        for costs in zip(*((one.cost, one.low, one.high) for one in panel), strict=True)
    )
    most, average = "cheapest to costliest recording", "mean over the recordings"
    if numbers:
        axes.fill_between(at, low, high, color=LIGHT, alpha=0.15, linewidth=0, label=most)
        axes.plot(at, mean, "o-", color=LIGHT, markersize=3.5, linewidth=1.2, label=average)
    else:  # between names there is nothing
        axes.vlines(at, low, high, color=LIGHT, alpha=0.3, linewidth=6, label=most)
        axes.plot(at, mean, "o", color=LIGHT, markersize=3.5, label=average)
        axes.set_xticks(at, [brief_value(one.value) for one in panel])
        axes.margins(x=0.3, y=0.35)  # the legend lies above
    axes.set_title(panel[0].strategy, fontsize=9)
    axes.set_xlabel(panel[0].parameter)
    axes.set_ylabel(f"{counted} in 100 passes")
    axes.set_ylim(bottom=0)
    axes.legend(frameon=False, fontsize=7)
