"""The command `coverage`: its document, what it tells people, its refusals."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write 150 passes every 0.4 s or so, with a seam of 30 ms every 3 s that only gaps show."""
    folder = tmp_path_factory.mktemp("line")
    rng = np.random.default_rng(4)
    start = 100 + np.cumsum(rng.integers(350, 450, 150))
    light = rng.normal(10, 1, int(start[-1]) + 400)
    for a in range(1200, light.size, 3000):
        light[a : a + 30] += 15
    for a in start:
        light[a : a + 150] = rng.normal(60, 1, 150)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction="rise")
    write_recording(folder / "line.parquet", Recording.from_array(light.astype(np.float32), info))
    lots = [f"lot {k // 30}" for k in range(150)]
    write_truth(folder / "line.passes.parquet", Truth.from_arrays(start, start + 150, lot=lots, label=["box"] * 150))
    setting = {"schema": 1, "unit": "counts", "on_level": 20, "off_level": 18, "polarity": "light-on"}
    (folder / "low.json").write_text(json.dumps(setting))
    return folder


def test_document(line: Path) -> None:
    words = (line / "line.parquet", "--setting", line / "low.json", "--line-speed", "0.5", "--begins", "21:59")
    found = shell.document("coverage", *words, "--cycle", "belt=1500mm:15mm", "--cycle", "slow=1h")
    belt, slow = found["cycles"]
    assert (belt["period_s"], belt["width_s"]) == (3, 0.03)
    assert {"revolutions", "exposures", "least", "sure", "seen_share", "enough"} <= set(belt["blocks"]["scored"])
    assert belt["blocks"]["scored"]["enough"]
    assert not slow["blocks"]["scored"]["enough"]
    trips, peaks = found["found"]
    for one in (trips, peaks):
        assert one["period"]["period_s"] == pytest.approx(3, abs=0.02)
        assert one["period"]["significant"]
        assert "mm of the line" in one["sentence"]
        assert "'belt'" in one["sentence"]
    assert found["hours"]["21"]["scored"] > 0
    assert any("'slow'" in warning for warning in found["warnings"])
    assert found["names"]["lot lot 0"] == {"teach": 30, "scored": 0}


def test_people_are_told(line: Path) -> None:
    done = shell.run("coverage", line / "line.parquet", "--setting", line / "low.json", "--cycle", "belt=3s")
    assert "False trips come once per 3.0" in done.stdout
    assert "5 lots: 2 in the teach block, 4 scored, 1 of them in both" in done.stdout
    assert done.stdout.startswith("Seen often enough: belt.")
    few = shell.run("coverage", line / "line.parquet", "--cycle", "belt=3s", "--times", "9")
    assert few.stdout.startswith("Not seen often enough: ")
    assert "Why: The teach block holds" in few.stdout
    # What is still to be recorded is what the table says is needed, in whole revolutions.
    (cycle,) = shell.document("coverage", line / "line.parquet", "--cycle", "belt=3s", "--times", "9")["cycles"]
    short = [one["revolutions_needed"] for one in cycle["blocks"].values() if not one["enough"]]
    assert f"{math.ceil(max(short))} revolutions of 'belt'" in few.stdout
    assert "False trips" not in few.stdout


@pytest.mark.parametrize(
    "words",
    [
        ["--cycle", "belt=10"],
        ["--cycle", "belt=10mm"],
        ["--cycle", "a=1s", "--cycle", "a=2s"],
        ["--begins", "25:00"],
        ["--begins", "noon"],
        ["--times", "0"],
        ["--line-speed", "-1"],
        ["--teach-share", "1"],
    ],
)
def test_bad_input_is_refused_in_one_message(line: Path, words: list[str]) -> None:
    done = shell.run("coverage", line / "line.parquet", *words, code=2)
    assert done.stdout == ""
    assert done.stderr.startswith("teachlab: ")
    assert "Traceback" not in done.output


def test_a_figure_is_written_and_needs_a_cycle(line: Path, tmp_path: Path) -> None:
    words = (line / "line.parquet", "--setting", line / "low.json", "--out", tmp_path / "seen.svg")
    done = shell.run("coverage", *words, "--out", tmp_path / "seen.json", "--cycle", "belt=3s:30ms")
    told = done.stdout
    assert [f"Written: {tmp_path / name}" in done.stderr.splitlines() for name in ("seen.svg", "seen.json")] == [
        True,
        True,
    ]
    assert b"belt, scored block" in (tmp_path / "seen.svg").read_bytes()
    assert json.loads((tmp_path / "seen.json").read_text())["cycles"][0]["period_s"] == 3
    assert max(map(len, told.split("Seen:")[0].splitlines())) <= 100
    refused = shell.run("coverage", *words, code=2)
    assert "give --cycle" in refused.stderr
