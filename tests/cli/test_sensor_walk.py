"""The whole way to the real sensor on one synthetic line: its output, identify, agree, keyed in, card and report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import shell

from teachlab.data.recording_files import read_recording


def test_the_five_steps_and_none_passes_for_evidence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    shell.run("synth", "sensed-tubs", "--passes", 60, "--out", "sensor.parquet")
    assert read_recording("sensor.parquet").info.output is not None
    assert "its own output was logged, 60 onsets" in " ".join(shell.invoke("inspect", "sensor.parquet").output.split())

    found = shell.run("identify", "sensor.parquet", "--out", "sensor.json")
    agreed = shell.run("agree", "sensor.parquet", "--setting", "sensor.json")
    told = json.loads(shell.invoke("agree", "sensor.parquet", "--setting", "sensor.json", "--json").stdout)
    assert told["share"]["estimate"] >= 0.95
    assert told["verdict"]["rehearsal"] is True

    # The display shows 13 + 0.24 light, to the digit.
    rows = "".join(f"[[pairs]]\nlight = {u}\ndisplay = {round(13 + 0.24 * u)}\n" for u in range(100, 2400, 450))
    Path("device.toml").write_text(
        'schema = 1\nunit = "counts"\nlight_noise = 2.0\ndisplay_noise = 0.5\n'
        "[display]\nstep = 5\nlow = 0\nhigh = 999\nresolution = 1\n[off_delay_ms]\nhigh = 200\nstep = 1\n" + rows
    )
    card = shell.run(
        "card", "sensor.parquet", "--setting", "sensor.json", "--device", "device.toml", "--out", "card.html"
    )
    keyed = json.loads(
        shell.invoke("card", "sensor.parquet", "--setting", "sensor.json", "--device", "device.toml", "--json").stdout
    )
    on = json.loads(Path("sensor.json").read_text())["on_level"]
    assert abs(keyed["display"]["on"] - (13 + 0.24 * on)) <= 2.5 + 1
    assert keyed["display"]["on"] % 5 == 0

    report = shell.run("report", "sensor.parquet", "--setting", "sensor.json", "--draws", 0, "--out", "record")
    record = json.loads(Path("record/result.json").read_text())
    assert record["agreement"]["share"]["estimate"] == told["share"]["estimate"]
    assert any(text.startswith("Replay and sensor: ") for text in record["cautions"])
    shell.run("verify", "record/result.json")

    for said in (found.output, agreed.output, card.output, report.output, Path("card.html").read_text()):
        assert "Rehearsal" in said
