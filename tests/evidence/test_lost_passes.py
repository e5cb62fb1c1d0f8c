"""One reason for every lost pass, each by a small line that shows it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell
from scoring.margins import measure_margin

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.evidence.sections.lost_passes import lost_and_worst
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.scoring.reasons import REASONS, reasons_of
from teachlab.switching import replay


def _found(light: np.ndarray, start: list[int], **setting: Any) -> dict[str, Any]:
    truth = Truth.from_arrays(start, np.array(start) + 10)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="x", full_scale=100))
    used = Setting(**{"unit": "x", "on_level": 50.0, "off_level": 40.0} | setting)
    output = replay(recording, used)
    result = score(output, truth)
    margins = measure_margin(recording, output, truth, result.trials)
    found = lost_and_worst(truth, used, margins, result, reasons_of(recording, truth, used, result))
    counts = result.counts
    assert sum(found["reasons"].values()) == counts.misses + counts.merged
    return found


def _line(*tops: float) -> tuple[np.ndarray, list[int]]:
    """Passes of 10 samples with these tops every 40, in a background of 10 and 11."""
    light = 10.0 + np.arange(40 * len(tops) + 40) % 2
    start = [40 * k + 20 for k in range(len(tops))]
    for a, top in zip(start, tops, strict=True):
        light[a : a + 10] = top
    return light, start


def _reason(light: np.ndarray, start: list[int], **setting: Any) -> list[tuple[int, str]]:
    return [(row["pass"], row["reason"]) for row in _found(light, start, **setting)["lost_passes"]]


def test_too_weak_and_like_a_gap() -> None:
    light, start = _line(80, 30, 80, 10.5)
    assert _reason(light, start) == [(1, "too-weak"), (3, "like-a-gap")]


def test_a_weak_object_is_not_like_gaps_that_hold_the_edges_of_others() -> None:
    """Edges beside every pass reach 40, and one object reaches 30 for its whole length; nothing passes in the last."""
    light, start = _line(80, 30, 80, 10.5)
    for a in (start[0], start[2]):
        light[[a - 1, a + 10]] = 40
    assert _reason(light, start) == [(1, "too-weak"), (3, "like-a-gap")]
    mirrored = {"polarity": Polarity.DARK_ON, "on_level": 60.0, "off_level": 50.0}
    assert _reason(100 - light, start, **mirrored) == [(1, "too-weak"), (3, "like-a-gap")]


def test_too_brief_for_the_delay() -> None:
    light, start = _line(80, 20, 80)
    light[start[1] + 2 : start[1] + 5] = 80
    assert _reason(light, start, on_delay_ms=5.0) == [(1, "too-brief")]


def test_held_by_delay_and_held_by_level() -> None:
    light, start = _line(80, 80, 80)
    assert _reason(light, start, off_delay_ms=35.0) == [(1, "held-by-delay"), (2, "held-by-delay")]
    light[start[1] + 10 : start[2]] = 45
    assert _reason(light, start) == [(2, "held-by-level")]


def test_dropout_and_saturation() -> None:
    light, start = _line(80, 20, 80, 80)
    light[start[1] + 3] = np.nan
    assert _reason(light, start) == [(1, "dropout")]
    # Objects lower the light. A pass clipped above the background is on its other side; where the background reaches
    # the full scale too, no more is known than that it is clipped.
    dark, start = _line(20, 100, 20)
    dark[dark < 15] += 80
    levels = {"polarity": Polarity.DARK_ON, "on_level": 60.0, "off_level": 50.0}
    assert _reason(dark, start, **levels) == [(1, "other-side")]
    dark[(dark > 85) & (np.arange(dark.size) % 2 == 0)] = 100.0
    assert _reason(dark, start, **levels) == [(1, "saturated")]


def test_active_from_before_without_falling_back_inside() -> None:
    # Active at the start of the record, released inside no pass: a pass that reaches the level but adds no onset.
    light, start = _line(80, 80)
    light[: start[0]] = 80
    found = _reason(light, start)
    assert found[0][0] == 0
    assert found[0][1] in {"held-by-level", "not-released"}


def test_worst_passes_are_the_lost_ones_and_then_the_weakest() -> None:
    light, start = _line(80, 30, 60, 55, 70)
    found = _found(light, start)
    assert [row["pass"] for row in found["worst"]] == [1, 3, 2, 4, 0]
    assert [row["reason"] for row in found["worst"]] == ["too-weak", None, None, None, None]
    assert found["worst"][1]["distance_to_level"] == pytest.approx(5)
    assert set(found["reasons"]) <= set(REASONS)


def test_nothing_lost() -> None:
    light, start = _line(80, 80)
    found = _found(light, start)
    assert (found["reasons"], found["lost_passes"]) == ({}, [])


def test_a_record_reads_the_light_with_the_tolerance_of_its_score(tmp_path: Path) -> None:
    """Light rises 4 ms before every pass: within the tolerance it belongs to no gap, and 30 for 4 ms is too weak."""
    light, start = _line(*[80] * 20, 10, *[80] * 20)
    light[start[20] + 3 : start[20] + 7] = 30
    for a in start:
        light[a - 4 : a] = 60
    write_recording(
        tmp_path / "line.parquet", Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="x"))
    )
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, np.array(start) + 10))
    write_setting(tmp_path / "s.json", Setting(unit="x", on_level=70.0, off_level=50.0))
    files = [str(tmp_path / "line.parquet"), "--setting", str(tmp_path / "s.json")]
    for tolerance, code in ((0, "like-a-gap"), (5, "too-weak")):
        out = tmp_path / str(tolerance)
        asked = ["report", *files, "--draws", "0", "--no-levels", "--tolerance-ms", str(tolerance), "--out", str(out)]
        shell.run(*asked)
        record = json.loads((out / "result.json").read_text())
        replayed = json.loads(shell.invoke("replay", *files, "--tolerance-ms", tolerance, "--json").stdout)
        assert record["reasons"] == replayed["reasons"]["counts"] == {code: 1}


def test_passes_that_touch_and_count_as_one_are_neither_marked_as_lost_nor_listed_before_others(tmp_path: Path) -> None:
    """They are no error: yet they filled the list, and the picture and the counts called them lost without a word."""
    start = np.sort(np.append(np.arange(60) * 40 + 20, np.arange(30) * 80 + 30))
    light = 10.0 + np.arange(2500) % 2
    for k, a in enumerate(start):
        light[a : a + 10] = 80 + k / 10
    write_recording(
        tmp_path / "line.parquet", Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="x"))
    )
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 10))
    write_setting(tmp_path / "at.json", Setting(unit="x", on_level=50.0, off_level=40.0))
    shell.run(
        "report", tmp_path / "line.parquet", "--setting", tmp_path / "at.json", "--out", tmp_path / "record",
        "--no-levels",
    )  # fmt: skip
    record = json.loads((tmp_path / "record" / "result.json").read_text())
    assert record["reasons"] == {"touching": 30}
    assert record["score"]["lost_rate"]["events"] == 30
    assert [row["outcome"] for row in record["worst"]] == ["hit"] * 20
    distances = [row["distance_to_level"] for row in record["worst"]]
    assert distances == sorted(distances)
    page = (tmp_path / "record" / "report.html").read_text()
    assert "0 lost passes marked." in page
    told = "<p>30 passes touch the one before: the output counts both as one, which is no error; "
    assert f"{told}the tables count that as lost.</p>" in page
    rests = record["verdict"]["claim"]["passes"]
    assert rests == 60
    assert f"<p>All 90 passes are counted here; the claim rests on {rests}.</p>" in page
