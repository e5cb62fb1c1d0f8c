"""An onset just before a pass: one event, told as such by score, bench, record and replay."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shell
from hypothesis import given, settings
from hypothesis import strategies as st
from scoring.margins import measure_margin

from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.evidence.sections.lost_passes import lost_and_worst
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Outcome, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.scoring.early import early_by_s, early_rows
from teachlab.scoring.reasons import reasons_of
from teachlab.switching import replay

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=100.0)
LOW = Setting(unit="counts", on_level=30.0, off_level=20.0)
START = np.array([20, 60, 100, 140])


def line() -> tuple[Recording, Truth]:
    """Passes of 10 samples at 80 on 10; two begin with slow edges, and the last is joined to the one before."""
    light = np.full(180, 10.0)
    for a in START:
        light[a : a + 10] = 80.0
    light[57:60] = 35.0
    light[99] = 40.0
    light[110:140] = 25.0
    return Recording.from_array(light, INFO, name="line"), Truth.from_arrays(START, START + 10, label=["tin"] * 4)


def test_only_passes_that_an_onset_in_the_gap_before_lasts_into() -> None:
    recording, truth = line()
    output = replay(recording, LOW)
    found = score(output, truth)
    # The last one is merged too, but held from the pass before: no onset lies in the gap between.
    assert found.trials.passes.tolist() == [Outcome.HIT, Outcome.MERGED, Outcome.MERGED, Outcome.MERGED]
    assert early_rows(found.trials).tolist() == [1, 2]
    assert early_by_s(output, truth, early_rows(found.trials)).tolist() == pytest.approx([0.003, 0.001])
    assert early_rows(score(output, truth, rules=Rules(tolerance_ms=1.0)).trials).tolist() == [1]
    assert early_rows(score(output, truth, rules=Rules(tolerance_ms=3.0)).trials).size == 0
    # The gap before the first pass scored is none of the scored ones: what ended there is not told.
    assert early_rows(score(output, truth, rules=Rules(first_pass=1)).trials).tolist() == [2]


def test_an_off_delay_that_bridges_the_gap_is_not_early() -> None:
    recording, truth = line()
    held = Setting(unit="counts", on_level=30.0, off_level=20.0, off_delay_ms=35.0)
    assert early_rows(score(replay(recording, held), truth).trials).size == 0


@given(st.lists(st.sampled_from([5, 25, 35, 80]), min_size=30, max_size=120), st.integers(0, 4), st.integers(0, 3))
@settings(max_examples=60, deadline=None)
def test_equal_to_a_plain_walk_over_the_output(values: list[int], tolerance: int, off_delay: int) -> None:
    truth = Truth.from_arrays(*(np.array(ends) for ends in ([5, 14, 22], [10, 20, 26])))
    recording = Recording.from_array(np.array(values, float), INFO, name="line")
    setting = Setting(unit="counts", on_level=30.0, off_level=20.0, off_delay_ms=float(off_delay))
    output = replay(recording, setting)
    trials = score(output, truth, rules=Rules(tolerance_ms=tolerance)).trials
    early = early_rows(trials)
    rises = set(output.onsets.tolist())
    for row in range(3):
        start = int(truth.start[row]) - tolerance
        floor = 0 if row == 0 else int(truth.end[row - 1]) + tolerance
        lasted = [k for k in range(floor, start) if k in rises]
        assert (row in early) == (trials.passes[row] == Outcome.MERGED and bool(lasted))
    for row, by in zip(early.tolist(), early_by_s(output, truth, early).tolist(), strict=True):
        assert by == pytest.approx((truth.start[row] - max(k for k in rises if k < truth.start[row])) / 1000)
        assert by > tolerance / 1000


def test_bench_and_record_tell_it_as_one_event() -> None:
    recording, truth = line()
    output = replay(recording, LOW)
    found = score(output, truth)
    told = reasons_of(recording, truth, LOW, found).lines()
    assert told[0].startswith("2 passes (2 'tin') merged: the output became active in the gap just before, one event")
    assert told[1].startswith("1 pass (1 'tin') merged: the output was still active from before, since the light")
    assert not any("gaps tripped" in line for line in told)
    margins = measure_margin(recording, output, truth, found.trials)
    lost = lost_and_worst(truth, LOW, margins, found, reasons_of(recording, truth, LOW, found))
    assert lost["reasons"] == {"held-by-level": 1, "early": 2}


def test_replay_says_why_by_how_much_and_what_next(tmp_path: Path) -> None:
    recording, truth = line()
    path, setting = tmp_path / "line.parquet", tmp_path / "low.json"
    write_recording(path, recording)
    write_truth(tmp_path / "line.passes.parquet", truth)
    setting.write_text(json.dumps(LOW.as_dict()))
    text = shell.invoke("replay", path, "--setting", setting, "--details").output
    assert "2 passes (2 'tin') merged: the output became active in the gap just before" in text
    assert "2 of the false trips began 1 to 3 ms before the pass that they lasted into; a sample takes 1 ms." in text
    few = "Next: Log a new recording with at least 50 passes, and name the lot of every pass."
    assert few in text  # three passes decide nothing
    # Neither goes first, the change or the recording: one recording decides on both.
    assert "Better: the level at 60 counts: no error on these passes. Check it on the new recording too.\n" in text
    bare = shell.invoke("replay", path, "--setting", setting, "--no-margin", "--details").output
    assert "2 of the false trips began 1 to 3 ms before" in bare
    # Without a look at the light the verdict alone says why, and no margin is measured.
    why = "the output became active in the gap just before"
    flat = [" ".join(one.split()) for one in (text, bare)]
    assert [one.count(why) for one in flat] == [2, 1]
    assert ["Margin to noise" in one for one in flat] == [True, False]
    assert [one.count(few) for one in flat] == [1, 1]
    setting.write_text(json.dumps(Setting(unit="counts", on_level=60.0, off_level=40.0).as_dict()))
    fine = shell.invoke("replay", path, "--setting", setting, "--details").output
    assert "merged: " not in fine
    assert why not in " ".join(fine.split())
    assert "Why: 4 passes are too few to decide." in fine


def test_an_onset_in_a_gap_that_is_no_trial_is_not_taken_off_the_gaps_that_tripped() -> None:
    """The only trip lies in the first gap; the gap before the early pass holds invalid light and is no trial."""
    light = np.full(180, 10.0)
    for a in START:
        light[a : a + 10] = 80.0
    light[5:8] = 35.0
    light[57:60] = 35.0
    light[40:50] = np.nan
    recording, truth = Recording.from_array(light, INFO, name="line"), Truth.from_arrays(START, START + 10)
    found = score(replay(recording, LOW), truth)
    assert found.counts.gaps_tripped == 1
    assert found.counts.excluded_gaps == 1
    assert early_rows(found.trials).tolist() == [1]
    told = reasons_of(recording, truth, LOW, found).lines()
    assert told[1] == "1 more of 4 gaps tripped: the background reaches the level of 30 counts"


def test_one_edge_is_told_as_one(tmp_path: Path) -> None:
    path, setting = tmp_path / "one.parquet", tmp_path / "low.json"
    write_recording(path, Recording.from_array([0] * 50 + [100] * 20 + [0] * 50, line()[0].info))
    setting.write_text(json.dumps(LOW.as_dict()))
    told = shell.invoke("replay", path, "--setting", setting)
    assert "\n1 onset, 1 release; at the start: inactive\n" in told.stdout
