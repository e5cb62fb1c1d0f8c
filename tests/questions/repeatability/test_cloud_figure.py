"""What the picture of repeated teachings draws, read from its axes."""

from __future__ import annotations

from typing import Any

import pytest

import teachlab
from teachlab.questions.repeatability import figure


def test_every_strategy_has_two_panels_under_its_name(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Any] = []
    monkeypatch.setattr(figure, "picture", lambda made, kind, **more: drawn.append(made) or b"")
    options = teachlab.DrawOptions(draws=4)
    names = ["single-sample", "two-sample-midpoint"]
    teachlab.repeatability(teachlab.shipped("demo_tubs"), names, options=options).plot()
    (made,) = drawn
    assert len(made.axes) == 2 * len(names)
    assert [axes.get_title(loc="left").split(",")[0] for axes in made.axes[::2]] == names
    assert made.get_suptitle() == "demo_tubs"


def test_the_best_in_hindsight_is_a_cross_of_its_levels_and_a_line_at_its_cost() -> None:
    """One level moved alone costs as little: nothing is said of pairs beside the cross."""
    from matplotlib.figure import Figure

    points = {"on_level": [900.0, 700.0], "off_level": [890.0, 690.0], "cost": [0.2, 0.0]}
    cloud = {"strategy": "s", "parameters": {}, "average": 1, "draws": 2, "points": points, "spreads": {}}
    best = {"on_level": 600.0, "off_level": 400.0, "on_interval": [500.0, 800.0], "off_interval": [300.0, 600.0],
            "cost": 0.01}  # fmt: skip
    levels, cost = Figure().subplots(1, 2)
    assert figure.draw_cloud(levels, cost, cloud, best, "mV") == "None of 2 draws gave a setting."
    (cross, *_), (line, *_) = levels.lines, cost.lines
    assert cross.get_label() == "best in hindsight: 0.01 per pass"
    drawn = [(x, y) for x, y in zip(*cross.get_data(), strict=True) if x == x]
    assert drawn == [(500, 400), (800, 400), (600, 300), (600, 600)]
    assert list(line.get_ydata()) == [0.01, 0.01]
    assert not levels.patches
    assert not cost.patches


def test_equal_costs_have_room_below_the_upper_end() -> None:
    """Ten teachings of one cost lay on the upper end of the axis, half of every mark outside."""
    from matplotlib.figure import Figure

    points = {"on_level": [900.0, 700.0], "off_level": [890.0, 690.0], "cost": [0.325, 0.325]}
    cloud = {"strategy": "s", "parameters": {}, "average": 1, "draws": 2, "points": points, "spreads": {}}
    levels, cost = Figure().subplots(1, 2)
    figure.draw_cloud(levels, cost, cloud, None, "mV")
    assert cost.get_ylim()[1] > 1.2 * 0.325
