"""The command `timing`: keys, worked numbers, a recording's own passes, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell
from typer.testing import Result

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth

KEYS = {
    "dwell_ms", "gap_ms", "samples_in_dwell", "min_object_mm", "min_gap_mm", "response_ms", "output_pulse_ms",
    "output_gap_ms", "fits", "because",
}  # fmt: skip
NUMBERS = ["--speed-mm-s", 1200, "--length-mm", 40, "--gap-mm", 12, "--evaluation-rate-hz", 2000]


def run(*arguments: object) -> Result:
    return shell.invoke("timing", *arguments, "--details")


def document(*arguments: object) -> dict[str, Any]:
    return shell.document("timing", *arguments, "--details")


@pytest.fixture
def line(tmp_path: Path) -> Path:
    """Passes of 20, 20 and 3 ms with gaps of 10 and 4 ms, 1 kHz, 0.5 m/s; a setting of 50 and 40 counts."""
    light = np.full(200, 10, np.uint16)
    start, end = np.array([50, 80, 104]), np.array([70, 100, 107])
    for a, b in zip(start, end, strict=True):
        light[a:b] = 90
    path = tmp_path / "line.parquet"
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", line_speed_m_s=0.5)
    write_recording(path, Recording.from_array(light, info))
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, end))
    for name, changes in (("plain", {}), ("held", {"off_delay_ms": 5.0}), ("late", {"on_delay_ms": 3.0})):
        setting = {"schema": 1, "unit": "counts", "on_level": 50, "off_level": 40, "polarity": "light-on", **changes}
        (tmp_path / f"{name}.json").write_text(json.dumps(setting))
    return path


def test_worked_numbers() -> None:
    """40 mm and a gap of 12 mm at 1.2 m/s: 33.3 and 10 ms; an off-delay of 12 ms merges, 4 ms is the limit."""
    found = document(*NUMBERS, "--off-delay-ms", 12, "--scan-ms", 5, "--input-filter-ms", 1)
    assert found.keys() >= KEYS
    assert found["dwell_ms"] == pytest.approx(100 / 3)
    assert found["gap_ms"] == pytest.approx(10)
    assert found["samples_in_dwell"] == pytest.approx(200 / 3)
    assert found["response_ms"] == 0.5
    assert found["min_object_mm"] == pytest.approx(0.6)
    assert found["min_gap_mm"] == pytest.approx(1.2 * 12.5)
    assert found["off_delay_window_ms"] == pytest.approx([0, 4])
    assert (found["output_gap_ms"], found["fits"]) == (0, "impossible")
    assert "off-delay of 12 ms" in found["because"]
    assert found["predicted"] is None


def test_longest_response_and_the_pulse() -> None:
    found = document(*NUMBERS, "--consecutive", 3, "--on-delay-ms", 5, "--off-delay-ms", 2)
    assert found["response_ms"] == pytest.approx(6.5)
    # Of the dwell of 33.3 ms at least 66 evaluations of 0.5 ms.
    assert found["output_pulse_ms"] == pytest.approx(33 - 5 + 2)
    assert found["output_gap_ms"] == pytest.approx(10 + 5 - 2)
    assert found["fits"] == "fine"


def test_edges_of_a_beam() -> None:
    low = document(*NUMBERS, "--beam-mm", 2)
    high = document(*NUMBERS, "--beam-mm", 2, "--on-share", 0.8)
    assert low["dwell_ms"] == pytest.approx(33.3, abs=0.05)
    assert high["dwell_ms"] == pytest.approx(31.9, abs=0.05)
    assert high["gap_ms"] - low["gap_ms"] == pytest.approx(low["dwell_ms"] - high["dwell_ms"])
    mixed = document(*NUMBERS, "--beam-mm", 2, "--on-share", 0.8, "--off-share", 0.5)
    assert mixed["dwell_ms"] == pytest.approx((low["dwell_ms"] + high["dwell_ms"]) / 2)


def test_a_recordings_own_passes_and_gaps(line: Path) -> None:
    found = document(line)
    assert (found["dwell_ms"], found["gap_ms"]) == (3, 4)
    assert found["min_object_mm"] == pytest.approx(0.5)
    assert found["fits"] == "fine"
    assert found["predicted"] == {
        "missed": 0, "merged": 0, "passes": 3, "gaps": 2, "touching": 0, "unbroken": 0, "unlit": 0,
        "short_pulses": 0, "short_gaps": 0,
    }  # fmt: skip
    assert found["delay_at_fault"] is None


def test_a_delay_at_fault_is_blamed(line: Path) -> None:
    held = document(line, "--setting", line.parent / "held.json")
    assert held["predicted"]["merged"] == 1
    assert held["fits"] == "impossible"
    assert held["delay_at_fault"] == (
        "Not the level: the off-delay of 5 ms bridges 1 of 2 gaps between passes: neighbours merge."
    )
    late = document(line, "--setting", line.parent / "late.json")
    assert late["predicted"]["missed"] == 1
    assert "on-delay of 3 ms is too long for 1 of 3 passes" in late["delay_at_fault"]
    for name, lost in (("held", "merged"), ("late", "misses"), ("plain", "merged")):
        arguments = ["replay", str(line), "--setting", str(line.parent / f"{name}.json"), "--json"]
        score = json.loads(shell.invoke(*arguments).stdout)["score"]
        assert score[lost] == (0 if name == "plain" else 1)


@pytest.mark.parametrize(
    ("setting", "told"),
    [("held", "Next: Shorten the off-delay to at most 3 ms."), ("late", "Next: Shorten the on-delay to at most 2 ms.")],
)
def test_the_next_step_says_to_what_a_delay_must_be_shortened(line: Path, setting: str, told: str) -> None:
    name = line.parent / f"{setting}.json"
    assert told in run(line, "--setting", name).output
    kind, most = told.split()[3], float(told.split()[7])
    for ms, fits in ((most, "fine"), (most + 1, "impossible")):
        assert document(line, "--setting", name, f"--{kind}-ms", ms)["fits"] == fits
    again = run(line, "--setting", name, f"--{kind}-ms", most).output
    assert "Shorten" not in again
    assert "Next: teachlab replay" in again


def test_light_that_never_reaches_the_level_is_no_question_of_time(line: Path) -> None:
    """The third pass of 3 ms has light of 30 counts, under the level of 50."""
    light = np.full(200, 10, np.uint16)
    for a, b, value in ((50, 70, 90), (80, 100, 90), (104, 107, 30)):
        light[a:b] = value
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", line_speed_m_s=0.5)
    line = line.with_name("dim.parquet")
    write_recording(line, Recording.from_array(light, info))
    write_truth(line.with_name("dim.passes.parquet"), Truth.from_arrays([50, 80, 104], [70, 100, 107]))
    setting = line.parent / "plain.json"
    lines = run(line, "--setting", setting).output.splitlines()
    assert lines[0].startswith("Level first: the light of 1 of 3 passes never reaches the level.")
    output = " ".join(" ".join(lines).split())
    assert "Why: This is not a question of time: change the level first." in output
    assert "Why: Filter and delays alone miss 0 of 2 passes and merge 0 of 2 pairs of neighbours." in output
    # The budget is that of the passes that reach the level: 20 ms each.
    assert "dwell 20 ms, gap 10 ms" in output
    assert "chance that it is seen 100 %" in output
    assert f"Next: teachlab bench {line} --out results" in output
    slow = " ".join(run(line, "--setting", setting, "--on-delay-ms", 20).output.split())
    assert "Level first: " in slow
    assert "Filter and delays alone miss 2 of 2 passes" in slow
    assert "Why: For what the level separates: the on-delay of 20 ms needs 21 evaluations" in slow
    assert document(line, "--setting", setting)["predicted"]["missed"] == 1


def test_a_controller_that_was_not_given_is_said_to_be_unchecked(line: Path) -> None:
    assert "controller not checked (give --scan-ms)" in run(line).output


def test_a_single_pass_has_no_neighbours_to_merge_with(line: Path) -> None:
    write_truth(line.parent / "one.csv", Truth.from_arrays([50], [70]))
    told = run(line, "--truth", line.parent / "one.csv").stdout
    assert "Filter and delays alone miss 0 of 1 pass.\n" in told


def test_options_override_the_setting(line: Path) -> None:
    found = document(line, "--setting", line.parent / "held.json", "--off-delay-ms", 3, "--consecutive", 2)
    assert found["delay_at_fault"] is None
    assert found["response_ms"] == 2
    faster = document(line, "--speed-mm-s", 2000)
    assert faster["min_object_mm"] == pytest.approx(2.0)


def test_text_names_what_it_prints(line: Path) -> None:
    result = run(line, "--setting", line.parent / "held.json", "--scan-ms", 3)
    assert result.exit_code == 0
    for text in (
        "shortest dwell  3 ms", "the controller needs  3 ms", "off-delay may be  0 … 1 ms",
        "at on 50, off 40 counts of line", "merge 1 of 2 pairs of neighbours", "Not the level: the off-delay of 5 ms",
    ):  # fmt: skip
        assert text in result.output, text
    # Pulses of 20, 20 and 3 ms, gaps of 10 and 4.
    assert "too short for it are 1 pulse and 1 gap" in run(line, "--scan-ms", 6).output
    # A pulse of 3 ms stretched to 12, in a gap of 4: no off-delay does both.
    assert "none fits" in run(line, "--scan-ms", 12).output


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "missing: --speed-mm-s, --length-mm, --gap-mm, --evaluation-rate-hz"),
        (["--speed-mm-s", "1200", "--length-mm", "40", "--gap-mm", "12"], "missing: --evaluation-rate-hz"),
        ([*NUMBERS[:3], "-1", *NUMBERS[4:]], "length-mm must be a number"),
        ([*NUMBERS, "--consecutive", "0"], "consecutive must be a number from 1"),
        ([*NUMBERS, "--on-delay-ms", "-2"], "on-delay-ms must be a number from 0"),
        ([*NUMBERS, "--scan-ms", "nan"], "scan-ms must be a number"),
        ([*NUMBERS, "--beam-mm", "2", "--on-share", "1"], "must be a number between 0 and 1"),
        ([*NUMBERS, "--speed-change", "-1"], "speed-change"),
        (["line.parquet", "--length-mm", "40"], "not both"),
        (["line.parquet", "--beam-mm", "nan"], "beam-mm must be a number"),
        (["line.parquet", "--beam-mm", "inf"], "beam-mm must be a number"),
        (["line.parquet", "--on-share", "nan"], "must be a number between 0 and 1"),
        (["line.parquet", "--off-share", "2"], "must be a number between 0 and 1"),
        (["line.parquet", "--speed-mm-s", "-3"], "speed-mm-s must be a number"),
        (["line.parquet", "--scan-ms", "-1"], "scan-ms must be a number"),
        (["line.parquet", "--input-filter-ms", "inf"], "input-filter-ms must be a number"),
        (["line.parquet", "--speed-change", "nan"], "speed-change"),
        (["line.parquet", "--setting", "plain.json", "--beam-mm", "2"], "leave out --beam-mm"),
        (["line.parquet", "--setting", "none.json"], "none.json"),
        (["line.parquet", "--evaluation-rate-hz", "5000", "--setting", "plain.json"], "5000"),
        (["nowhere.parquet"], "nowhere.parquet"),
    ],
)
def test_refusals(line: Path, arguments: list[object], message: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(line.parent)
    result = run(*arguments, "--json")
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert message in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize(
    ("rate_hz", "length_mm", "gap_mm", "told"),
    [
        # 10 evaluations a state, one a second: to and fro in 20 s; 40 mm last 40 ms, 50 m last 50 s.
        (1, 40, 50_000, {"fastest switching": "once in 20 s", "shortest dwell": "40 ms", "shortest gap": "50 s"}),
        (1000, 40, 60, {"fastest switching": "50 Hz", "shortest dwell": "40 ms", "object surely seen from": "10 mm"}),
    ],
)
def test_rates_and_times_are_told_without_exponents(
    rate_hz: int, length_mm: int, gap_mm: int, told: dict[str, str]
) -> None:
    words = ["--speed-mm-s", 1000, "--length-mm", length_mm, "--gap-mm", gap_mm, "--evaluation-rate-hz", rate_hz]
    output = run(*words, "--consecutive", 10).output
    found = {label: value for label, _, value in (row.strip().partition("  ") for row in output.splitlines())}
    assert {label: found[label] for label in told} == told
    assert "e+" not in output
