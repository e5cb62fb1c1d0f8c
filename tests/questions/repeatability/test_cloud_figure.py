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
