"""The next step of every verdict works as printed."""

from __future__ import annotations

import shlex
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from teachlab.cli import app
from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth

LINE = "corks.parquet"
ASKED = (
    f"compare {LINE} --setting a.json --setting 'b c.json'",
    f"compare {LINE} --setting a.json --with {LINE}",
    f"repeatability {LINE} --strategy two-sample-midpoint --draws 5",
    f"timing {LINE} --setting a.json",
    f"timing {LINE}",
    "timing --speed-mm-s 500 --length-mm 30 --gap-mm 30 --evaluation-rate-hz 1000",
    f"stale {LINE} --setting a.json",
    f"stale {LINE} --setting high.json",
    "plan --max-rate 0.05",
    "plan --max-rate 0.1 --hours",
    "plan --max-rate 0.05 --seen 500",
    "plan --max-rate 0.05 --seen 100 --lost 9",
)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A line of 60 corks in 6 lots on a belt of 100 counts, and three settings."""
    rng, start = np.random.default_rng(5), 40 + 60 * np.arange(60)
    light = rng.normal(100, 3, 3700).round()
    for a in start:
        light[a : a + 25] += 400
    truth = Truth.from_arrays(start, start + 25, lot=[f"crate {k // 10}" for k in range(60)])
    recording = Recording.from_array(light.astype(np.int16), RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    write_recording(tmp_path / LINE, recording)
    write_truth(tmp_path / "corks.passes.parquet", truth)
    for name, on in (("a", 300.0), ("b c", 250.0), ("high", 700.0)):
        write_setting(tmp_path / f"{name}.json", Setting(unit="counts", on_level=on, off_level=on - 40))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("asked", ASKED)
def test_the_next_step_works_as_printed(folder: Path, asked: str) -> None:
    told = CliRunner().invoke(app, shlex.split(asked))
    (step,) = [line.removeprefix("Next: ") for line in told.stdout.splitlines() if line.startswith("Next: ")]
    assert "--help" not in step
    assert not any(word.isupper() and len(word) > 3 for word in step.split())
    if step.startswith("teachlab "):
        quick = [] if " bench " not in step else ["--draws", "3"]
        done = CliRunner().invoke(app, shlex.split(step)[1:] + quick)
        assert done.exit_code == 0, done.output
    else:
        assert step.endswith(".")
