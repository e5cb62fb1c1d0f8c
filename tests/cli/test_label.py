"""The command `label`, as a user runs it."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.shipped import datasets_root
from teachlab.data.truth_files import find_truth, read_truth, write_truth
from teachlab.model.recording import RecordingInfo
from teachlab.model.truth import Truth

START = 100 + 250 * np.arange(20)


@pytest.fixture
def line(tmp_path: Path) -> Path:
    """Write 20 passes of 60 ms every 250 ms."""
    light = np.random.default_rng(2).normal(10, 1, 20 * 250 + 100)
    for a in START:
        light[a : a + 60] += 60
    path = tmp_path / "line.parquet"
    write_recording(path, [light], RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    return path


def test_the_table_is_read_back_in_the_direction_that_was_given(line: Path, tmp_path: Path) -> None:
    """Products for most of the time: the rarer level is the belt, and only the option says so."""
    said = shell.invoke("label", line, "--direction", "dip").stdout
    back = next(one for one in said.splitlines() if one.startswith("Then: "))
    assert "--direction dip --from" in back
    words = back.partition("teachlab ")[2].replace("NAME", str(tmp_path / "taken")).split()
    assert "Objects lower the light (given)" in " ".join(shell.invoke(*words).stdout.split())


def test_the_table_is_read_back_against_the_proposal_that_was_corrected(line: Path, tmp_path: Path) -> None:
    """A product of 5 ms is smoothed away by itself: only the option brings it into the proposal again."""
    light = read_recording(line).light[:].copy()
    light[300:305] += 60
    write_recording(tmp_path / "short.parquet", [light], RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    said = shell.invoke("label", tmp_path / "short.parquet", "--min-ms", "2").stdout
    back = next(one for one in said.splitlines() if one.startswith("Then: "))
    words = shlex.split(back.partition("teachlab ")[2].replace("NAME", str(tmp_path / "taken")))
    assert "As proposed: 21 of 21; with moved borders: 0, taken out: 0, added: 0." in shell.invoke(*words).stdout


def test_an_object_to_be_ignored_that_switches_the_replay_is_no_agreement(line: Path, tmp_path: Path) -> None:
    table = tmp_path / "line.passes.csv"
    shell.invoke("label", line)
    lines = table.read_text().splitlines()
    lines[3] = lines[3].replace("detect", "ignore")
    (tmp_path / "seen.csv").write_text("\n".join(lines) + "\n")
    said = shell.invoke("label", line, "--from", tmp_path / "seen.csv", "--out", tmp_path / "taken.parquet").stdout
    assert "agrees with every pass" not in said
    assert "disagrees with the passes" in said


def test_passes_that_the_record_cuts_agree_with_nothing(tmp_path: Path) -> None:
    light = np.full(400, 10)
    light[:100] = 70
    write_recording(
        tmp_path / "cut.parquet", [light.astype(np.uint16)], RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    )
    said = shell.invoke("label", tmp_path / "cut.parquet").stdout
    assert "1 pass proposed" in said
    assert "A replay" not in said


def test_levels_above_ten_thousand_are_told_in_full(tmp_path: Path) -> None:
    light = np.full(5100, 20_010)
    for a in START:
        light[a : a + 60] = 52_345
    write_recording(
        tmp_path / "wide.parquet", [light.astype(np.uint16)], RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    )
    assert "Two levels: 20010 counts and 52345 counts" in shell.invoke("label", tmp_path / "wide.parquet").stdout


def test_passes_are_proposed_beside_the_recording(line: Path, tmp_path: Path) -> None:
    done = shell.run("label", line)
    assert "20 passes proposed" in done.stdout
    assert "the rarer level" in done.stdout
    assert "--direction dip" in done.stdout
    assert "self-labelled" in done.stderr
    text = (tmp_path / "line.passes.csv").read_text().splitlines()
    assert text[0].startswith('# teachlab.passes: {"schema": 2, "source": "self-labelled"')
    assert text[1:3] == ["start,end,label,expect,time,doubt,reason", "100,160,,detect,0.100 s,0 %,"]
    truth = read_truth(find_truth(line))
    assert (truth.start.tolist(), str(truth.source)) == (START.tolist(), "self-labelled")


@pytest.mark.parametrize("gain", [1e5, 1e8])
def test_levels_of_wide_converters_are_figures_that_people_read(line: Path, tmp_path: Path, gain: float) -> None:
    light = read_recording(line).read(0, 5100).as_float() * gain
    write_recording(line, [light], RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    said = " ".join(shell.invoke("label", line).stdout.split())
    high = re.search(r"counts and (\d+) counts", said)
    assert high is not None
    assert float(high[1]) == pytest.approx(70 * gain, rel=0.01)
    assert not re.search(r"\de[+-]\d", said)


def test_what_a_person_corrects_is_read_again(line: Path, tmp_path: Path) -> None:
    shell.invoke("label", line)
    table = tmp_path / "line.passes.csv"
    table.write_text(table.read_text().replace("100,160,,detect", "98,162,seam,ignore"))
    truth = read_truth(table)
    assert (truth.start[0], truth.label[0], truth.detect[0], truth.source) == (98, "seam", False, "self-labelled")


def test_json(line: Path, tmp_path: Path) -> None:
    out = tmp_path / "mine.parquet"
    document = json.loads(shell.invoke("label", line, "--out", out, "--json").stdout)
    assert (document["passes"], document["source"], document["direction"]) == (20, "self-labelled", "rise")
    assert document["levels"]["high"] == pytest.approx(70, abs=1)
    assert read_truth(out).passes == 20


def test_an_existing_table_is_kept_unless_forced(line: Path, tmp_path: Path) -> None:
    table = tmp_path / "line.passes.csv"
    write_truth(table, Truth.from_arrays([1], [2]))
    done = shell.invoke("label", line)
    assert (done.exit_code, done.stdout) == (2, "")
    assert "perhaps corrected by hand" in done.stderr
    assert read_truth(table).passes == 1
    shell.run("label", line, "--force")
    assert read_truth(table).passes == 20


def test_no_second_table_beside_independent_passes(line: Path, tmp_path: Path) -> None:
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays([1], [2]))
    done = shell.run("label", line, "--force", code=2)
    assert "already has passes" in done.stderr
    shell.run("label", line, "--out", tmp_path / "mine.csv")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--min-ms", "-1"], "--min-ms must be a number from 0"),
        (["--out", "passes.txt"], "ends in .csv, .parquet, .svg or .html"),
        (["--direction", "up"], "--direction"),
    ],
)
def test_bad_options_exit_with_2(line: Path, words: list[str], says: str) -> None:
    done = shell.invoke("label", line, *words)
    assert (done.exit_code, done.stdout) == (2, "")
    assert says in done.stderr


def test_light_without_two_levels_exits_with_2(tmp_path: Path) -> None:
    light = np.random.default_rng(1).normal(50, 5, 5000)
    write_recording(tmp_path / "r.parquet", [light], RecordingInfo(sample_rate_hz=1.0, unit="mV"))
    done = shell.invoke("label", tmp_path / "r.parquet")
    assert (done.exit_code, done.stdout) == (2, "")
    assert "does not have two levels" in done.stderr
    assert "required: 2" in done.stderr


@pytest.mark.parametrize(("name", "found"), [("photodiode_flashes", 150), ("starlight_corrected", 18)])
def test_real_recordings_against_their_independent_passes(tmp_path: Path, name: str, found: int) -> None:
    """Every pass with valid samples is covered for the most part, and nothing else is proposed.

    Sources: the stimulus computer's log (pd-parser 0.6 test data), and transits predicted from the Open
    Exoplanet Catalogue; neither was made from the light. One flash is torn in two by an artefact.
    """
    path = datasets_root() / f"{name}.parquet"
    out = tmp_path / "p.csv"
    shell.run("label", path, "--out", out)
    proposed, known = read_truth(out), read_truth(find_truth(path))
    recording = read_recording(path)
    covered = 0
    for a, b in zip(known.start.tolist(), known.end.tolist(), strict=True):
        common = (np.minimum(proposed.end, b) - np.maximum(proposed.start, a)).clip(0).sum()
        valid = np.isfinite(recording.read(a, b).as_float()).mean()
        assert valid < 0.5 or common > 0.5 * (b - a)
        covered += int(common > 0)
    assert covered == found
    touched = [((known.start < b) & (known.end > a)).any() for a, b in zip(proposed.start, proposed.end, strict=True)]
    assert all(touched)
    assert proposed.passes - found <= 1


def test_the_commands_that_it_prints_run_as_printed(
    line: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the folder where they were printed, with a name that holds a space; a server and a report are not begun."""
    monkeypatch.chdir(tmp_path)
    line.rename("line 3.parquet")
    told = shell.invoke("label", "line 3.parquet").output.splitlines()
    printed = [text.partition("teachlab ")[2] for text in told if "teachlab " in text]
    assert len(printed) == 2
    served, then = (shlex.split(text) for text in printed)
    assert served[-1] == "--serve"
    shell.run(*served[:-1], "--out", "page.html")
    back = shell.run(*then)
    assert Path("NAME.passes.parquet").exists()
    after = [text.partition("teachlab ")[2] for text in back.output.splitlines() if "teachlab " in text]
    shell.run(*shlex.split(after[0]))
