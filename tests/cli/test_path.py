"""The commands of the path, as a user runs them: documents, exit codes, files, and nothing else on stdout."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import read_setting, write_setting
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth, TruthSource

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=4095)


@pytest.fixture
def line(tmp_path: Path) -> Path:
    """Write 30 passes of 100 ms every 250 ms, 60 counts above a background of 10."""
    rng = np.random.default_rng(3)
    light = rng.normal(10, 1, 30 * 250 + 100)
    start = 100 + 250 * np.arange(30)
    for a in start:
        light[a : a + 100] += 60
    path = tmp_path / "line.parquet"
    write_recording(path, Recording.from_array(light.round().astype(np.uint16), INFO), INFO)
    label = np.where(np.arange(30) % 2, "tin", "jar").astype(object)
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 100, label=label))
    return path


def test_teach_prints_a_setting_that_replays(line: Path, tmp_path: Path) -> None:
    out = tmp_path / "setting.json"
    answer = shell.document("teach", line, "--strategy", "two-sample-midpoint", "--out", out, "--seed", "4")
    assert {"schema", "verdict", "setting"} <= answer.keys()
    taught = answer["setting"]
    assert answer["verdict"]["setting"] == {"kind": "fixed", **taught}
    assert taught == read_setting(out).as_dict()
    assert taught["on_level"] == pytest.approx(40, abs=1)
    assert taught["taught"]["strategy"] == "two-sample-midpoint"
    found = shell.document("replay", line, "--setting", out)
    assert found["samples"] == 7600
    assert found["sample_rate_hz"] == 1000.0
    assert found["setting"] == taught
    assert found["active_at_start"] is False
    assert found["onsets"] == [100 + 250 * k for k in range(30)]
    assert found["releases"] == [200 + 250 * k for k in range(30)]


def test_replay_prints_every_key_of_the_contract(line: Path, tmp_path: Path) -> None:
    out = tmp_path / "setting.json"
    shell.run("teach", line, "--strategy", "single-sample", "--out", out)
    score = shell.document("replay", line, "--setting", out)["score"]
    wanted = (
        "detect_passes hits misses merged extra excluded_passes excluded_onsets ignore_passes ignore_false_trips "
        "ignore_held excluded_ignore_passes gaps gaps_tripped false_trips excluded_gaps excluded_gap_hours gap_hours "
        "running_hours false_active_share lost_rate"
    )
    assert set(wanted.split()) <= score.keys()
    assert score["lost_rate"].keys() == {"events", "trials", "estimate", "low", "high", "upper", "confidence"}
    assert (score["hits"], score["gaps"]) == (30, 31)
    assert score["running_hours"] == pytest.approx(7.6 / 3600)
    assert set(score["by_label"]) == {"jar", "tin"}


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_edges_are_written_in_time_order(line: Path, tmp_path: Path, ending: str) -> None:
    setting, edges = tmp_path / "s.json", tmp_path / f"edges{ending}"
    shell.run("teach", line, "--strategy", "single-sample", "--out", setting)
    shell.run("replay", line, "--setting", setting, "--edges", edges)
    table = pacsv.read_csv(edges) if ending == ".csv" else pq.read_table(edges)
    assert table.column_names == ["sample", "time_s", "active"]
    assert table.column("sample").to_pylist()[:4] == [100, 200, 350, 450]
    assert table.column("active").to_pylist()[:4] == [True, False, True, False]


def test_edges_of_another_ending_are_refused_and_leave_nothing(line: Path, tmp_path: Path) -> None:
    setting = tmp_path / "s.json"
    shell.run("teach", line, "--strategy", "single-sample", "--out", setting)
    before = sorted(tmp_path.iterdir())
    done = shell.run("replay", line, "--setting", setting, "--edges", tmp_path / "edges.xls", code=2)
    assert "edges.xls" in done.stderr
    assert sorted(tmp_path.iterdir()) == before


def test_replay_without_passes_scores_nothing_and_says_so(line: Path, tmp_path: Path) -> None:
    setting = tmp_path / "s.json"
    shell.run("teach", line, "--strategy", "single-sample", "--out", setting)
    (tmp_path / "line.passes.parquet").unlink()
    assert shell.document("replay", line, "--setting", setting)["score"] is None
    assert "teachlab label" in shell.run("replay", line, "--setting", setting).stdout


def test_base_setting_lends_delays_and_rate_but_no_levels(line: Path, tmp_path: Path) -> None:
    base = tmp_path / "base.json"
    setting = Setting(unit="counts", on_level=1, off_level=1, on_delay_ms=4, evaluation_rate_hz=500)
    write_setting(base, setting)
    taught = shell.document("teach", line, "--strategy", "two-sample-midpoint", "--base", base)
    assert (taught["setting"]["on_delay_ms"], taught["setting"]["evaluation_rate_hz"]) == (4, 500)
    assert taught["setting"]["on_level"] == pytest.approx(40, abs=1)


def test_an_abstention_exits_with_3_and_measured_and_required(tmp_path: Path) -> None:
    flat = tmp_path / "flat.parquet"
    write_recording(flat, Recording.from_array(np.full(2000, 7, np.uint16), INFO), INFO)
    write_truth(tmp_path / "flat.passes.parquet", Truth.from_arrays([300, 900], [400, 1000]))
    found = shell.document("teach", flat, "--strategy", "two-sample-midpoint", code=3)["abstained"]
    said = {"strategy", "reason", "measured", "required"}
    assert found.keys() == said | {"parameters", "seed", "tolerance_ms", "base"}
    assert found["strategy"] == "two-sample-midpoint"
    assert all(found[key] for key in said)


def test_bench_prints_one_document_and_writes_the_same(line: Path, tmp_path: Path) -> None:
    out = tmp_path / "results"
    found = shell.document("bench", line, "--draws", "20", "--out", out, "--cost-miss", "10", "--cost-false", "2")
    assert found == json.loads((out / "bench.json").read_text())
    row = found["recordings"][0]
    assert row["options"]["cost_miss"] == 10
    assert [s["strategy"] for s in row["strategies"]].count("quantile-guard") == 1
    assert pq.read_table(out / "draws.parquet").num_rows == 20 * len(row["strategies"])
    assert row["recommended"]["strategy"] in row["ranking"]
    setting = json.loads((out / "line.setting.json").read_text())
    assert setting == row["recommended"]["setting"]
    assert (
        shell.document("replay", line, "--setting", out / "line.setting.json")["setting"]["on_level"]
        == setting["on_level"]
    )
    assert row["recommended"]["margin"]["limited_by"]
    assert all(s["regret"]["median"] >= 0 for s in row["strategies"] if s["median_setting"])
    assert (out / "line.svg").read_bytes().startswith(b"<?xml")


def test_bench_prints_ranking_costs_and_verdict_for_people(line: Path) -> None:
    done = shell.run("bench", line, "--draws", "10", "--strategy", "single-sample")
    assert len(done.stdout.splitlines()) <= 12
    said = re.sub(r"\s+", " ", done.stdout)
    assert "Best possible in hindsight, errors: 0 with fixed levels (reached by single-sample)." in said
    # A command is never broken, so that it works as printed.
    assert max(len(row) for row in done.stdout.splitlines() if "teachlab " not in row) <= 100
    # Ten passes without lots decide nothing, however well they went.
    assert done.stdout.startswith("Cannot be decided: single-sample, fixed levels, on ")
    assert "--details" in done.stderr
    told = shell.run("bench", line, "--draws", "10", "--strategy", "single-sample", "--details").output
    text = re.sub(r"\s+", " ", told)
    assert "cost of a lost pass : a false or extra switching = 1 : 1" in text
    assert "In this recording, at 95 % confidence" in text


def test_self_labelled_passes_are_named_in_every_output(line: Path, tmp_path: Path) -> None:
    start = 100 + 250 * np.arange(30)
    truth = replace(Truth.from_arrays(start, start + 100), source=TruthSource.SELF_LABELLED)
    write_truth(tmp_path / "line.passes.parquet", truth)
    setting = tmp_path / "s.json"
    assert "They may tune" in shell.run("teach", line, "--strategy", "single-sample", "--out", setting).stderr
    assert "They may tune" in shell.run("replay", line, "--setting", setting).stderr
    assert shell.document("replay", line, "--setting", setting)["score"]["self_labelled"] is True
    assert "no claim" in shell.run("bench", line, "--draws", "5").output
    assert shell.document("bench", line, "--draws", "5")["recordings"][0]["self_labelled"] is True


def test_parameters_by_set_and_by_file(line: Path, tmp_path: Path) -> None:
    wide = shell.document("teach", line, "--strategy", "two-sample-midpoint", "--set", "hysteresis_share=0.5")
    assert wide["setting"]["taught"]["parameters"]["hysteresis_share"] == 0.5
    found = shell.document(
        "bench", line, "--draws", "3", "--strategy", "single-sample", "--set", "single-sample.reduction=0.4"
    )
    assert found["recordings"][0]["strategies"][0]["parameters"]["reduction"] == 0.4
    mine = tmp_path / "mine.py"
    mine.write_text(
        "from dataclasses import dataclass\n"
        "from typing import ClassVar\n"
        "from teachlab.model.setting import Taught\n"
        "from teachlab.model.teaching import Shown\n"
        "@dataclass(frozen=True)\n"
        "class Mine:\n"
        "    name: ClassVar[str] = 'mine'\n"
        "    needs: ClassVar[frozenset] = frozenset({Shown.OBJECT})\n"
        "    def teach(self, view):\n"
        "        return view.place(33.0, 3.0, Taught(strategy='mine'))\n"
    )
    assert shell.document("teach", line, "--strategy", f"{mine}:Mine")["setting"]["on_level"] == 33.0
    ranked = shell.document("bench", line, "--draws", "3", "--strategy", f"{mine}:Mine")["recordings"][0]["ranking"]
    assert ranked == ["mine"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["bench", "{line}", "--draws", "0"], "draws"),
        (["bench", "{line}", "--seed", "-1"], "seed"),
        (["bench", "{line}", "--confidence", "95"], "confidence"),
        (["bench", "{line}", "--teach-share", "1.5"], "teach-share"),
        (["bench", "{line}", "--cost-miss", "-1"], "cost-miss"),
        (["bench", "{line}", "{line}"], "twice"),
        (["bench", "{line}", "--strategy", "single-sample", "--strategy", "single-sample"], "once"),
        (["bench", "{line}", "--strategy", "two-sample-midpiont"], "two-sample-midpoint"),
        (["bench", "{line}", "--set", "hysteresis_share=0.2"], "STRATEGY.PARAMETER=VALUE"),
        (["teach", "{line}", "--strategy", "single-sample", "--set", "reducton=0.2"], "reduction"),
        (["teach", "{line}", "--strategy", "single-sample", "--set", "reduction=nan"], "reduction"),
        (["teach", "{line}", "--strategy", "single-sample", "--tolerance-ms", "-1"], "tolerance"),
        (["teach", "{line}", "--strategy", "single-sample", "--seed", "-1"], "seed"),
        (["teach", "{line}"], "strategy"),
        (["replay", "{line}"], "setting"),
    ],
)
def test_wrong_options_exit_with_2_and_name_the_option(line: Path, words: list[str], told: str) -> None:
    done = shell.run(*(word.format(line=line) for word in words), code=2)
    assert told in done.stderr.replace("\n", " ")
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


def test_demo_runs_anywhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    done = shell.run("demo", "--draws", "20")
    assert re.search(r"no evidence about a real line\. Use: [a-z-]+, fixed", done.stdout)
    assert "Use with a limit: " in done.stdout  # the real recording names no lots
    assert "Not a safety device" in done.stdout
    assert "not established (" in done.stdout
    assert "Spread over the draws" not in done.stdout
    assert len(done.stdout.splitlines()) < 40
    assert sorted(p.name for p in tmp_path.iterdir()) == ["teachlab-demo.html", "teachlab-demo.svg"]
    assert (tmp_path / "teachlab-demo.html").stat().st_size < 1_000_000


def test_demo_prints_all_tables_on_request(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    told = shell.run("demo", "--draws", "2", "--tables").stdout
    for table in ("Spread over the draws", "Median setting of every strategy", "Margin and reserves", "per label"):
        assert table in told


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_an_interrupt_exits_with_130_and_leaves_nothing(line: Path, tmp_path: Path) -> None:
    before = sorted(tmp_path.iterdir())
    # It says when it teaches for the first time: an interrupt while a library loads is that library's to handle.
    script = (
        "import signal, sys, teachlab.studies.taught_draws as run, teachlab.cli as cli\n"
        # A shell that runs the tests in the background makes them, and all they start, deaf to interrupts.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "teach = run.draw_by_draw\n"
        "def first(*given):\n"
        "    run.draw_by_draw = teach\n"
        "    print('up', flush=True)\n"
        "    return teach(*given)\n"
        "run.draw_by_draw = first\n"
        "cli.app(sys.argv[1:])\n"
    )
    words = ["bench", str(line), "--draws", "100000", "--out", str(tmp_path / "results")]
    started = subprocess.Popen(
        [sys.executable, "-c", script, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert started.stdout is not None
    started.stdout.readline()
    time.sleep(1)
    assert started.poll() is None
    started.send_signal(signal.SIGINT)
    _, told = started.communicate(timeout=60)
    assert started.returncode == 130, told
    assert "Traceback" not in told
    assert sorted(tmp_path.iterdir()) == before


def test_of_many_lots_those_with_most_losses_are_told(line: Path, tmp_path: Path) -> None:
    start = 100 + 250 * np.arange(30)
    lots = [f"lot {k}" for k in range(30)]
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 100, lot=lots))
    setting = Setting(unit="counts", on_level=73.0, off_level=60.0)
    write_setting(tmp_path / "high.json", setting)
    told = shell.run("replay", line, "--setting", tmp_path / "high.json", "--no-margin", "--details").stdout
    rates = shell.document("replay", line, "--setting", tmp_path / "high.json", "--no-margin")["score"]["by_lot"]
    lost = [name for name, rate in rates.items() if rate["events"]]
    assert 0 < len(lost) < 20
    assert all(f"lost, {name} " in told for name in lost)
    assert "lost, 10 more lots" in told
    assert len(rates) == 30


def test_few_lots_are_ordered_by_their_losses_too_and_the_table_says_so(line: Path, tmp_path: Path) -> None:
    start = 100 + 250 * np.arange(30)
    write_truth(
        tmp_path / "line.passes.parquet",
        Truth.from_arrays(start, start + 100, lot=[f"lot {k // 5}" for k in range(30)]),
    )
    write_setting(tmp_path / "high.json", Setting(unit="counts", on_level=73.0, off_level=60.0))
    words = ("replay", line, "--setting", tmp_path / "high.json")
    told = shell.run(*words, "--no-margin", "--details").stdout
    rates = shell.document(*words, "--no-margin")["score"]["by_lot"]
    lost = [rates[name]["events"] for name in re.findall(r"lost, (lot \d)", told)]
    assert len(set(lost)) > 1
    assert lost == sorted(lost, reverse=True)
    assert "lots: those with most losses first" in told
    shell.run("report", line, "--setting", tmp_path / "high.json", "--draws", "0", "--out", tmp_path / "record")
    page = (tmp_path / "record" / "report.html").read_text(encoding="utf-8")
    _, _, table = page.partition("<h3>Lost passes by lot, most losses first</h3>")
    seen = re.findall(r"<bdi>(lot \d)</bdi>", table.partition("</table>")[0])
    assert [rates[name]["events"] for name in seen] == lost
