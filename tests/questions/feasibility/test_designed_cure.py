"""A disturbance in one gap, tried both ways on a small line."""

from __future__ import annotations

import numpy as np

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.feasibility.designed_cure import designed_in_hindsight, tried_both_ways
from teachlab.questions.feasibility.tried_cures import tried_cures
from teachlab.questions.verdict import setting_verdict
from teachlab.scoring import score
from teachlab.scoring.error_places import error_places
from teachlab.switching import replay

SETTING = Setting(unit="mV", on_level=60.0, off_level=50.0)


def line() -> tuple[Recording, Truth]:
    """Twenty passes of 60 ms at 110 above gaps at 10; eight flashes of 4 ms in the gap after pass 9."""
    start = 100 + 160 * np.arange(20)
    light = 10.0 + np.resize([0.0, 1, 0, -1], int(start[-1]) + 160)
    for a in start:
        light[a : a + 60] += 100
    for k in range(8):
        light[start[9] + 64 + 11 * k : start[9] + 68 + 11 * k] = 110.0
    return (
        Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV")),
        Truth.from_arrays(start, start + 60),
    )


def test_one_gap_is_left_out_and_designed_against() -> None:
    recording, truth = line()
    result = score(replay(recording, SETTING), truth)
    assert result.counts.false_trips == 8
    (place,) = error_places(truth, result.trials)
    tried = tried_both_ways(recording, truth, SETTING, place)
    assert tried is not None
    # The gap is 1600 to 1700: its middle half is left out, and with it the gap, not its neighbours.
    assert (tried.first_sample, tried.last_sample) == (1625, 1675)
    assert tried.left_out == (0, 0)
    assert tried.against == (0, 0)
    assert tried.designed is not None
    assert tried.designed.on_delay_ms >= 4
    text = tried.sentence()
    assert text.startswith(
        "Tried both ways: with samples 1625 to 1675 left out (import --except) 0 passes are lost and 0 switchings"
    )
    assert "designed against it (" in text
    assert text.endswith("0 and 0. The design knew these passes: confirm it on others.")


def test_designed_together_is_a_cure() -> None:
    recording, truth = line()
    result = score(replay(recording, SETTING), truth)
    cures = {cure.text.split(" (")[0]: cure for cure in tried_cures(recording, truth, SETTING, result)}
    assert cures["levels, filter and delays designed together"].errors == 0


def test_a_verdict_that_is_not_use_tells_both_ways() -> None:
    recording, truth = line()
    result = score(replay(recording, SETTING), truth)
    verdict = setting_verdict(recording, truth, SETTING, result)
    assert verdict.decision != "use"
    assert any(reason.text.startswith("Tried both ways") for reason in verdict.reasons)


def test_nothing_is_designed_where_nothing_works() -> None:
    recording, truth = line()
    dark = Recording.from_array(np.full(recording.samples, 10.0), recording.info)
    assert designed_in_hindsight(dark, truth) is None
