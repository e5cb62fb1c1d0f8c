"""What the picture of a bench draws, read from its axes."""

from __future__ import annotations

import re
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.figure import Figure

from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.draws import DrawOptions
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.studies import figure
from teachlab.studies.run import bench_recording
from teachlab.teaching.registry import built, installed_class

STARTS = 60 + 60 * np.arange(40)
TRUTH = Truth.from_arrays(STARTS, STARTS + 20)


def drawn(monkeypatch: pytest.MonkeyPatch, offset: float, *names: str, heights: tuple[int, int] = (600, 800)) -> Any:
    """The axes of levels, light and cost of a line whose passes stand so high above its gaps."""
    made: list[Any] = []
    monkeypatch.setattr(figure, "picture", lambda one, kind, says="": made.append(one) or b"")
    light = offset + np.random.default_rng(5).integers(-1, 2, int(STARTS[-1]) + 90).astype(float)
    for k, a in enumerate(STARTS):
        light[a : a + 20] += heights[k % 2]
        light[a + 30 : a + 33] += 850
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=Direction.RISE)
    recording = Recording.from_array(light, info, name="line")
    strategies = [built(installed_class(name), {}) for name in names]
    found = bench_recording(recording, TRUTH, strategies, options=DrawOptions(draws=5))
    figure.bench_figure(found, TRUTH, PassAndGapExtremes.of(recording, TRUTH))
    return made[0].axes


def test_levels_far_from_the_light_are_told_at_the_edge(monkeypatch: pytest.MonkeyPatch) -> None:
    """Single sample teaches a share of the light: on much light it lies far below, and the light was one line."""
    levels, *_ = drawn(monkeypatch, 1e6, "two-sample-midpoint", "single-sample")
    low, high = levels.get_xlim()
    assert 1e6 - 1000 < low < 1e6
    assert 1e6 + 800 < high < 1e6 + 2000
    assert [text.get_text() for text in levels.texts] == ["← 5 lower"]


def test_levels_near_the_light_are_all_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    levels, *_ = drawn(monkeypatch, 200.0, "two-sample-midpoint", "single-sample")
    low, high = levels.get_xlim()
    at = np.concatenate([one.get_offsets()[:, 0] for one in levels.collections if len(one.get_offsets())])
    assert not levels.texts
    assert low <= at.min() < at.max() <= high


def test_a_row_says_that_its_settings_have_a_filter_or_delays(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every gap has a flash of 3 samples, brighter than passes: the level of a setting that waits may lie below it."""
    levels, *_ = drawn(monkeypatch, 200.0, "two-sample-midpoint", "designed")
    names = {text.get_text().split("\n")[0].split(". ")[1]: text.get_text() for text in levels.get_yticklabels()}
    assert names["designed"].endswith("(with filter or delays)")
    assert "\n" not in names["two-sample-midpoint"]


def test_the_best_setting_is_seen_where_no_other_level_is_as_good(monkeypatch: pytest.MonkeyPatch) -> None:
    """A design is the best here; the area of levels as good as its own had no width, only a name."""
    levels, *_ = drawn(monkeypatch, 200.0, "designed")
    (line,) = [
        one for one in levels.lines if one.get_label() == "the best fixed setting (0 per pass, with filter or delays)"
    ]
    low, high = levels.get_xlim()
    assert low < line.get_xdata()[0] < high
    levels, *_ = drawn(monkeypatch, 200.0, "two-sample-midpoint")
    assert [one.get_label()[:21] for one in levels.patches] == ["as good as the best f"]


def test_strategies_whose_median_draws_cost_the_same_share_a_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """The picture said first, second, third where the table says first of all three."""
    levels, *_ = drawn(monkeypatch, 200.0, "filtered-guard", "designed")
    places = [text.get_text().split(". ")[0] for text in levels.get_yticklabels()]
    assert places == ["1", "1"]


def test_the_band_of_equal_levels_names_the_level_that_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    """Marks without an error lay outside of it, with another hysteresis."""
    levels, *_ = drawn(monkeypatch, 200.0, "two-sample-midpoint")
    assert re.search(r"if its off-level stays at \d+(\.\d)? mV$", levels.patches[0].get_label())


def test_a_window_is_drawn_at_its_side_towards_the_gaps(monkeypatch: pytest.MonkeyPatch) -> None:
    """A window that objects enter is dark-on: its light was drawn upside down, its marks at the release."""
    axes = drawn(monkeypatch, 200.0, "designed", heights=(700, 700))
    labels = [label for one in axes for label in one.get_legend_handles_labels()[1]]
    assert any(label.startswith("highest light of a gap") for label in labels)
    at = {"unit": "mV", "on_level": 84.0, "off_level": 20.0}
    inside = WindowSetting.of(Setting(**at, polarity=Polarity.DARK_ON), low_release=22.0, high_release=77.0)
    outside = WindowSetting.of(Setting(**at), low_release=22.0, high_release=77.0)
    assert [figure._acts_at(inside, up) for up in (True, False)] == [22.0, 77.0]
    assert [figure._acts_at(outside, up) for up in (True, False)] == [84.0, 20.0]


def test_labels_of_costs_lie_apart() -> None:
    """Of 1,049 passes, with costs up to 20 per pass, 0, 0.0001 and 0.001 lay over each other."""
    cost = Figure(figsize=(2.8, 3), dpi=100).add_subplot()  # as wide as beside the levels
    found: Any = SimpleNamespace(results=(), scored_passes=1049)
    figure._draw_cost(cost, found)
    cost.set_xlim(0, 20)
    ticks = [tick for tick in cost.get_xticks() if tick <= 20]
    assert len(ticks) > 2
    at = cost.transData.transform([(tick, 0.0) for tick in ticks])[:, 0]
    wide = [8 * len(f"{tick:g}") for tick in ticks]  # pixels: 8 a digit
    assert all(b - a > (wide[k] + wide[k + 1]) / 2 for k, (a, b) in enumerate(pairwise(at)))
