"""A disturbance in one gap, tried both ways on a small line."""

from __future__ import annotations

import numpy as np
import pytest

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


def line(flash: int = 4, every: int = 11) -> tuple[Recording, Truth]:
    """Twenty passes of 60 ms at 110 above gaps at 10; flashes, of 4 ms unless stated, in the gap after pass 9."""
    start = 100 + 160 * np.arange(20)
    light = 10.0 + np.resize([0.0, 1, 0, -1], int(start[-1]) + 160)
    for a in start:
        light[a : a + 60] += 100
    for begin in range(int(start[9]) + (64 if flash < 10 else 84), int(start[9]) + 160 - flash, every)[:8]:
        light[begin : begin + flash] = 110.0
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
        "Tried both ways: with samples 1625 to 1675 left out (import --except): no error; designed against it ("
    )
    assert text.endswith("): no error. The design knew these passes: confirm it on others.")


@pytest.mark.parametrize(("flash", "every", "designed"), [(4, 11, False), (24, 200, True)])
def test_a_whole_design_is_a_cure_where_nothing_simpler_is(flash: int, every: int, designed: bool) -> None:
    recording, truth = line(flash, every)
    result = score(replay(recording, SETTING), truth)
    cures = tried_cures(recording, truth, SETTING, result)
    assert cures[0].errors == 0
    # Flashes of 24 ms last longer than any delay below half a pass that is tried alone: 16 ms.
    assert cures[0].text.startswith("levels, filter and delays designed together") is designed
    assert any(cure.text == "an on-delay of 4 ms" for cure in cures) is not designed
    # The flashes are as bright as the passes: no level tells them apart, whatever the last digit says.
    assert not any(cure.text.startswith("the level") for cure in cures)


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
