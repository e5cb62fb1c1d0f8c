"""The command `identify` on a synthetic sensor whose setting is known."""

from __future__ import annotations

import json
import re
from pathlib import Path

import shell

from teachlab.data.setting_files import read_setting


def test_the_sensor_beside_the_log_is_found(tmp_path: Path) -> None:
    recording, setting, plot = (tmp_path / name for name in ("s.parquet", "s.json", "s.svg"))
    shell.run("synth", "sensed-tubs", "--passes", 60, "--out", recording)
    done = shell.run("identify", recording, "--out", setting, "--plot", plot)
    lines = done.output.splitlines()
    assert lines[0].startswith("Rehearsal on synthetic light")
    head = " ".join(done.output.split("Claim:")[0].split())
    assert re.search(r"Not unique: on-level [\d.]+ to [\d.]+, off-level [\d.]+ to [\d.]+ counts, light-on\. ", head)
    assert "Simplest that fits: fixed levels, on " in head
    assert len(done.stdout.splitlines()) <= 12
    assert done.stderr == f"Written: {plot}\n"
    assert "no part of the setting" in " ".join(done.output.split())
    assert f"Next: teachlab agree {recording} --setting {setting}" in done.output
    shell.run("agree", recording, "--setting", setting)
    more = shell.invoke("identify", recording, "--details").output
    assert "Classes that fit" in more
    told = json.loads(shell.invoke("identify", recording, "--json").stdout)
    # What sensed-tubs.toml says: on 900, off 820, filter 2, off-delay 5, lag 3.
    true = {"on_level": 900, "off_level": 820, "latency_active": 4, "latency_inactive": 9, "delay_difference": 5}
    for name, value in true.items():
        assert told[name]["low"] <= value <= told[name]["high"], name
    assert read_setting(setting).as_dict() == told["representative"]
    # Edges of one steepness: another latency with another level fits as well. For each the level is known closely.
    widths = [c["on_level"]["high"] - c["on_level"]["low"] for c in told["classes"]]
    assert max(widths) < 100
    assert told["verdict"]["decision"] == "not unique"
    assert told["verdict"]["setting"]["on_level"] == told["representative"]["on_level"]
    assert plot.read_text().startswith("<?xml")


def test_without_an_output_nothing_is_identified(tmp_path: Path) -> None:
    recording = tmp_path / "d.parquet"
    shell.run("synth", "demo", "--passes", 5, "--out", recording)
    done = shell.run("identify", recording, code=2)
    assert "--output-column" in done.output
    assert "Traceback" not in done.output
