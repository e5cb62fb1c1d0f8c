"""What the page holds: its facts, its files, and what it refuses."""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

import teachlab.page.light as light_module
from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import setting_text, write_setting
from teachlab.data.truth_files import write_truth
from teachlab.model.draws import DrawOptions
from teachlab.model.following_and_window import FollowingSetting, WindowSetting
from teachlab.model.recording import LoggedOutput, OutputWhen, Recording, RecordingInfo
from teachlab.model.score import Outcome, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.page.assembly import FOLDER, MODULES, page_html
from teachlab.page.chains import chains_of
from teachlab.page.contents import page_contents
from teachlab.page.packing import PackedArray
from teachlab.questions.surface.cloud import taught_cloud
from teachlab.scoring.scoring import score
from teachlab.sensor.clock import Clock
from teachlab.switching.run import replay
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
    assert (FOLDER / "vendor" / "VERSION").read_text(encoding="utf-8").startswith("uPlot 1.6.32\n")


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
    assert facts["trials"]["detect"] == 20
    assert facts["kinds"] == ["lid", "tub"]
    # Best by hand: between the spike at 30 and the weakest pass at 50 nothing is lost and nothing trips.
    assert 30 < facts["best"]["on"] <= 50
    assert facts["best"]["counts"]["lost"] == facts["best"]["counts"]["false_trips"] == 0
    assert facts["light"] == {"raw": True}


def test_texts_of_settings_are_those_of_the_file() -> None:
    recording, truth = line()
    setting = Setting(unit=UNIT, on_level=40.5, off_level=20, on_delay_ms=2)
    texts = page_contents(recording, truth, setting).facts["texts"]
    assert texts["given"] == setting_text(setting)
    assert texts["moved"] == setting_text(setting)


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
    told = shell.document(*asked, "--out", out)
    assert told["setting"]["on_level"] == 40
    assert told["light_in_page"] is True
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
    before = out.read_bytes()
    told = shell.run(*asked, "--out", out)
    said = " ".join(told.stdout.split())
    assert said.startswith(
        f"Open {out} in a browser. Drag the levels until the errors are fewest. Save the setting. Next, once"
    )
    assert out.read_bytes() == before


def test_what_cannot_be_shown_is_refused_before_work(tmp_path: Path) -> None:
    folder = _folder(tmp_path)
    page = str(folder / "page.html")
    for asked in (["--out", str(folder / "page.pdf")], [], ["--serve", "--json"], ["--out", page, "--set", "share=1"]):
        shell.run("explore", folder / "line.parquet", *asked, code=2)
    assert not (folder / "page.html").exists()
    write_truth(folder / "line.passes.parquet", Truth.from_arrays(np.empty(0, np.int64), np.empty(0, np.int64)))
    for more in ([], ["--setting", str(folder / "good.json")]):
        refused = shell.run("explore", folder / "line.parquet", *more, "--out", page, code=2)
        assert "Make passes first: teachlab label" in refused.output
    assert not (folder / "page.html").exists()


@pytest.mark.parametrize(
    "setting",
    [
        WindowSetting(unit=UNIT, on_level=40, off_level=5, high_release=35, low_release=8),
        FollowingSetting(unit=UNIT, on_level=40, off_level=30, reference=10, low_limit=5, high_limit=25),
        Setting(unit=UNIT, on_level=40, off_level=30, off_delay_ms=3),
    ],
)
def test_rows_of_settings_are_counted_as_replay_and_score_do(setting: Setting) -> None:
    """Where no table of all pairs is: each setting of a row alone, and the row holds the one that was given."""
    recording, truth = line()
    found = page_contents(recording, truth, setting)
    rows = chains_of(recording, truth, setting, np.unique(recording.light[:]).astype(float), rules=Rules())
    assert found.facts["chains"] == [row.moves for row in rows]
    assert len(rows) == (2 if isinstance(setting, WindowSetting) else 1)
    fewest = min(n.lost + n.extra + n.false_trips for row in rows for n in row.counts)
    assert sum(found.facts["best"]["counts"][name] for name in ("lost", "extra", "false_trips")) == fewest
    for row in rows:
        assert setting in row.settings
        assert len(row.settings) >= 3
        for one, counts in zip(row.settings, row.counts, strict=True):
            n = score(replay(recording, one), truth).counts
            assert (counts.lost, counts.extra, counts.false_trips) == (n.lost, n.extra, n.false_trips)
            assert one.switching == setting.switching


def test_the_tables_of_kinds_sum_to_that_of_all_and_are_scores_of_replays() -> None:
    recording, truth = line()
    found = page_contents(recording, truth, Setting(unit=UNIT, on_level=60, off_level=20))
    levels = np.unique(np.append(recording.light[:], 60)).astype(float)
    assert found.arrays["levels"] == PackedArray.of(levels)
    kept = []
    for name in found.facts["labels"]:
        lost = np.zeros((levels.size, levels.size), np.int32)
        for i, j in zip(*np.tril_indices(levels.size), strict=True):
            setting = Setting(unit=UNIT, on_level=levels[i], off_level=levels[j])
            outcome = score(replay(recording, setting), truth).trials.passes
            lost[i, j] = np.isin(outcome[truth.label == name], (Outcome.MISS, Outcome.MERGED)).sum()
        kept.append(lost)
    assert [found.arrays[f"kind_lost_{k}"] for k in range(2)] == [PackedArray.of(one, differences=2) for one in kept]
    assert found.arrays["table_lost"] == PackedArray.of(kept[0] + kept[1], differences=2)


def test_reserves_are_those_of_the_setting(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: the weakest pass reaches 50, so that light may fall to 40/50 before a level of 40 misses it."""
    monkeypatch.setattr("teachlab.page.light.MOST_RAW", 100)  # where the light travels, the page searches itself
    recording, truth = line()
    setting = Setting(unit=UNIT, on_level=40, off_level=20)
    told = page_contents(recording, truth, setting).facts["reserves"]
    assert (told[0]["on"], told[0]["off"]) == (40, 20)
    assert "20 % of the light may be lost" in told[0]["text"]


def test_the_first_line_tells_levels_in_steps_of_the_light() -> None:
    """A log in steps of 0.01: 20.456 is told as 20.46, by the page as by replay."""
    rng, (recording, truth) = np.random.default_rng(3), line()
    light = recording.read(0, recording.samples).as_float() + rng.integers(0, 100, recording.samples) / 100
    fine = Recording.from_array(light.round(2), recording.info)
    found = page_contents(fine, truth, Setting(unit=UNIT, on_level=40.4567, off_level=20.4567))
    assert "on 40.46, off 20.46" in found.facts["words"]


def test_where_a_strategy_lands_is_on_the_page() -> None:
    recording, truth = line(60)
    strategy = TwoSampleMidpoint()
    cloud = page_contents(recording, truth, strategy=strategy, draws=12).facts["cloud"]
    options = DrawOptions(draws=12, base=page_contents(recording, truth).setting)
    taught = taught_cloud([(recording, truth)], strategy, options=options)
    assert cloud["on"] == [one.on_level for one in taught.settings]
    assert cloud["off"] == [one.off_level for one in taught.settings]
    # By rank: the 6th, the 1st and the 12th of 12.
    paid = np.sort(taught.cost)
    assert cloud["told"] == (
        f"12 draws, taught on this recording; errors per pass {paid[5]:.3g} (5 to 95 %: {paid[0]:.3g} to "
        f"{paid[11]:.3g})."
    )


def test_beyond_so_many_samples_extremes_travel_and_what_went_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(light_module, "MOST_RAW", 100)
    recording, truth = line()
    found = page_contents(recording, truth, Setting(unit=UNIT, on_level=60, off_level=20))
    assert found.facts["light"] == {"raw": False, "block": 256, "pieces": True}
    assert "light" not in found.arrays
    assert found.arrays["low"].shape == (2,)
    # By hand: passes of 50 to 59 stay below 60.
    kept = PackedArray.of(np.array([1] * 10 + [0] * 10, np.uint8))
    assert found.arrays["start_passes"] == kept
    # Around the pass at 10 with 8 samples 60 on either side, and so on: all of the light, joined.
    assert found.arrays["piece_start"] == PackedArray.of(np.array([0], np.int32), differences=1)
    assert found.arrays["piece_light"] == PackedArray.of(np.asarray(recording.light[:]), differences=1)


def test_a_longer_recording_has_longer_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: of 2,000 samples at most 3 blocks travel, and 2,000 samples in blocks of 256 are 8."""
    monkeypatch.setattr(light_module, "MOST_RAW", 100)
    monkeypatch.setattr(light_module, "MOST_BLOCKS", 3)
    recording = Recording.from_array(np.arange(2000.0), RecordingInfo(sample_rate_hz=1000, unit=UNIT))
    arrays, how = light_module.packed_light(recording, Clock.of(2000, 1000, None))
    assert how == {"raw": False, "block": 768, "pieces": False}
    assert arrays["low"] == PackedArray.of(np.array([0, 768, 1536], np.float32))
    assert arrays["high"] == PackedArray.of(np.array([767, 1535, 1999], np.float32))


def test_the_light_that_matters_most_travels_within_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """Random light does not pack: of ten equal places as many travel as fit, the first ones, none without need."""
    rng = np.random.default_rng(5)
    light = rng.integers(0, 60_000, 20_000).astype(np.uint16)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit=UNIT))
    places = [(a, a + 1000) for a in (9000, 1000, 17000, 3000, 11000, 5000, 13000, 7000, 15000, 19000)]
    monkeypatch.setattr(light_module, "MOST_RAW", 100)
    monkeypatch.setattr(light_module, "MOST_PIECES", 13_000)
    arrays, _ = light_module.packed_light(recording, Clock.of(20_000, 1000, None), places)
    size = sum(len(one.text) for name, one in arrays.items() if name.startswith("piece"))
    kept = (np.array([1000, 3000, 9000, 17000]), 1000)
    assert arrays["piece_start"] == PackedArray.of(kept[0].astype(np.int32), differences=1)
    assert arrays["piece_light"] == PackedArray.of(
        np.concatenate([light[a : a + 1000] for a in kept[0]]), differences=1
    )
    assert 13_000 * 0.8 < size <= 13_000


def test_levels_beyond_all_light_are_counted_too() -> None:
    recording, truth = line()
    found = page_contents(recording, truth, Setting(unit=UNIT, on_level=1e6, off_level=-1e6))
    assert found.facts["distinct"] is True
    assert found.arrays["levels"] == PackedArray.of(np.union1d(np.unique(recording.light[:]).astype(float), [1e6]))


def _facts(page: Path) -> dict[str, Any]:
    found = re.search(r'id="facts">(.*?)</script>', page.read_text(encoding="utf-8"))
    assert found is not None
    out: dict[str, Any] = json.loads(found[1])
    return out


def test_the_report_writes_the_page_of_its_levels_and_links_to_it(tmp_path: Path) -> None:
    """By a name beside it; the command that the page of the record prints makes the same page where the files lie."""
    folder = _folder(tmp_path)
    asked = ["report", str(folder / "line.parquet"), "--setting", str(folder / "good.json"), "--draws", "0"]
    asked += ["--tolerance-ms", "2", "--confidence", "0.9", "--out", str(folder)]
    told = shell.run(*asked)
    assert f"To drag its levels: {folder / 'levels.html'}" in " ".join(told.output.split())
    report = (folder / "report.html").read_text(encoding="utf-8")
    command = "explore line.parquet --truth line.passes.parquet --setting good.json --tolerance-ms 2 --confidence 0.9"
    assert f"teachlab {command} --out levels.html" in report
    assert '<a href="levels.html">' in report
    here = [str(folder / word) if word.endswith((".parquet", ".json")) else word for word in command.split()]
    shell.run(*here, "--out", folder / "again.html")
    beside, again = _facts(folder / "levels.html"), _facts(folder / "again.html")
    assert beside["rules"] == {"tolerance_ms": 2, "confidence": 0.9}
    assert beside["command"]["recording"] == "line.parquet"
    assert {name for name in beside if beside[name] != again[name]} == {"command"}


def test_a_record_without_the_page_of_levels_names_the_command(tmp_path: Path) -> None:
    """And takes away the page of a record before, which was about other levels."""
    folder = _folder(tmp_path)
    asked = ["report", str(folder / "line.parquet"), "--setting", str(folder / "good.json"), "--draws", "0"]
    shell.run(*asked, "--out", folder)
    assert (folder / "levels.html").exists()
    shell.run(*asked, "--no-levels", "--out", folder)
    assert not (folder / "levels.html").exists()
    report = (folder / "report.html").read_text(encoding="utf-8")
    assert '<a href="' not in report
    assert "teachlab explore line.parquet --truth line.passes.parquet --setting good.json --out levels.html" in report


def test_verify_holds_the_page_of_levels_against_its_record(tmp_path: Path) -> None:
    """Also in a bundle; a page that was changed is a difference, and one that is not there is a note."""
    folder = _folder(tmp_path)
    asked = ["report", str(folder / "line.parquet"), "--setting", str(folder / "good.json"), "--draws", "0"]
    asked += ["--out", str(folder), "--bundle", str(folder / "all.zip")]
    shell.run(*asked)
    with zipfile.ZipFile(folder / "all.zip") as bundle:
        assert bundle.read("levels.html") == (folder / "levels.html").read_bytes()
    for given in ("all.zip", "result.json"):
        told = shell.invoke("verify", folder / given)
        assert (told.exit_code, "levels" in told.output) == (0, False)
    page = folder / "levels.html"
    page.write_text(page.read_text(encoding="utf-8") + " ", encoding="utf-8")
    told = shell.run("verify", folder / "result.json", code=1)
    assert "levels.html is not the file of the record" in told.output
    page.unlink()
    told = shell.run("verify", folder / "result.json")
    assert "levels.html is not beside the record: not checked" in told.output


def test_the_sensors_own_output_travels_as_stretches_of_samples() -> None:
    """Logged 2 samples late, as the file states: what travels is at the light again."""
    recording, truth = line()
    active = np.asarray(recording.light[:]) >= 50
    info = replace(recording.info, output=LoggedOutput(OutputWhen.LOW, lag_samples=2))
    sensed = Recording.from_array(np.asarray(recording.light[:]), info, output=~np.roll(active, 2))
    arrays = page_contents(sensed, truth, Setting(unit=UNIT, on_level=45, off_level=45)).arrays
    both = np.column_stack((truth.start, truth.end)).ravel().astype(np.int32)
    assert arrays["logged_runs"] == PackedArray.of(both, differences=1)
    assert "logged_runs" not in page_contents(recording, truth).arrays


def test_commands_of_the_page_name_the_table_of_passes_that_was_given(tmp_path: Path) -> None:
    recording, truth = line()
    write_recording(tmp_path / "line.parquet", recording)
    other = tmp_path / "seen by hand.csv"
    write_truth(other, truth)
    page = tmp_path / "page.html"
    asked = ["explore", str(tmp_path / "line.parquet"), "--truth", str(other), "--out", str(page)]
    shell.run(*asked)
    (facts,) = re.findall(r"--truth '[^']*seen by hand.csv'", page.read_text(encoding="utf-8"))
    assert facts == f"--truth '{other}'"
