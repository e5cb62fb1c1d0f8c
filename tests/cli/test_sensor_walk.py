"""The whole way to the real sensor on one synthetic line: its output, identify, agree, keyed in, card and report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from teachlab.cli import app
from teachlab.data.recording_files import read_recording


def run(*words: object):
    return CliRunner().invoke(app, [str(word) for word in words])


def test_the_five_steps_and_none_passes_for_evidence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert run("synth", "sensed-tubs", "--passes", 60, "--out", "sensor.parquet").exit_code == 0
    assert read_recording("sensor.parquet").info.output is not None
    assert "its own output was logged, 60 onsets" in " ".join(run("inspect", "sensor.parquet").output.split())

    found = run("identify", "sensor.parquet", "--out", "sensor.json")
    assert found.exit_code == 0, found.output
    agreed = run("agree", "sensor.parquet", "--setting", "sensor.json")
    assert agreed.exit_code == 0
    told = json.loads(run("agree", "sensor.parquet", "--setting", "sensor.json", "--json").stdout)
    assert told["share"]["estimate"] >= 0.95
    assert told["verdict"]["rehearsal"] is True

    # The display shows 13 + 0.24 light, to the digit.
    rows = "".join(f"[[pairs]]\nlight = {u}\ndisplay = {round(13 + 0.24 * u)}\n" for u in range(100, 2400, 450))
    Path("device.toml").write_text(
        'schema = 1\nunit = "counts"\nlight_noise = 2.0\ndisplay_noise = 0.5\n'
        "[display]\nstep = 5\nlow = 0\nhigh = 999\nresolution = 1\n[off_delay_ms]\nhigh = 200\nstep = 1\n" + rows
    )
    card = run("card", "sensor.parquet", "--setting", "sensor.json", "--device", "device.toml", "--out", "card.html")
    assert card.exit_code == 0, card.output
    keyed = json.loads(
        run("card", "sensor.parquet", "--setting", "sensor.json", "--device", "device.toml", "--json").stdout
    )
    on = json.loads(Path("sensor.json").read_text())["on_level"]
    assert abs(keyed["display"]["on"] - (13 + 0.24 * on)) <= 2.5 + 1
    assert keyed["display"]["on"] % 5 == 0

    report = run("report", "sensor.parquet", "--setting", "sensor.json", "--draws", 0, "--out", "record")
    assert report.exit_code == 0, report.output
    record = json.loads(Path("record/result.json").read_text())
    assert record["agreement"]["share"]["estimate"] == told["share"]["estimate"]
    assert any(text.startswith("Replay and sensor: ") for text in record["cautions"])
    assert run("verify", "record/result.json").exit_code == 0

    for said in (found.output, agreed.output, card.output, report.output, Path("card.html").read_text()):
        assert "Rehearsal" in said
