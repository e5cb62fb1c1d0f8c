"""The command `import`, as a user runs it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import find_truth, read_truth


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Write a log of a carton line at 500 Hz with a product column, as a spreadsheet of a decimal-comma country."""
    product = np.repeat(["", "red", "", "blue", ""], 200)
    light = np.where(product == "", 10.5, 60.25)
    rows = [
        f"{k / 500:.3f};{x:.2f};{name}".replace(".", ",")
        for k, (x, name) in enumerate(zip(light, product, strict=True))
    ]
    path = tmp_path / "cartons.csv"
    path.write_text("# logger 4\nseconds;level;product\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_a_log_becomes_a_recording_with_passes(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "r.parquet"
    words = ["import", log, "--column", "level", "--unit", "mV", "--time", "seconds", "--truth-column", "product"]
    done = shell.run(*words, "--direction", "rise", "--full-scale", 100, "--out", out, "--json")
    document = json.loads(done.stdout)
    assert {
        k: document[k] for k in ("samples", "sample_rate_hz", "rate_from", "dtype", "passes", "invalid_samples")
    } == {
        "samples": 1000,
        "sample_rate_hz": 500.0,
        "rate_from": "time column",
        "dtype": "float64",
        "passes": 2,
        "invalid_samples": 0,
    }
    assert document["time"]["gaps"] == 0
    assert "Note: Numbers have a decimal comma (found" in done.stderr
    recording = read_recording(out)
    assert (recording.info.unit, recording.info.title, recording.info.direction) == ("mV", "cartons", "rise")
    truth = read_truth(find_truth(out), samples=recording.samples)
    assert (truth.start.tolist(), truth.end.tolist(), truth.label.tolist()) == ([200, 600], [400, 800], ["red", "blue"])


def test_people_are_told_what_was_found_and_what_comes_next(log: Path, tmp_path: Path) -> None:
    out = tmp_path / "r.parquet"
    done = shell.run(
        "import", log, "--column", "level", "--unit", "mV", "--rate", 500, "--decimal", "comma", "--out", out
    )
    assert "1,000 samples at 500 Hz (given)" in " ".join(done.stdout.split())
    assert "No passes were imported" in done.stdout
    assert f"teachlab label {out}" in done.stdout
    assert done.stderr == ""


def test_gaps_are_refused_then_filled(log: Path, tmp_path: Path) -> None:
    lines = log.read_text(encoding="utf-8").splitlines(keepends=True)
    log.write_text("".join(lines[:300] + lines[340:]), encoding="utf-8")
    out = tmp_path / "r.parquet"
    words = ["import", log, "--column", "level", "--unit", "mV", "--time", "seconds", "--out", out]
    refused = shell.invoke(*words)
    assert (refused.exit_code, refused.stdout) == (2, "")
    assert "row 298 (line 301)" in refused.stderr
    assert "between rows 297 and 298" in refused.stderr
    assert not out.exists()
    filled = shell.run(*words, "--fill-gaps")
    assert "1 gap filled with 40 invalid samples" in filled.stdout
    assert read_recording(out).samples == 1000


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--column", "level", "--unit", "mV", "--no-time"], "the sample rate is not known"),
        (["--column", "level", "--unit", "mV", "--rate", 0], "--rate must be a number from 0.000001"),
        (["--column", "level", "--unit", "mV", "--rate", -5], "--rate must be a number from 0.000001"),
        (["--column", "level", "--unit", "", "--rate", 500], "unit must not be empty"),
        (["--column", "product", "--unit", "mV", "--rate", 500], "row 200 (line 203): a number is needed, got 'red'"),
        (["--column", "lvl", "--unit", "mV", "--rate", 500], "Did you mean 'level'?"),
        (
            ["--column", "level", "--unit", "mV", "--rate", 400, "--time", "seconds"],
            "says 500 Hz, but --rate says 400 Hz",
        ),
        (
            ["--column", "level", "--unit", "mV", "--rate", 500, "--passes", "none.csv"],
            "none.csv: there is no such file",
        ),
        (["--column", "level", "--rate", 500], "--unit"),
        (["--column", "level", "--unit", "mV", "--rate", 500, "--truth-kind", "colour"], "--truth-kind"),
    ],
)
def test_bad_input_is_one_message_and_exit_code_2(log: Path, tmp_path: Path, words: list[object], says: str) -> None:
    done = shell.invoke("import", log, *words, "--out", tmp_path / "r.parquet")
    assert (done.exit_code, done.stdout) == (2, "")
    assert says in " ".join(done.stderr.replace("│", " ").split())
    assert "Traceback" not in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["cartons.csv"]


@pytest.mark.parametrize(
    ("name", "words", "rate", "told"),
    [
        ("Zeit_ms", [], 2000.0, True),
        ("t [ms]", [], 2000.0, True),
        ("Zeit_ms", ["--time-unit", "s"], 2.0, False),
        ("items", ["--time-unit", "s"], 2.0, False),
    ],
)
def test_the_unit_of_times_is_that_of_the_column_s_name(
    tmp_path: Path, name: str, words: list[str], rate: float, told: bool
) -> None:
    log = tmp_path / "log.csv"
    log.write_text(f"{name};light\n" + "".join(f"{k / 2}".replace(".", ",") + f";{k % 7}\n" for k in range(200)))
    given = [
        "import",
        str(log),
        "--column",
        "light",
        "--unit",
        "mV",
        "--time",
        name,
        "--out",
        str(tmp_path / "r.parquet"),
    ]
    if name == "items":
        assert "as s they would say 2 Hz, 2000 Hz as ms" in " ".join(shell.run(*given, code=2).stderr.split())
    done = shell.run(*given, *words)
    assert f"200 samples at {rate:g} Hz" in " ".join(done.output.split())
    assert (f"The numbers in column '{name}' are read as ms" in " ".join(done.stderr.split())) is told


@pytest.mark.parametrize(
    ("start", "told"),
    [
        (b"\x93NUMPY\x01", "this is a NumPy array, which is not read. Save the light as CSV"),
        (b'{"light": [1, 2]}', "this is a JSON document, which is not read. Save the light as CSV"),
        (b"%PDF-1.7", "this is a PDF, which is not read. Save the light as CSV"),
        (b"\x93\x00\xff", "Name its encoding"),
    ],
)
def test_files_without_text_are_named_by_their_content(tmp_path: Path, start: bytes, told: str) -> None:
    log = tmp_path / "log.csv"
    log.write_bytes(start)
    done = shell.run("import", log, "--unit", "mV", "--rate", "1", "--out", tmp_path / "r.parquet", code=2)
    assert told in done.stderr


@pytest.mark.parametrize("gaps", [(), (50,), (50, 90)])
def test_passes_in_rows_of_a_log_go_with_the_samples_that_its_gaps_leave_out(
    gaps: tuple[int, ...], tmp_path: Path
) -> None:
    """Before each of these rows the logger left out ten: what comes later lies ten samples later."""
    rows = np.arange(120)
    samples = rows + 10 * sum(rows >= gap for gap in gaps)
    log, table, out = tmp_path / "log.csv", tmp_path / "passes.csv", tmp_path / "line.parquet"
    log.write_text("time_s,level\n" + "".join(f"{k / 1000:.3f},{k % 7}\n" for k in samples))
    table.write_text("start,end\n20,30\n60,70\n100,110\n")
    words = "--time time_s --column level --unit mV --passes-in samples --fill-gaps"
    line = f"import {log} --passes {table} --out {out} {words}"
    shell.run(*line.split())
    truth = read_truth(tmp_path / "line.passes.parquet")
    assert truth.start.tolist() == samples[[20, 60, 100]].tolist()
    assert truth.end.tolist() == (samples[[29, 69, 109]] + 1).tolist()


@pytest.mark.parametrize(("hour", "said"), [(9, False), (23, True)])
def test_midnight_is_told_where_times_of_day_go_past_it(hour: int, said: bool, tmp_path: Path) -> None:
    at = [hour * 3600 + 3599 + k / 10 for k in range(40)]
    stamps = [f"{int(t) // 3600 % 24:02d}:{int(t) // 60 % 60:02d}:{t % 60:06.3f}" for t in at]
    log = tmp_path / "log.csv"
    log.write_text("clock,level\n" + "".join(f"{text},{k % 7}\n" for k, text in enumerate(stamps)))
    words = f"import {log} --out {tmp_path / 'line.parquet'} --time clock --column level --unit mV --json"
    done = shell.run(*words.split())
    document = json.loads(done.stdout)
    assert document["seconds"] == pytest.approx(4.0)
    assert any("midnight" in note for note in document["notes"]) is said


@pytest.mark.parametrize("units", ["", "s,mV\n"])
def test_a_header_that_is_stated_is_no_row(units: str, tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("clock,level\n" + units + "".join(f"{k / 100:.2f},{k % 7}\n" for k in range(40)))
    words = f"import {log} --header --out {tmp_path / 'line.parquet'} --time clock --column level --unit mV --json"
    done = shell.run(*words.split())
    document = json.loads(done.stdout)
    assert (document["rows"], document["samples"], document["invalid_samples"]) == (40, 40, 0)
