"""What the picture of a bench draws, read from its axes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.studies import figure
from teachlab.studies.run import bench_recording
from teachlab.teaching.registry import built, installed_class

STARTS = 60 + 60 * np.arange(40)
TRUTH = Truth.from_arrays(STARTS, STARTS + 20)


def drawn(monkeypatch: pytest.MonkeyPatch, offset: float, *names: str) -> Any:
    """The axes of levels, light and cost of a line whose passes stand 600 or 800 above its gaps."""
    made: list[Any] = []
    monkeypatch.setattr(figure, "picture", lambda one, kind, says="": made.append(one) or b"")
    light = offset + np.random.default_rng(5).integers(-1, 2, int(STARTS[-1]) + 90).astype(float)
    for k, a in enumerate(STARTS):
        light[a : a + 20] += (600, 800)[k % 2]
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
