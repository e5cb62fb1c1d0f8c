"""What long sittings of the attack have found, each by the smallest case that showed it."""

from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from teachlab.cli import app
from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth


def line(folder: Path, low: float) -> str:
    light = np.tile(np.repeat([low, 70.0], 20), 25)
    info = RecordingInfo(sample_rate_hz=100.0, unit="mV", full_scale=100.0)
    write_recording(folder / "a.parquet", Recording.from_array(light, info))
    return str(folder / "a.parquet")


def test_two_levels_without_spread_are_told_in_words(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["label", line(tmp_path, 30.0), "--direction", "rise", "--out", f"{tmp_path}/o.csv"])
    assert done.exit_code == 0, done.output
    assert "without any spread" in " ".join(done.output.split())
    assert "inf" not in done.output.replace(str(tmp_path), "")


def test_infinite_light_is_no_level_that_clips(tmp_path: Path) -> None:
    light = np.random.default_rng(1).integers(30, 32, 1000).astype(float)
    light[::2] += 40
    light[100:150] = -np.inf
    write_recording(
        tmp_path / "a.parquet",
        Recording.from_array(light, RecordingInfo(sample_rate_hz=100.0, unit="mV", full_scale=100.0)),
    )
    write_truth(tmp_path / "a.passes.parquet", Truth.from_arrays(np.arange(10, 900, 100), np.arange(20, 900, 100)))
    done = CliRunner().invoke(app, ["inspect", str(tmp_path / "a.parquet")])
    assert done.exit_code in (0, 1, 3), done.output
    assert "stand at the lowest level" not in done.output


@pytest.mark.parametrize("name", ["", "."])
def test_nothing_is_no_recording_to_continue(name: str) -> None:
    done = CliRunner().invoke(app, ["synth", "--continue", name, "--passes", "2"])
    assert done.exit_code == 2, done.exception
    assert "names no recording" in " ".join(done.stderr.split())
