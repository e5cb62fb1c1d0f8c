"""What the claim takes for granted is stated by whoever asks, and the headline carries it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth


@pytest.fixture
def line(tmp_path: Path) -> list[str]:
    """A clean line of 60 passes in 6 lots."""
    rng, start = np.random.default_rng(2), 40 + 60 * np.arange(60)
    light = rng.normal(100, 3, 3700).round()
    for a in start:
        light[a : a + 25] += 400
    write_recording(
        tmp_path / "a.parquet",
        Recording.from_array(light.astype(np.int16), RecordingInfo(sample_rate_hz=1000.0, unit="counts")),
    )
    write_truth(
        tmp_path / "a.passes.parquet", Truth.from_arrays(start, start + 25, lot=[f"{k // 10}" for k in range(60)])
    )
    write_setting(tmp_path / "a.json", Setting(unit="counts", on_level=300.0, off_level=260.0))
    return ["replay", str(tmp_path / "a.parquet"), "--setting", str(tmp_path / "a.json"), "--json"]


def test_the_headline_carries_what_is_assumed(line: list[str]) -> None:
    # Without losses: 1 - 0.05^(1/6) by lots and 1 - 0.05^(1/60) of independent passes (Clopper and Pearson).
    for stated, name, upper in (
        ("lots", "lots", 1 - 0.05 ** (1 / 6)),
        ("independent", "independent", 1 - 0.05 ** (1 / 60)),
    ):
        claim = json.loads(shell.invoke(*line, "--assume", stated).stdout)["verdict"]["claim"]
        assert claim["assume"] == name
        assert claim["upper"] == pytest.approx(upper)
    claim = json.loads(shell.invoke(*line, "--assume", "0.2").stdout)["verdict"]["claim"]
    assert claim["assume"] == "icc = 0.2"
    assert 1 - 0.05 ** (1 / 60) < claim["upper"] < 1 - 0.05 ** (1 / 6)


def test_nonsense_is_refused(line: list[str]) -> None:
    for stated in ("nothing", "2", "nan"):
        shell.run(*line, "--assume", stated, code=2)
