"""The command `surface`: keys, counts by hand and against `replay`, files, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell
from typer.testing import Result

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth

TABLES = ("lost", "merged", "extra", "false_trips", "gaps_tripped")
SETTING = {"schema": 1, "unit": "counts", "on_level": 40.0, "off_level": 20.0, "polarity": "light-on"}


def write_setting(path: Path, **changes: Any) -> Path:
    path.write_text(json.dumps({**SETTING, **changes}))
    return path


def write_line(path: Path, light: np.ndarray, start: np.ndarray, lasts: int, **info: Any) -> Path:
    kept = RecordingInfo(**{"sample_rate_hz": 1000.0, "unit": "counts", **info})
    write_recording(path, Recording.from_array(light, kept))
    write_truth(path.with_suffix("").with_suffix(".passes.parquet"), Truth.from_arrays(start, start + lasts))
    return path


@pytest.fixture
def line(tmp_path: Path) -> Path:
    """Ten passes of 90, the last three 60; a bump of 35 in the second gap, on a background of 10."""
    light = np.full(1000, 10, np.uint16)
    start = np.arange(10) * 100 + 20
    for k, a in enumerate(start):
        light[a : a + 30] = 60 if k >= 7 else 90
    light[170:175] = 35
    return write_line(tmp_path / "line.parquet", light, start, 30)


@pytest.fixture(scope="module")
def noisy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Sixty passes in noise, in floating point: far more than 1,100 distinct levels."""
    rng = np.random.default_rng(3)
    start = np.arange(60) * 200 + 100
    light = rng.normal(20, 1, 12_300)
    for a in start:
        light[a : a + 80] += rng.normal(40, 6)
    return write_line(tmp_path_factory.mktemp("noisy") / "noisy.parquet", light, start, 80, full_scale=100.0)


@pytest.fixture(scope="module")
def grainy(noisy: Path) -> Path:
    """The same in whole counts: some ninety levels."""
    light = np.rint(_light(noisy)).astype(np.uint16)
    return write_line(noisy.parent / "grainy.parquet", light, np.arange(60) * 200 + 100, 80)


def run(*arguments: object) -> Result:
    return shell.invoke("surface", *arguments, "--details")


def document(*arguments: object) -> dict[str, Any]:
    return shell.document("surface", *arguments, "--details")


def replayed(line: Path, setting: Path, **changes: Any) -> dict[str, Any]:
    write_setting(setting, **changes)
    return shell.document("replay", line, "--setting", setting)["score"]


def test_keys_and_counts_by_hand(line: Path) -> None:
    found = document(line)
    assert found["levels"] == [10, 35, 60, 90]
    assert found["exact"] is True
    for name in TABLES:
        assert [len(row) for row in found[name]] == [1, 2, 3, 4], name
    # Rows: on-level 10, 35, 60, 90; columns: off-level up to it. Light never falls below 10: off-levels of 10
    # merge all passes but the first, and from an on-level of 10 that one too.
    assert found["lost"] == [[10], [9, 0], [9, 0, 0], [9, 3, 3, 3]]
    assert found["false_trips"] == [[0], [0, 1], [0, 0, 0], [0, 0, 0, 0]]
    assert found["gaps_tripped"] == found["false_trips"]
    assert found["extra"] == [[0], [0, 0], [0, 0, 0], [0, 0, 0, 0]]
    assert found["detect_trials"] == 10
    assert found["hindsight"]["cost"] == 0
    assert (found["hindsight"]["on_interval"], found["hindsight"]["off_interval"]) == ([35, 60], [10, 60])


def test_stated_levels_are_a_thousand_and_every_count_is_that_of_replay(noisy: Path, tmp_path: Path) -> None:
    found = document(noisy)
    levels = found["levels"]
    assert len(levels) == 1000
    assert levels == sorted(set(levels))
    assert found["exact"] is True
    assert found["every_distinct_level"] is False
    for i, j in ((999, 0), (400, 400), (500, 300), (300, 299), (700, 650), (120, 60)):
        score = replayed(noisy, tmp_path / "one.json", on_level=levels[i], off_level=levels[j])
        expected = {
            "lost": score["misses"] + score["merged"], **{name: score[name] for name in TABLES if name != "lost"}
        }  # fmt: skip
        assert {name: found[name][i][j] for name in TABLES} == expected


def test_delays_and_hysteresis_are_counted_exactly_at_stated_levels(line: Path, tmp_path: Path) -> None:
    base = write_setting(tmp_path / "base.json", off_delay_ms=75.0)
    found = document(line, "--base", base)
    assert found["exact"] is True
    assert found["how"] == "every pair of 24 levels replayed, with filter and delays"
    assert found["zero_hysteresis"]["exact"] is True
    # Gaps of 70 ms under an off-delay of 75: only the first pass begins anything, whatever the level.
    assert min(found["zero_hysteresis"]["lost"]) == 9
    setting = write_setting(tmp_path / "at.json", off_delay_ms=75.0, on_level=50.0, off_level=30.0)
    looked = document(line, "--base", base, "--setting", setting)["settings"][0]
    score = replayed(line, tmp_path / "one.json", off_delay_ms=75.0, on_level=50.0, off_level=30.0)
    assert looked["counts"]["lost"] == score["misses"] + score["merged"] == 9
    assert looked["regret"] >= 0


def test_two_recordings_are_added_up(line: Path) -> None:
    one, two = document(line), document(line, line)
    assert two["recording"] == ["line", "line"]
    assert two["lost"] == [[2 * n for n in row] for row in one["lost"]]
    assert two["detect_trials"] == 20
    assert two["hindsight"]["cost"] == one["hindsight"]["cost"]


def test_settings_are_looked_up_with_regret(line: Path, tmp_path: Path) -> None:
    good, high = write_setting(tmp_path / "good.json"), write_setting(tmp_path / "high.json", on_level=70.0)
    found = document(line, "--setting", good, "--setting", high, "--cost-miss", 2)["settings"]
    assert [s["counts"]["lost"] for s in found] == [0, 3]
    assert [s["regret"] for s in found] == [0, pytest.approx(0.6)]
    text = run(line, "--setting", high)
    said = "high.json: on 70, off 20: 3 lost, 0 merged, 0 extra, 0 false trips, 0 ignore trips; regret 0.3 per pass"
    assert said in " ".join(text.output.split())


def test_taught_point_and_cloud(grainy: Path, tmp_path: Path) -> None:
    found = document(grainy, "--strategy", "two-sample-midpoint", "--draws", 20, "--seed", 4)["taught"]
    assert (found["strategy"], found["draws"], found["abstained"]) == ("two-sample-midpoint", 20, 0)
    arguments = ["teach", str(grainy), "--strategy", "two-sample-midpoint", "--seed", "4", "--json"]
    taught = json.loads(shell.invoke(*arguments).stdout)["setting"]
    assert (found["first"]["on_level"], found["first"]["off_level"]) == (taught["on_level"], taught["off_level"])
    assert found["on_level"][0] == taught["on_level"]
    score = replayed(grainy, tmp_path / "t.json", on_level=taught["on_level"], off_level=taught["off_level"])
    wrong = score["misses"] + score["merged"] + score["false_trips"] + score["extra"]
    assert found["first"]["cost"] == pytest.approx(wrong / 60)
    spread = found["cost"]
    assert spread["p05"] <= spread["median"] <= spread["p95"] <= spread["worst"]
    assert found["taught_on"] == "the recording that is counted"
    wider = document(grainy, "--strategy", "two-sample-midpoint", "--set", "hysteresis_share=0.4", "--draws", 1)
    first = wider["taught"]["first"]
    assert first["on_level"] - first["off_level"] > 2 * (found["on_level"][0] - found["off_level"][0])


def test_a_strategy_that_abstains_is_said_to(line: Path) -> None:
    found = document(line, "--strategy", "contamination-aware", "--set", "least_gain=0.01", "--draws", 3)["taught"]
    assert (found["abstained"], found["first"], found["cost"]) == (3, None, None)
    text = run(line, "--strategy", "contamination-aware", "--set", "least_gain=0.01", "--draws", 3)
    assert text.exit_code == 0
    assert "abstains in all 3 draws" in text.output


BREAKS = """
from dataclasses import dataclass
from typing import ClassVar

from teachlab.model.teaching import Shown


@dataclass(frozen=True)
class Breaks:
    name: ClassVar[str] = "breaks"
    needs: ClassVar[frozenset[Shown]] = frozenset({Shown.OBJECT})

    def teach(self, view):
        if int(view.object.at_sample) % 3:
            raise ZeroDivisionError("oops")
        return view.place(float(view.object.light.mean()) / 2, 1.0, None)
"""


def test_a_strategy_that_breaks_is_counted_and_the_surface_goes_on(line: Path, tmp_path: Path) -> None:
    file = tmp_path / "breaks.py"
    file.write_text(BREAKS)
    found = document(line, "--strategy", f"{file}:Breaks", "--draws", 20)
    assert 0 < found["taught"]["failed"] < 20
    assert found["taught"]["draws"] == 20
    assert "ZeroDivisionError: oops" in found["taught"]["why"]
    text = run(line, "--strategy", f"{file}:Breaks", "--draws", 20)
    assert text.exit_code == 0
    assert f"{found['taught']['failed']} failed" in " ".join(text.output.split())


@pytest.mark.parametrize("kind", ["json", "svg", "png"])
def test_files_are_whole_and_repeatable(line: Path, tmp_path: Path, kind: str) -> None:
    setting = write_setting(tmp_path / "at.json")
    written = [tmp_path / f"{k}.{kind}" for k in "ab"]
    for path in written:
        result = run(line, "--setting", setting, "--strategy", "sweep-minmax", "--draws", 5, "--out", path)
        assert result.exit_code == 0, result.output
    first, second = (path.read_bytes() for path in written)
    assert first == second
    if kind == "json":
        assert json.loads(first)["levels"] == [10, 35, 60, 90]
    elif kind == "svg":
        text = first.decode()
        words = ("on-level, counts", "off-level, counts", "nothing lost, nothing false", "taught by sweep-minmax", "at",
                 "5 draws of sweep-minmax", "best in hindsight", "no hysteresis", "cost per pass",
                 "lost passes")  # fmt: skip
        for word in words:
            assert word in text, word
    else:
        assert first.startswith(b"\x89PNG")
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        ["line.parquet", "line.passes.parquet", "at.json", written[0].name, written[1].name]
    )


def test_a_figure_of_a_grid_draws_the_exact_curve(line: Path, tmp_path: Path) -> None:
    base = write_setting(tmp_path / "base.json", off_delay_ms=75.0)
    result = run(line, "--base", base, "--out", tmp_path / "grid.svg")
    assert result.exit_code == 0, result.output
    text = (tmp_path / "grid.svg").read_text()
    assert "levels replayed, with filter and delays" in text
    assert "cheapest: 0.9 per pass" in text
    assert "Without hysteresis, every level exact: at best 9" in result.output


def test_dips_count_like_their_mirror_image(line: Path, tmp_path: Path) -> None:
    light = 100 - np.asarray(Recording.from_array(_light(line), RecordingInfo(sample_rate_hz=1, unit="-")).light[:])
    start = np.arange(10) * 100 + 20
    other = write_line(tmp_path / "dips.parquet", light.astype(np.uint16), start, 30)
    up, down = document(line), document(other)
    assert down["polarity"] == "dark-on"
    assert up["hindsight"]["cost"] == down["hindsight"]["cost"]
    # Levels 10, 40, 65, 90; a dip is active below its off-level: nothing lies below 10, seven passes below 40.
    assert down["levels"] == [10, 40, 65, 90]
    assert down["lost"] == [[10], [10, 3], [10, 3, 0], [10, 3, 0, 0]]
    assert down["false_trips"] == [[0], [0, 0], [0, 0, 0], [0, 0, 0, 1]]


def _light(path: Path) -> np.ndarray:
    from teachlab.data.opening import open_with_passes

    return open_with_passes(str(path), None)[0].light[:].astype(int)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["nowhere.parquet"], "nowhere.parquet"),
        (["line.parquet", "--levels", "5"], "--levels takes LOW:HIGH:HOW_MANY"),
        (["line.parquet", "--levels", "9:5:10"], "LOW < HIGH"),
        (["line.parquet", "--levels", "1:5:2:7"], "LOW < HIGH"),
        (["line.parquet", "--levels", "0:nan:5"], "LOW < HIGH"),
        (["line.parquet", "--out", "map.pdf"], "--out needs a name that ends in .json, .svg or .png"),
        (["line.parquet", "line.parquet", "--truth", "line.passes.parquet"], "single recording"),
        (["line.parquet", "--setting", "millivolt.json"], "'mV'"),
        (["line.parquet", "--setting", "good.json", "--setting", "late.json"], "late.json has off_delay_ms 5"),
        (["line.parquet", "--setting", "good.json", "--setting", "dark.json"], "dark.json has polarity dark-on"),
        (["line.parquet", "--strategy", "nobody"], "nobody"),
        (["line.parquet", "--set", "a=1"], "--set needs --strategy"),
        (["line.parquet", "--strategy", "sweep-minmax", "--draws", "0"], "--draws must be a number from 1 to"),
        (["line.parquet", "--strategy", "background-follower", "--draws", "2"], "fixed levels"),
        (["line.parquet", "--cost-miss", "-1"], "cost"),
        (["line.parquet", "--cost-miss", "nan"], "cost"),
        (["bare.parquet"], "no table of passes"),
        (["line.parquet", "--base", "broken.json"], "broken.json"),
    ],
)
def test_refusals(line: Path, arguments: list[str], message: str, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = line.parent
    monkeypatch.chdir(folder)
    write_setting(folder / "good.json")
    write_setting(folder / "late.json", off_delay_ms=5.0)
    write_setting(folder / "dark.json", polarity="dark-on")
    write_setting(folder / "millivolt.json", unit="mV")
    (folder / "broken.json").write_text('{"schema": 1, "unit": ')
    (folder / "bare.parquet").write_bytes(line.read_bytes())
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    result = run(*arguments, "--json", *(() if "--out" in arguments else ("--out", "map.svg")))
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert message in result.stderr
    assert "Traceback" not in result.stderr
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_no_pass_to_score_is_said(line: Path, tmp_path: Path) -> None:
    write_truth(tmp_path / "cut.passes.parquet", Truth.from_arrays([0], [30]))
    """The only pass is cut by the record; then there is nothing to tell the direction by, nor to score."""
    result = run(line, "--truth", tmp_path / "cut.passes.parquet", "--json")
    assert result.exit_code == 2
    assert "whether objects raise or lower the light is not stored" in result.stderr
    setting = write_setting(tmp_path / "at.json")
    result = run(line, "--truth", tmp_path / "cut.passes.parquet", "--setting", setting, "--json")
    assert result.exit_code == 2
    assert "no pass is left to score" in result.stderr


def test_levels_and_delays_are_counted_together(line: Path, tmp_path: Path) -> None:
    """Every cell is what its replay counts; the best is told, and drawn."""
    out = tmp_path / "delays.svg"
    found = document(line, "--levels", "20:60:5", "--on-delay", "0:40:3", "--off-delay", "0:80:3", "--out", str(out))[
        "delays"
    ]
    assert found["exact"] is True
    assert found["levels"] == [20, 30, 40, 50, 60]
    assert (found["on_delay_ms"], found["off_delay_ms"]) == ([0, 20, 40], [0, 40, 80])
    for k, i, j in ((0, 0, 0), (2, 1, 0), (2, 0, 1), (3, 2, 2), (4, 1, 2), (1, 2, 1)):
        level = found["levels"][k]
        score = replayed(
            line, tmp_path / "one.json", on_level=level, off_level=level, on_delay_ms=found["on_delay_ms"][i],
            off_delay_ms=found["off_delay_ms"][j],
        )  # fmt: skip
        assert found["lost"][k][i][j] == score["misses"] + score["merged"]
        assert found["extra"][k][i][j] == score["extra"]
        assert found["false_trips"][k][i][j] == score["false_trips"]
    best = found["best"]
    errors = [
        found["lost"][k][i][j] + found["extra"][k][i][j] + found["false_trips"][k][i][j]
        for k in range(5) for i in range(3) for j in range(3)
    ]  # fmt: skip
    assert best["lost"] + best["extra"] + best["false_trips"] == min(errors)
    text = out.read_text()
    for said in ("on-delay, ms", "off-delay, ms", f"best in hindsight: {min(errors)} errors"):
        assert f">{said}</text>" in text, said
    # Above each map: at which other delay it was cut.
    for name in ("on", "off"):
        assert f">{name}-delay {best[f'{name}_delay_ms']:g} ms</text>" in text
    assert "−" not in text  # no tick at a delay below 0


@pytest.mark.parametrize("asked", ["5", "9:3", "0:1:1", "0:x", "-1:4", "0:1:5:7", "0:10:100000"])
def test_a_range_of_delays_that_is_none_is_refused(line: Path, asked: str) -> None:
    result = shell.run("surface", line, f"--on-delay={asked}", code=2)
    assert "takes a range in ms" in str(result.exception) + result.output


def test_work_that_takes_long_says_once_what_would_make_it_faster(noisy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said = "With the extra 'fast' counting is about 3 times as fast: pip install 'teachlab[fast]'\n"
    assert said not in run(noisy).stderr
    monkeypatch.setattr("teachlab.cli.console.FAST_FROM", 0)
    monkeypatch.setattr("teachlab.cli.console.SURE_S", 0.0)
    monkeypatch.setattr("teachlab.cli.console.LONG_S", 0.0)
    monkeypatch.setattr("teachlab.cli.console.find_spec", lambda name: None)
    # Of two recordings the first is half of the work.
    assert run(noisy, noisy).stderr.count(said) == 1
    assert said not in run(noisy, noisy, "--json").stderr
    monkeypatch.setattr("teachlab.cli.console.find_spec", lambda name: name)
    assert said not in run(noisy, noisy).stderr


@pytest.mark.parametrize(
    "words",
    ["bench --draws 2 --strategy sweep-minmax --jobs 1", "repeatability --draws 9 --strategy sweep-minmax",
     "counterfactual --best"],
)  # fmt: skip
def test_what_finds_the_best_pair_says_what_would_make_it_faster(
    words: str, noisy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words = [*words.split(), str(noisy)]
    said = "The extra 'fast' finds the best fixed pair about three times as fast: pip install 'teachlab[fast]'\n"
    for name in ("SURE_S", "LONG_S"):
        monkeypatch.setattr(f"teachlab.cli.console.{name}", 0.0)
    monkeypatch.setattr("teachlab.cli.console.find_spec", lambda name: None)
    assert said not in shell.invoke(*words).stderr
    monkeypatch.setattr("teachlab.cli.console.FAST_FROM", 0)
    assert shell.invoke(*words).stderr.count(said) == 1
    assert said not in shell.invoke(*words, "--json").stderr
    monkeypatch.setattr("teachlab.cli.console.find_spec", lambda name: name)
    assert said not in shell.invoke(*words).stderr


def test_a_delay_that_helps_is_told_as_better_and_leads_to_a_design(tmp_path: Path) -> None:
    """Bumps of 5 ms are as high as passes of 30 ms: no level separates them, an on-delay of 6 ms does."""
    light, start = np.full(1000, 10, np.uint16), np.arange(10) * 100 + 20
    for a in start:
        light[a : a + 30] = 90
        light[a + 60 : a + 65] = 90
    line = write_line(tmp_path / "a line.parquet", light, start, 30)
    told = " ".join(run(line, "--on-delay", "0:6:4").stdout.split())
    assert "Better: Without hysteresis, level " in told
    assert "with on-delay 6 ms and off-delay 0 ms makes 0 errors in 10 passes; the best level at 0 and 0 ms" in told
    assert f"Next: teachlab design '{line}'" in told
    # Within a range that helps nothing it is a fact, and how to teach is the next question.
    told = " ".join(run(line, "--on-delay", "0:3:4").stdout.split())
    assert "Better: " not in told
    assert "Next: teachlab bench" in told


def test_delays_are_not_better_where_hysteresis_alone_leaves_no_error(tmp_path: Path) -> None:
    """The light falls to 40 within passes and rises to 40 in gaps: a level of 50 with its release at 30 has no error.

    Without hysteresis an on-delay of 6 ms takes away half of the errors. That is no better than none.
    """
    light, start = np.full(1000, 10, np.uint16), np.arange(10) * 100 + 20
    for k, a in enumerate(start):
        light[a : a + 30] = 90
        light[a + 10 : a + 20] = 40
        light[a + 50 : a + (55 if k % 2 else 65)] = 40
    told = " ".join(run(write_line(tmp_path / "line.parquet", light, start, 30), "--on-delay", "0:6:4").stdout.split())
    assert "best in hindsight, with no error" in told
    assert "Better: " not in told
    assert (
        "Why: Without hysteresis, level 40 counts with on-delay 6 ms and off-delay 0 ms makes 5 errors in 10 passes; "
        "the best level at 0 and 0 ms makes 10." in told
    )
    assert "Next: teachlab bench" in told


def test_where_no_fixed_level_works_the_next_step_says_why(line: Path) -> None:
    """`inspect` asks for borders as wide as the edges of the light, where `surface` only said that no level works."""
    assert "Next: teachlab bench" in shell.run("surface", line).stdout
    light = _light(line).astype(np.uint16)
    light[70:100] = light[570:600] = 90
    write_recording(line, [light], RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    assert f"Next: teachlab inspect {line} --tolerance-ms 2" in shell.run("surface", line, "--tolerance-ms", "2").stdout
