"""What the picture of a design draws, read from its axes."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.design import figure
from teachlab.questions.design.answer import DesignAnswer

TRUTH = Truth.from_arrays([20, 60], [30, 70])


@pytest.mark.parametrize(
    ("direction", "low", "high", "span"),
    [
        # The level may fall by 7 and rise by 12.
        (Direction.RISE, 7.0, 12.0, (43.0, 62.0)),
        (Direction.RISE, 7.0, None, (43.0, 50.0)),
        (Direction.DIP, 7.0, 12.0, (33.0, 52.0)),
    ],
)
def test_the_reserve_lies_on_both_sides_of_the_level(
    monkeypatch: pytest.MonkeyPatch, direction: Direction, low: float, high: float | None, span: tuple[float, float]
) -> None:
    drawn: list[Any] = []
    monkeypatch.setattr(figure, "picture", lambda made, kind, says="": drawn.append(made) or b"")
    light = np.full(100, 10.0 if direction is Direction.RISE else 90.0)
    light[20:30], light[60:70] = (90.0, 80.0) if direction is Direction.RISE else (10.0, 20.0)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=direction)
    polarity = Polarity.LIGHT_ON if direction is Direction.RISE else Polarity.DARK_ON
    setting = Setting(unit="mV", on_level=50.0, off_level=40.0, polarity=polarity)
    found = SimpleNamespace(
        taught=SimpleNamespace(setting=setting, verdict=SimpleNamespace(step=None)),
        reserves={"level": {"low": low, "high": high}},
    )
    figure.design_figure(cast(DesignAnswer, found), Recording.from_array(light, info, name="line"), TRUTH)
    (axes,) = drawn[0].axes
    named = dict(zip(*axes.get_legend_handles_labels()[::-1], strict=True))
    which = "highest" if direction is Direction.RISE else "lowest"
    assert {f"{which} light of a gap (3)", f"{which} light of a pass (2)"} <= set(named)
    shade = named["levels of equal cost"]
    assert (shade.get_x(), shade.get_x() + shade.get_width()) == pytest.approx(span)
    assert sorted(line.get_xdata()[0] for line in axes.lines) == [40.0, 50.0]


def test_light_counts_as_long_as_the_setting_needs_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A flash of 4 samples in a gap reaches any level; one that waits 5 ms does not see it."""
    drawn: list[Any] = []
    monkeypatch.setattr(figure, "picture", lambda made, kind, says="": drawn.append((made, says)) or b"")
    light = np.full(100, 10.0)
    light[20:30], light[60:70], light[40:44] = 90.0, 80.0, 85.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"), name="line")
    for on_delay_ms, highest, said in ((0.0, 85.0, ""), (5.0, 10.0, "lasts 5 ms")):
        setting = Setting(unit="mV", on_level=50.0, off_level=40.0, on_delay_ms=on_delay_ms)
        found = SimpleNamespace(
            taught=SimpleNamespace(setting=setting, verdict=SimpleNamespace(step=None)),
            reserves={"level": {"low": 1, "high": 1}},
        )
        figure.design_figure(cast(DesignAnswer, found), recording, TRUTH)
        (axes,), says = drawn[-1][0].axes, drawn[-1][1]
        bars = [bar for bar in axes.containers[0] if bar.get_height()]
        assert max(bar.get_x() for bar in bars) <= highest <= max(bar.get_x() + bar.get_width() for bar in bars) + 1e-9
        assert said in says
        assert said or "lasts" not in says


def test_the_title_tells_levels_to_the_step_of_the_light(monkeypatch: pytest.MonkeyPatch) -> None:
    """Light of fractions has no whole step; on 12 million counts five figures told 12021660 as 12022000."""
    drawn: list[Any] = []
    monkeypatch.setattr(figure, "picture", lambda made, kind, says="": drawn.append(made) or b"")
    light = np.full(100, 12_020_000.0)
    light[20:30], light[60:70] = 12_060_000.0, 12_050_000.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"), name="line")
    setting = Setting(unit="counts", on_level=12_021_660.0, off_level=12_020_840.0)
    taught = SimpleNamespace(setting=setting, verdict=SimpleNamespace(step=10.0))
    found = SimpleNamespace(taught=taught, reserves={"level": {"low": 1, "high": 1}})
    figure.design_figure(cast(DesignAnswer, found), recording, TRUTH)
    assert "on 12021660, off 12020840 counts" in drawn[0].axes[0].get_title()
