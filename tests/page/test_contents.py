"""What the page holds: its facts, its files, and what it refuses."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

import teachlab.page.contents as contents_module
from teachlab.cli import app
from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import read_setting, setting_text, write_setting
from teachlab.data.truth_files import write_truth
from teachlab.model.draws import DrawOptions
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.page.assembly import FOLDER, MODULES, page_html
from teachlab.page.contents import page_contents
from teachlab.page.packing import PackedArray
from teachlab.questions.surface.cloud import taught_cloud
from teachlab.teaching.strategies.two_sample_midpoint import TwoSampleMidpoint

UNIT = "counts"


def line(passes: int = 20) -> tuple[Recording, Truth]:
    start = np.arange(passes) * 20 + 10
    light = np.full(passes * 20 + 20, 10, np.uint16)
    for k, a in enumerate(start):
        light[a : a + 8] = 50 + k
    light[5] = 30
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit=UNIT))
    return recording, Truth.from_arrays(start, start + 8, label=["tub" if k % 2 else "lid" for k in range(passes)])


@pytest.mark.parametrize(
    ("name", "digest"),
    [
        # npm pack uplot@1.6.32, files of its folder dist/ and its licence.
        ("uPlot.iife.min.js", "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"),
        ("uPlot.min.css", "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04"),
        ("LICENSE", "8f989229699b4fe2f1a0432d0e9edc338a8a911e250e2d1b01ecd770a5f5b1bd"),
    ],
)
def test_the_plot_library_is_the_published_one(name: str, digest: str) -> None:
    assert hashlib.sha256((FOLDER / "vendor" / name).read_bytes()).hexdigest() == digest


def test_every_module_is_in_the_script() -> None:
    assert {file.stem for file in (FOLDER / "script").glob("*.js")} == set(MODULES)


def test_the_page_asks_nothing_of_any_network_and_allows_no_script_but_its_own() -> None:
    html = page_html(page_contents(*line()))
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html)
    assert policy is not None
    assert policy[1].startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy[1]
    assert not re.search(r'(?:src|href)\s*=\s*"', html.split("<script")[0])


def test_facts_are_those_of_the_recording() -> None:
    recording, truth = line()
    facts = page_contents(recording, truth).facts
    assert facts["detect_trials"] == 20
    assert facts["kinds"] == ["lid", "tub"]
    # Best by hand: between the spike at 30 and the weakest pass at 50 nothing is lost and nothing trips.
    assert 30 < facts["best"]["on"] <= 50
    assert facts["best"]["counts"]["lost"] == facts["best"]["counts"]["false_trips"] == 0
    assert facts["light"] == {"raw": True}


def test_texts_of_settings_are_those_of_the_file(tmp_path: Path) -> None:
    recording, truth = line()
    setting = Setting(unit=UNIT, on_level=40.5, off_level=20, on_delay_ms=2)
    texts = page_contents(recording, truth, setting).facts["texts"]
    assert texts["given"] == setting_text(setting)
    before, between, after = texts["template"]
    path = tmp_path / "other.json"
    path.write_text(f"{before}33.0{between}12.25{after}", encoding="utf-8")
    assert read_setting(path) == setting.with_levels(33.0, 12.25)


def _folder(tmp_path: Path) -> Path:
    recording, truth = line()
    write_recording(tmp_path / "line.parquet", recording)
    write_truth(tmp_path / "line.passes.parquet", truth)
    write_setting(tmp_path / "good.json", Setting(unit=UNIT, on_level=40, off_level=20))
    return tmp_path


def test_the_command_writes_one_page_and_tells_what_it_holds(tmp_path: Path) -> None:
    folder = _folder(tmp_path)
    asked = ["explore", str(folder / "line.parquet"), "--setting", str(folder / "good.json")]
    out = folder / "page.html"
    result = CliRunner().invoke(app, [*asked, "--out", str(out), "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["setting"]["on_level"] == 40
    assert told["light_in_page"] is True
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
    before = out.read_bytes()
    assert CliRunner().invoke(app, [*asked, "--out", str(out)]).exit_code == 0
    assert out.read_bytes() == before


def test_what_cannot_be_shown_is_refused_before_work(tmp_path: Path) -> None:
    folder = _folder(tmp_path)
    window = WindowSetting(unit=UNIT, on_level=40, off_level=5, high_release=35, low_release=8)
    write_setting(folder / "window.json", window)
    asked = ["explore", str(folder / "line.parquet"), "--out", str(folder / "page.html")]
    refused = CliRunner().invoke(app, [*asked, "--setting", str(folder / "window.json")])
    assert refused.exit_code == 2
    assert "window" in refused.output or "two thresholds" in refused.output
    assert CliRunner().invoke(app, ["explore", asked[1], "--out", str(folder / "page.pdf")]).exit_code == 2
    assert not (folder / "page.html").exists()


def test_where_a_strategy_lands_is_on_the_page() -> None:
    recording, truth = line(60)
    strategy = TwoSampleMidpoint()
    cloud = page_contents(recording, truth, strategy=strategy, draws=12).facts["cloud"]
    options = DrawOptions(draws=12, base=page_contents(recording, truth).setting)
    taught = taught_cloud([(recording, truth)], strategy, options=options)
    assert cloud["on"] == [one.on_level for one in taught.settings]
    assert cloud["off"] == [one.off_level for one in taught.settings]
    assert cloud["told"].startswith("12 draws, taught on this recording; errors per pass ")


def test_beyond_so_many_samples_extremes_travel_and_what_went_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(contents_module, "MOST_RAW", 100)
    recording, truth = line()
    found = page_contents(recording, truth, Setting(unit=UNIT, on_level=60, off_level=20))
    assert found.facts["light"] == {"raw": False, "block": 256}
    assert "light" not in found.arrays
    assert found.arrays["low"].shape == (2,)
    # By hand: passes of 50 to 59 stay below 60.
    kept = PackedArray.of(np.array([1] * 10 + [0] * 10, np.uint8))
    assert found.arrays["start_passes"] == kept


def test_levels_beyond_all_light_are_counted_too() -> None:
    recording, truth = line()
    found = page_contents(recording, truth, Setting(unit=UNIT, on_level=1e6, off_level=-1e6))
    assert found.facts["distinct"] is True
    assert found.arrays["levels"] == PackedArray.of(np.union1d(np.unique(recording.light[:]).astype(float), [1e6]))
