"""Figures: numbers at their axes are numbers, whatever the scale."""

import io
import itertools
import re
from pathlib import Path

import numpy as np
import pytest

import teachlab
from teachlab.light.drawing import EXTRA, FALSE_TRIP, GOOD, LIGHT, LOST, PASS, bins_over, drawing, picture


@pytest.mark.parametrize("scale", ["log", "symlog", "linear"])
def test_axes_and_colour_bars_print_plain_numbers(scale: str) -> None:
    from matplotlib.colors import LogNorm

    with drawing("plain numbers", (6.4, 4.8)) as figure:
        axes = figure.add_subplot()
        axes.plot([0.01, 1, 100], [1, 2, 3])
        axes.set_xscale(scale)
        shown = axes.pcolormesh(np.array([[0.001, 1.0], [10.0, 100.0]]), norm=LogNorm())
        figure.colorbar(shown)
        text = io.BytesIO(picture(figure, "svg")).read().decode()
    written = re.findall(r"<text[^>]*>([^<]*)</text>", text)
    assert not [one for one in written if "\\" in one or "$" in one]
    assert {"0.001", "0.1", "10"} <= set(written)


@pytest.mark.parametrize(
    ("linear", "most", "ticks"), [(1 / 150, 3.0, ["0", "0.01", "0.1", "1"]), (0.1, 0.21, ["0", "0.1", "0.2"])]
)
def test_an_axis_from_zero_has_apart_labels_and_more_than_one_power(
    linear: float, most: float, ticks: list[str]
) -> None:
    from matplotlib.colors import SymLogNorm

    with drawing("from zero", (6.4, 4.8)) as figure:
        axes = figure.add_subplot()
        axes.plot([0, 1], [0.0, most])
        axes.set_yscale("symlog", linthresh=linear)
        axes.set_ylim(0, most)
        shown = axes.pcolormesh(np.array([[0.0, most]]), norm=SymLogNorm(linthresh=linear, vmin=0, vmax=most))
        bar = figure.colorbar(shown)
        picture(figure, "svg")
    for axis in (axes.yaxis, bar.ax.yaxis):
        assert [label.get_text() for label in axis.get_ticklabels()] == ticks


@pytest.mark.parametrize(("least", "span"), [(1.2e7, 6e4), (1.2e7, 4.0), (3e-6, 4e-6), (3e-9, 4e-9), (900.0, 3000.0)])
def test_light_of_any_size_is_written_in_full_and_its_numbers_stand_apart(least: float, span: float) -> None:
    """No power of ten and no number to add in a corner, as 1e7 or +1.2e7 were."""

    with drawing("in full", (8, 3)) as figure:
        for axes in figure.subplots(1, 2):
            axes.plot([least, least + span], [least, least + span])
        picture(figure, "svg")
        figure.draw_without_rendering()
    for axes in figure.axes:
        assert {axis.get_offset_text().get_text() for axis in (axes.xaxis, axes.yaxis)} == {""}
        low, high = axes.get_xlim()
        labels = [one for one in axes.get_xticklabels() if low <= one.get_position()[0] <= high]
        assert len(labels) >= 2
        written = [float(one.get_text().replace("·10^", "e").replace("−", "-")) for one in labels]
        assert written == pytest.approx([one.get_position()[0] for one in labels], rel=1e-9)
        boxes = [one.get_window_extent() for one in labels]
        assert all(a.x1 < b.x0 for a, b in itertools.pairwise(boxes))


def test_long_titles_are_broken_into_lines_that_fit(monkeypatch: pytest.MonkeyPatch) -> None:

    long = "tubs of the second line: fixed levels, on 0.0000045974, off 0.0000045236 V, dark-on, on-delay 12 ms " * 2
    with drawing("titles", (6, 4)) as figure:
        left, right = figure.subplots(1, 2)
        left.set_title(long)
        right.set_title(long, loc="left")
        figure.suptitle(long)
        picture(figure, "svg", says=long)
        figure.draw_without_rendering()
    wide = figure.bbox.width
    for text, room in ((figure._suptitle, wide), (figure._supxlabel, wide), (left.title, wide / 2),
                       (right._left_title, wide / 2)):  # fmt: skip
        assert " ".join(text.get_text().split()) == long.strip()
        assert text.get_window_extent().width <= room


@pytest.mark.parametrize("values", [[1.2e7, 1.2e7], [3e-12, 8e-12], [0.0, 0.0], [-5.0, 3.0], []])
def test_bins_ascend_over_the_values_whatever_their_size(values: list[float]) -> None:
    bins = np.array(bins_over(np.array(values), 80))
    assert bins.size == 80
    assert (np.diff(bins) > 0).all()
    if values:
        assert (bins[0], bins[-1]) == pytest.approx((min(values), max(values)), rel=1e-12, abs=1e-320)


ELSEWHERE = {
    "device/identification_figure.py": {"#cfe3f1"},
    "questions/stress/figure.py": {"#1A1A1A"},
    "questions/surface/figure.py": {"#1A1A1A"},
}
"""Outlines and a band. The colours of kinds, of which there may be many, stand in their figure."""
KINDS = "questions/surface/position_figure.py"


def test_colours_have_one_home() -> None:
    root = Path(teachlab.__file__).parent
    for file in sorted(root.rglob("*.py")):
        name = file.relative_to(root).as_posix()
        if name not in ("light/drawing.py", KINDS):
            found = set(re.findall(r"\"(#[0-9a-fA-F]{6})\"", file.read_text(encoding="utf-8")))
            assert found <= ELSEWHERE.get(name, set()), name


def test_outcomes_differ_in_colour_and_in_grey() -> None:
    """Relative luminance by WCAG 2.2. Light and extra switchings come near each other; their line styles differ."""
    colours = (LIGHT, PASS, LOST, FALSE_TRIP, EXTRA, GOOD)
    assert len(set(colours)) == len(colours)

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    assert luminance(FALSE_TRIP) > luminance(LOST) > luminance(EXTRA) > luminance(PASS)
    # Marks on white need 3 : 1 (WCAG 2.2, 1.4.11).
    for colour in colours:
        assert 1.05 / (luminance(colour) + 0.05) > 3, colour


BY_A_PAGE = ("evidence/figures.py",)
"""Drawn for pages alone, which give each figure its caption."""


def test_every_figure_has_a_sentence_that_says_what_to_see() -> None:
    root = Path(teachlab.__file__).parent
    files = {f for f in root.rglob("*figure*.py") if f.relative_to(root).as_posix() not in BY_A_PAGE}
    assert len(files) >= 12
    for file in files:
        text = file.read_text(encoding="utf-8")
        sentences = re.findall(r"picture\(\s*figure,\s*kind,\s*says=\s*f?\"([^\"]+)\"", text)
        drawn = len(re.findall(r"\bpicture\(\s*figure,\s*kind,", text))
        assert len(sentences) == drawn >= 1, file
        assert all(sentence.endswith(".") for sentence in sentences), file
