"""Figures: numbers at their axes are numbers, whatever the scale."""

import io
import re

import numpy as np
import pytest

from teachlab.light.drawing import drawing, picture


@pytest.mark.parametrize("scale", ["log", "symlog", "linear"])
def test_axes_and_colour_bars_print_plain_numbers(scale: str) -> None:
    from matplotlib.colors import LogNorm
    from matplotlib.figure import Figure

    with drawing("plain numbers"):
        figure = Figure()
        axes = figure.add_subplot()
        axes.plot([0.01, 1, 100], [1, 2, 3])
        axes.set_xscale(scale)
        shown = axes.pcolormesh(np.array([[0.001, 1.0], [10.0, 100.0]]), norm=LogNorm())
        figure.colorbar(shown)
        text = io.BytesIO(picture(figure, "svg")).read().decode()
    written = re.findall(r"<text[^>]*>([^<]*)</text>", text)
    assert not [one for one in written if "\\" in one or "$" in one]
    assert {"0.001", "0.1", "10"} <= set(written)
