"""What a record says of replay and sensor: agreed, not agreed, never compared."""

from __future__ import annotations

import shlex
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.evidence.record_parts import LIMITS_OF_USE
from teachlab.evidence.sections.agreement_section import agreement_caution, compared, limited, limits_of_use
from teachlab.model.recording import Origin, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict
from teachlab.statistics.claims.lot_claims import NOTHING

LIGHT = np.tile(np.repeat([0.0, 50.0, 20.0, 0.0], [20, 10, 10, 5]), 400)
LOTS = Truth.from_arrays(*(45 * np.arange(400) + k for k in (20, 40)), lot=[f"{k // 4}" for k in range(400)])
INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
SENSED = Recording.from_array(LIGHT, INFO, output=LIGHT > 30)
SETTING = Setting(unit="counts", on_level=40, off_level=30)
LOW = replace(SETTING, on_level=15, off_level=10)
USED = Verdict(decision="use", setting=SETTING)


def test_what_agrees_replaces_the_caution() -> None:
    found = compared(SENSED, LOTS, SETTING, confidence=0.95, assumption=NOTHING)
    assert found is not None
    verdict = limited(USED, found)
    assert verdict.decision == "use"
    assert verdict.sensor.startswith("Replay and sensor: agrees. The replay has 100 % of the logged pulses")
    assert agreement_caution(SENSED, found, setting_stated=False) == [verdict.sensor]
    limits = limits_of_use(found)
    assert len(limits) == len(LIMITS_OF_USE)
    changed = [new for new, old in zip(limits, LIMITS_OF_USE, strict=True) if new != old]
    assert len(changed) == 1
    assert "compared: agrees" in changed[0]
    assert "Verify on the line" in changed[0]
    assert not any("may not be what the sensor saw" in text for text in limits)


def test_what_does_not_agree_limits_the_use() -> None:
    found = compared(SENSED, LOTS, LOW, confidence=0.95, assumption=NOTHING)
    assert found is not None
    verdict = limited(USED, found)
    assert verdict.decision == "use with a limit"
    assert verdict.conditions == ("The replay does not agree with the sensor's own output.",)
    assert limited(replace(USED, decision="none of these works"), found).decision == "none of these works"
    assert "--sensor-setting" in agreement_caution(SENSED, found, setting_stated=False)[0]
    assert "--sensor-setting" not in agreement_caution(SENSED, found, setting_stated=True)[0]


def test_a_record_whose_replay_is_not_the_sensor_leads_to_the_setting_that_it_had(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    write_recording("a line.parquet", SENSED)
    write_truth("a line.passes.parquet", LOTS)
    write_setting("low.json", LOW)
    asked = "report 'a line.parquet' --setting low.json --out 'a record' --draws 0 --no-levels"
    told = shell.invoke(*shlex.split(asked)).stdout.splitlines()
    (step,) = [line.removeprefix("Next: teachlab ") for line in told if line.startswith("Next: ")]
    (then,) = [line.removeprefix("Then: teachlab ") for line in told if line.startswith("Then: ")]
    assert step == "identify 'a line.parquet' --out sensor.json"
    # More than one setting fits such a simple log (exit code 3): the simplest is written, and serves.
    assert shell.invoke(*shlex.split(step)).exit_code in (0, 3)
    # With the setting that the sensor had, the replay is the sensor, and the record is what is checked.
    done = shell.run(*shlex.split(then), "--force")
    assert "Next: teachlab verify 'a record/result.json'" in done.stdout
    other = shell.invoke(*shlex.split(f"{asked} --sensor-setting low.json"))
    assert "Next: teachlab agree 'a line.parquet' --setting low.json" in other.stdout


def test_a_record_of_too_few_lots_to_decide_leads_to_what_must_be_logged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The replay is the sensor's, pulse by pulse: a search for another setting would decide nothing."""
    monkeypatch.chdir(tmp_path)
    write_recording("line.parquet", SENSED)
    write_truth("line.passes.parquet", replace(LOTS, lot=None))
    write_setting("same.json", SETTING)
    told = shell.invoke("report", "line.parquet", "--setting", "same.json", "--out", "record", "--no-levels")
    assert "Replay and sensor: cannot be decided." in told.stdout
    assert "Next: teachlab agree line.parquet --setting same.json" in told.stdout
    agreed = shell.invoke("agree", "line.parquet", "--setting", "same.json")
    assert "Next: Log 72 lots beside the output" in agreed.stdout


@pytest.mark.parametrize("output", [None, np.zeros(LIGHT.size, bool)])
def test_what_was_never_compared_is_said(output: np.ndarray | None) -> None:
    bare = Recording.from_array(LIGHT, INFO, output=output)
    assert compared(bare, LOTS, SETTING, confidence=0.95, assumption=NOTHING) is None
    assert limited(USED, None) == USED
    (said,) = agreement_caution(bare, None, setting_stated=False)
    assert said.startswith("The replay was never compared with this sensor")
    assert limits_of_use(None) == list(LIMITS_OF_USE)
    synthetic = Recording.from_array(LIGHT, replace(INFO, origin=Origin.SYNTHETIC))
    assert agreement_caution(synthetic, None, setting_stated=False) == []
