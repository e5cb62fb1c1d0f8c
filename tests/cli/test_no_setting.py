"""What `teach` and `design` say where no setting is taught: why, in numbers with units, and what can help."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth


@pytest.fixture
def line(tmp_path: Path) -> Path:
    """60 tins of 40 counts over a background of 10, and between them jars of 64 counts that must not switch."""
    start = 100 * np.arange(120) + 40
    light = np.full(12_100, 10.0)
    for k, a in enumerate(start):
        light[a : a + 40] = 64 if k % 2 else 40
    light += np.random.default_rng(1).integers(0, 2, light.size)
    path = tmp_path / "tins.parquet"
    write_recording(path, Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts")))
    jars = np.arange(120) % 2 == 1
    write_truth(
        tmp_path / "tins.passes.parquet",
        Truth.from_arrays(start, start + 40, label=np.where(jars, "jar", "tin").tolist(), detect=~jars),
    )
    return path


def test_which_pass_is_weaker_than_what_is_said_with_units_and_what_can_help(line: Path) -> None:
    done = shell.run("teach", line, "--strategy", "balanced-guard", code=3)
    assert done.stdout == ""
    told = " ".join(done.stderr.split())
    assert "No setting: balanced-guard gives none. No fixed level can separate the passes 'tin' from" in told
    assert "Measured: the weakest passes 'tin' reach 4" in told
    assert "counts, but the passes to be ignored 'jar' reach 65 counts, 1 % of each left out." in told
    assert "Needed: passes that reach further from the background than all gaps and all objects to be ignored." in told
    assert told.endswith(f"Next: teachlab design {line}")


def test_a_design_that_finds_none_leads_to_the_light(line: Path) -> None:
    done = shell.invoke("design", line)
    if done.exit_code != 3:
        pytest.fail(done.output)
    assert " ".join(done.stderr.split()).endswith(f"Next: teachlab inspect {line}")
