"""Figures: text is stored as text, and the same content gives the same bytes."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from teachlab.model.printable_text import LONG_S, in_figures, printable

if TYPE_CHECKING:
    import numpy as np
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

LIGHT, PASS, LOST, FALSE_TRIP, EXTRA, GOOD = "#0072B2", "#1A1A1A", "#D55E00", "#CC79A7", "#595959", "#009E73"
"""One colour a thing in all figures: light (of gaps too), passes, lost passes, false trips, extra switchings, no error.

Blue, vermillion, purple and green are of Okabe and Ito's palette for colour-blind readers (values from memory); line
styles and marks differ too, for grey print.
"""
OUTPUT = "#7A5C00"
"""The sensor's own output, as logged."""
GREY, SHADE, OUTLINE = "#595959", "#E6E6E6", "#1A1A1A"
"""Levels and limits; areas of uncertainty; borders of what works, and single settings."""
PLAIN_NUMBERS = (-7, 15)
"""Powers of ten between which numbers on axes are written in full; beyond, each has its own power beside it."""
SHORT, SMALLEST = 5, 10
"""Numbers of so many characters always stand apart; one with a power of ten has at most so many."""
LETTER, DIGIT = 0.56, 0.64
"""Width of a letter in a title, and of a digit, as a share of the size of the text."""
RESOLUTION = 110
"""Dots per inch of a PNG."""


@contextmanager
def drawing(salt: str, inches: tuple[float, float], *, boxed: bool = False, **style: Any) -> Iterator[Figure]:
    """Draw a figure inside this block: a dollar sign begins no formula, and names in an SVG follow from `salt`.

    `boxed`: axes have lines on all sides, not on the left and below alone.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    ours: Any = {"svg.hashsalt": printable(salt), "svg.fonttype": "none", "font.size": 9, "text.parse_math": False}
    # Numbers stand in full at the ticks: a power of ten, or a number to add, in a corner is overlooked.
    ours |= {"axes.formatter.limits": PLAIN_NUMBERS, "axes.formatter.useoffset": False}
    ours |= {"axes.spines.top": boxed, "axes.spines.right": boxed}
    ours |= {key.replace("__", "."): value for key, value in style.items()}
    with mpl.rc_context(ours):
        yield Figure(figsize=inches, layout="constrained")


def time_axis(seconds: float) -> tuple[str, float]:
    """Return the unit of an axis of time that is so long, and its length in s.

    Examples
    --------
    >>> [time_axis(long) for long in (0.3, 64.3, 600, 90_000)]
    [('ms', 0.001), ('s', 1.0), ('min', 60.0), ('h', 3600.0)]
    """
    limits = ((0.5, "ms", 1e-3), (LONG_S, "s", 1.0), (4 * 3600.0, "min", 60.0))
    return next(((unit, long) for limit, unit, long in limits if seconds < limit), ("h", 3600.0))


def picture(figure: Figure, kind: str, *, says: str = "", **metadata: None) -> bytes:
    """Return a figure as SVG or PNG, with all its text printable and without a date.

    `figure`: a figure that was drawn inside `drawing`.
    `says`: one sentence below the figure that says what to see. A page that holds figures prints it as the caption.
    `**metadata`: further entries that are left out of an SVG.
    """
    from matplotlib.text import Text
    from matplotlib.ticker import FixedFormatter, FuncFormatter, LogFormatter, NullFormatter

    if says:
        figure.supxlabel(says, x=0.01, ha="left", fontsize=9)
    _break_titles(figure)
    for text in figure.findobj(Text):
        assert isinstance(text, Text)  # noqa: S101 -- what findobj was asked for
        text.set_text(printable(text.get_text(), keep="\n", most=400))
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            formatter = axis.get_major_formatter()
            if isinstance(formatter, FixedFormatter):
                formatter.seq = [printable(label, keep="\n", most=120) for label in formatter.seq]
            elif axis.get_scale() == "symlog":
                _ticks_from_zero(axis)
            elif isinstance(formatter, LogFormatter):
                # Powers of ten would be formulas. Formulas are switched off, so their source text would be printed.
                axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
                axis.set_minor_formatter(NullFormatter())
    _number_axes(figure)
    out = io.BytesIO()
    with warnings.catch_warnings():
        # Scripts that the font lacks appear as boxes in a PNG; an SVG holds the text itself.
        warnings.filterwarnings("ignore", message="Glyph .* missing from", category=UserWarning)
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support", category=UserWarning)
        figure.savefig(out, format=kind, metadata={"Date": None, **metadata} if kind == "svg" else None, dpi=RESOLUTION)
    return out.getvalue()


def bins_over(values: NDArray[np.float64], count: int) -> list[float]:
    """Return the borders of bins of equal width from the least to the largest value, ascending whatever their size."""
    from numpy import linspace, spacing

    low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 1.0)
    out: list[float] = linspace(low, max(high, low + count * float(spacing(abs(low)))), count).tolist()
    return out


def draw_light(axes: Any, gaps: NDArray[np.float64], passes: NDArray[np.float64], which: str, **of_passes: Any) -> None:
    """Draw how often light is that of a gap, as an area, and of a pass, as a line; `which`: highest or lowest."""
    from numpy import concatenate

    bins = bins_over(concatenate((passes, gaps)), 80)
    axes.hist(gaps, bins, color=LIGHT, alpha=0.75, label=f"{which} light of a gap ({gaps.size})")
    label = f"{which} light of a pass ({passes.size})"
    axes.hist(passes, bins, histtype="step", color=PASS, linewidth=1.3, label=label, **of_passes)
    axes.set_yscale("symlog", linthresh=1)


def _number_axes(figure: Figure) -> None:
    """Write the numbers of linear axes in full, and set fewer ticks where they would run into each other below one."""
    import matplotlib as mpl
    from matplotlib.ticker import FuncFormatter, MaxNLocator, ScalarFormatter

    placed = False
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            formatter = axis.get_major_formatter()
            if not isinstance(formatter, ScalarFormatter):
                continue
            longest = max((len(text) for text in formatter.format_ticks(list(axis.get_majorticklocs()))), default=0)
            if formatter.get_offset():
                axis.set_major_formatter(FuncFormatter(lambda value, _: in_figures(value)))
                longest = SMALLEST
            if axis is axes.yaxis or longest <= SHORT:
                continue
            if not placed:
                figure.draw_without_rendering()
                placed = True
            wide = 72 * axes.get_window_extent().width / figure.dpi
            most = int(wide / (DIGIT * float(mpl.rcParams["font.size"]) * (longest + 2)))
            low, high = axes.get_xlim()
            if sum(low <= tick <= high for tick in axes.get_xticks()) > most:
                axis.set_major_locator(MaxNLocator(max(1, most - 1), steps=[1, 2, 5, 10]))


def _break_titles(figure: Figure) -> None:
    """Break titles, and the sentence below, into lines that fit the figure, or their column of it."""
    wide = 72 * figure.get_figwidth()
    texts = [(text, wide) for text in (figure._suptitle, figure._supxlabel) if text is not None]  # type: ignore[attr-defined]
    for axes in figure.axes:
        place = axes.get_subplotspec()
        columns = 1 if place is None else place.get_gridspec().ncols / len(place.colspan)
        texts += [(text, wide / columns) for text in (axes.title, axes._left_title)]  # type: ignore[attr-defined]
    for text, room in texts:
        letters = max(16, int(room / (LETTER * text.get_fontsize())))
        lines = text.get_text().split("\n")
        text.set_text("\n".join(part for line in lines for part in wrap(line, letters) or [""]))


def _ticks_from_zero(axis: Axis) -> None:
    """Label 0 and the powers of ten beyond the linear part of a symlog axis; 2 and 5 between them where these are few.

    Labels within the linear part would lie on that of 0.
    """
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
    from numpy import arange

    transform: Any = axis.get_transform()
    low, high = sorted(axis.get_view_interval())
    for steps in ((1.0,), (1.0, 2.0, 5.0)):
        powers = 10.0 ** arange(-12, 13)
        seen = sorted(
            step * power
            for step in steps
            for power in powers
            if transform.linthresh <= step * power <= high * (1 + 1e-9)
        )
        if len(seen) > 1:
            break
    axis.set_major_locator(FixedLocator([0.0, *seen] if low <= 0 else seen))
    axis.set_minor_locator(NullLocator())
    axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
