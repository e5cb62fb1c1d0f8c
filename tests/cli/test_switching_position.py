"""Where in the pass it switches, in replay, compare, surface and bench, on a line of known edges."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell
from matplotlib.figure import Figure

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Origin, Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.questions.surface.position_figure import draw_position
from teachlab.scoring.switching_position import SwitchingPosition


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Jars of 400 to 800 mV with edges of 20 samples; borders at their half."""
    where = tmp_path_factory.mktemp("jars")
    rng = np.random.default_rng(1)
    heights = np.tile(np.linspace(400.0, 800.0, 11), 10)
    shape = np.interp(np.arange(120), [0, 20, 100, 120], [0, 1, 1, 0])
    parts = [np.zeros(100), *(np.concatenate((h * shape, np.zeros(100))) for h in heights)]
    light = 1000 + np.concatenate(parts)
    light += rng.normal(0, 0.5, light.size)
    start = 110 + 220 * np.arange(heights.size)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", line_speed_m_s=0.5, origin=Origin.RECORDED)
    write_recording(where / "jars.parquet", Recording.from_array(light, info))
    truth = Truth.from_arrays(start, start + 100, label=np.where(heights < 600, "dim", "bright"), uncertainty_samples=1)
    write_truth(where / "jars.passes.parquet", truth)
    for name, level in (("low", 1100.0), ("high", 1300.0)):
        text = json.dumps(
            {"schema": 1, "unit": "mV", "on_level": level, "off_level": level - 20, "polarity": "light-on"}
        )
        (where / f"{name}.json").write_text(text)
    return where


def asked(*words: str | Path) -> Any:
    return shell.document(*words, "--tolerance-ms", "20")


def test_replay_tells_and_draws_it(folder: Path, tmp_path: Path) -> None:
    low = folder / "low.json"
    plot = tmp_path / "position.svg"
    answer = asked("replay", folder / "jars.parquet", "--setting", low, "--plot", plot)["switching_position"]
    assert answer["hits"] == 110
    # At 100 of 400 to 800 mV the level is reached after 5 to 2.5 of 20 ms, 10 of which lie before the border.
    assert answer["onset"]["ms"]["median"] == pytest.approx(-6, abs=1.1)
    assert answer["onset"]["ms"]["spread"] == pytest.approx(2, abs=1.1)
    assert answer["onset"]["mm"]["spread"] == pytest.approx(answer["onset"]["ms"]["spread"] / 2)
    assert answer["onset"]["slope_on_peak_light"]["high"] < 0
    assert set(answer["by_label"]) == {"dim", "bright"}
    text = plot.read_text()
    assert "dim" in text
    assert "bright" in text
    command = ["replay", str(folder / "jars.parquet"), "--setting", str(low), "--tolerance-ms", "20", "--details"]
    said = shell.invoke(*command)
    assert "Passes with more light switch on earlier" in said.stdout
    shell.run(*command, "--plot", "a.pdf", code=2)


def test_the_line_of_the_figure_goes_through_the_few_weak_passes() -> None:
    """The median slope of the release is 0 here: nine in ten passes are bright and switch alike."""
    peak = np.concatenate([np.linspace(300, 310, 10), np.linspace(900, 910, 90)])
    release = np.where(peak < 600, -20.0, -2.0)
    position = SwitchingPosition(
        rows=np.arange(100), onset_ms=-release, release_ms=release, peak=peak, label=np.full(100, "", object), lot=None,
        doubt_ms=1.0, doubt_is="jitter", line_speed_m_s=None, confidence=0.95,
    )  # fmt: skip
    assert position.release_slope is not None
    assert position.release_slope.per_unit == 0
    figure = Figure()
    draw_position(figure, position, "mV")
    steps = [[part[:, 1].tolist() for part in axes.collections[0].get_segments()] for axes in figure.axes]
    assert steps == [[[20.0, 20.0], [2.0, 2.0]], [[-20.0, -20.0], [-2.0, -2.0]]]


def test_compare_has_both_sides(folder: Path) -> None:
    low, high = folder / "low.json", folder / "high.json"
    sides = asked("compare", folder / "jars.parquet", "--setting", low, "--setting", high)["sides"]
    spreads = [side["switching_position"]["onset"]["ms"]["spread"] for side in sides]
    # At 300 of 400 to 800 mV it is 15 to 7.5 ms: three times as far apart as at 100.
    assert spreads[1] == pytest.approx(3 * spreads[0], abs=2.5)
    command = ["compare", str(folder / "jars.parquet"), "--setting", str(low), "--setting", str(high)]
    said = shell.invoke(*command, "--tolerance-ms", "20", "--details")
    assert "low switches on" in said.stdout


def test_surface_says_where_it_spreads_least(folder: Path) -> None:
    answer = asked("surface", folder / "jars.parquet")["switching_position"]
    assert answer["smallest_spread"]["level"] < 1150
    assert answer["sentence"].startswith("Position of the onset")
    levels = [one["level"] for one in answer["levels"]]
    assert levels == sorted(levels)


def test_bench_has_it_for_median_and_recommended_settings(folder: Path) -> None:
    found = asked("bench", folder / "jars.parquet", "--strategy", "two-sample-midpoint", "--draws", "20")
    recording = found["recordings"][0]
    median = recording["strategies"][0]["median_setting"]["switching_position"]
    assert median["hits"] > 60
    assert recording["recommended"]["switching_position"]["onset"]["ms"]["count"] <= median["hits"]
