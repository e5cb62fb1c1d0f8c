"""What the picture of a stress map draws, read from its axes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from teachlab.model.setting import Setting
from teachlab.questions.stress import figure
from teachlab.questions.stress.map import StressMap


def stress_map(ambient: tuple[float, ...] = (0.0, 5.0)) -> StressMap:
    shape = (2, len(ambient), 1)
    lost = np.zeros(shape, np.int64)
    lost[1] = 3
    trips, again, ignored = (np.full(shape, k, np.int64) for k in (4, 2, 1))
    trips[0] = again[0] = ignored[0] = 0
    return StressMap(
        gain=(1.0, 0.5), ambient=ambient, pedestal=(0.0,), lost=lost, false_trips=trips, extra=again,
        ignore_trips=ignored, contamination_reserve=0.4, ambient_reserve=7.0, share_refused="", resolution=(0.0, 0.0),
        detect_trials=10, gap_trials=11, setting=Setting(unit="mV", on_level=50, off_level=40),
    )  # fmt: skip


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    figures: list[Any] = []
    monkeypatch.setattr(figure, "picture", lambda made, kind, says="": figures.append(made) or b"")
    return figures


def test_a_cell_is_all_that_goes_wrong_per_pass(drawn: list[Any]) -> None:
    figure.stress_figure(stress_map(), title="line")
    (image,) = drawn[0].axes[0].images
    # 3 lost, 4 trips, 1 trip on a pass to be ignored and 2 extra switchings, of 10 passes: what works has none.
    assert image.get_array().tolist() == [[0.0, 1.0], [0.0, 1.0]]
    assert drawn[0].get_suptitle() == "line: works until 40 % of the light is lost, or 7 mV are added"


def test_curves_tell_what_goes_wrong_apart(drawn: list[Any]) -> None:
    figure.stress_figure(stress_map((0.0,)))
    curves = {line.get_label(): (list(line.get_xdata()), list(line.get_ydata())) for line in drawn[0].axes[0].lines}
    assert curves["lost passes"] == ([100.0, 50.0], [0.0, 0.3])
    assert curves["false trips"] == ([100.0, 50.0], [0.0, 0.5])
    assert curves["extra switchings"] == ([100.0, 50.0], [0.0, 0.2])
