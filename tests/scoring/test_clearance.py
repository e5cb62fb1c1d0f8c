"""Clearance by hand, its content by Wilks, and levels of equal cost against one replay each."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scoring.margins import measure_margin

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.replay import replayed
from teachlab.questions.stress.equal_cost import equal_cost, room_of
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.scoring.clearance import Clearance, NearMisses, clearance_of, near_misses
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay
from teachlab.wording.verdict import verdict_lines

SETTING = Setting(unit="mV", on_level=60.0, off_level=50.0)


def line(passes: int = 20, lots: int = 0, sign: float = 1.0) -> tuple[Recording, Truth]:
    """Pieces of 90 but one of 72 in pass 5, on a belt of 10; after pass 11 a bump of 45 that does not switch."""
    light = np.full(passes * 40 + 40, 10.0)
    start = np.arange(passes) * 40 + 20
    for k, a in enumerate(start):
        light[a : a + 20] = 72.0 if k == 5 else 90.0
    if passes > 11:
        light[start[11] + 30] = 45.0
    names = None if not lots else [f"tray {k * lots // passes}" for k in range(passes)]
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV")
    return Recording.from_array(sign * light, info), Truth.from_arrays(start, start + 20, lot=names)


def found(recording: Recording, truth: Truth, setting: Setting) -> Clearance:
    output = replay(recording, setting)
    trials = score(output, truth).trials
    margin = measure_margin(recording, output, truth, trials)
    clearance = clearance_of(truth, setting, margin, trials)
    assert clearance is not None
    return clearance


@pytest.mark.parametrize(("lots", "units", "count"), [(0, "passes", 20), (5, "lots", 5)])
def test_the_nearest_pass_and_its_content(lots: int, units: str, count: int) -> None:
    clearance = found(*line(lots=lots), SETTING)
    # 72 − 60 is 12; the bump of 45 stays 15 below the 60.
    assert (clearance.least, clearance.side, clearance.row) == (12.0, "detect", 5)
    assert (clearance.units, clearance.count) == (units, count)
    assert clearance.content == pytest.approx(0.05 ** (1 / count))
    said = clearance.sentence("mV")
    assert ("if passes are independent" in said) is (units == "passes")
    # They are no side of it: a page said 67 of all light beside 62 of the valleys.
    assert said.startswith("Weak moments inside passes left out, light keeps at least 12 mV from the levels")


def test_the_nearest_gap_and_the_mirrored_line() -> None:
    recording, truth = line()
    higher = replace(SETTING, on_level=57.0)
    assert (found(recording, truth, higher).least, found(recording, truth, higher).side) == (12.0, "trip")
    turned = Setting(unit="mV", on_level=-50.0, off_level=-57.0, polarity="dark-on")
    mirrored = found(*line(sign=-1.0), turned)
    assert (mirrored.least, mirrored.side, mirrored.row) == (12.0, "trip", 11)


def test_a_lost_pass_has_a_negative_clearance() -> None:
    assert found(*line(), replace(SETTING, on_level=80.0)).least == -8.0


def near(recording: Recording, truth: Truth, setting: Setting) -> list[NearMisses]:
    output = replay(recording, setting)
    trials = score(output, truth).trials
    return near_misses(truth, setting, measure_margin(recording, output, truth, trials), trials)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_near_misses_by_hand(sign: float) -> None:
    """A piece 12 beyond the level where others lie 30 beyond; a bump 15 below it where other gaps lie 50 below."""
    recording, truth = line(sign=sign)
    setting = SETTING if sign > 0 else Setting(unit="mV", on_level=-50, off_level=-60, polarity=Polarity.DARK_ON)
    # A level of -60 is left by light below it, so that light-on and dark-on see the same distances here.
    assert [(one.side, one.rows, one.least, one.usual, one.count) for one in near(recording, truth, setting)] == [
        ("trip", (11,), 15.0, 50.0, 20),
        ("detect", (5,), 12.0, 30.0, 20),
    ]


def test_what_keeps_half_the_usual_distance_and_what_was_lost_are_no_near_misses() -> None:
    recording, truth = line(passes=10)
    assert near(recording, truth, replace(SETTING, on_level=54.0)) == []  # 18 of 36
    assert near(recording, truth, replace(SETTING, on_level=54.5))[0].rows == (5,)  # 17.5 of 35.5
    assert near(recording, truth, replace(SETTING, on_level=73.0)) == []


def test_passes_at_the_end_of_the_scale_are_said_to_tell_nothing_of_how_near_they_come() -> None:
    recording, truth = line()
    light = np.where(recording.read(0, recording.samples).light > 50, 100.0, recording.read(0, recording.samples).light)
    for full, said in ((100.0, True), (400.0, False)):
        made = Recording.from_array(light, replace(recording.info, full_scale=full))
        near = replayed(made, truth, SETTING).verdict
        assert near is not None
        assert (near.near is not None and "end of the scale" in near.near.text) is said


def test_the_content_is_that_of_wilks() -> None:
    """299 values for 99 % at 95 %: Wilks 1941; 59 for 95 % (common tables of one-sided non-parametric limits)."""
    for count, content in ((299, 0.99), (59, 0.95)):
        assert 0.05 ** (1 / count) >= content > 0.05 ** (1 / (count - 1))


def test_levels_of_equal_cost_equal_a_replay_each() -> None:
    recording, truth = line()
    room = equal_cost(recording, truth, SETTING, reach=40.0)

    def cost(shift: float) -> float:
        shifted = replace(SETTING, on_level=60.0 + shift, off_level=50.0 + shift)
        n = score(replay(recording, shifted), truth).counts
        return (n.lost + n.false_trips + n.extra) / n.scored_passes

    # Up to 72 the dim piece is seen (it must be reached), down to above 45 the bump is not.
    assert room.on_high == pytest.approx(72.0, abs=room.resolution)
    assert room.on_low == pytest.approx(45.0, abs=room.resolution)
    assert room.cost == cost(0.0) == cost(room.up) == cost(-room.down) == 0
    assert cost(room.up + 1.01 * room.resolution) > 0
    assert cost(-room.down - 1.01 * room.resolution) > 0


def test_without_a_margin_there_is_no_room() -> None:
    assert room_of(SettingReading(*line(), SETTING), None) is None


def test_levels_of_equal_cost_are_told_where_a_setting_is() -> None:
    """Every verdict on fixed levels names them in text and document, and text tells no level finer than the light."""
    lighted, truth = line(20, 5)
    recording = Recording.from_array(lighted.light[:].astype(np.int16), lighted.info)
    by_hand = replace(SETTING, on_level=SETTING.on_level + 0.3)
    verdict = replayed(recording, truth, by_hand).verdict
    assert verdict is not None
    assert verdict.setting is not None
    assert verdict.equal_cost is not None
    assert verdict.step == 1
    room = verdict.equal_cost
    assert verdict.as_dict()["equal_cost"] == room.as_dict()
    assert verdict.as_dict()["setting"]["on_level"] == by_hand.on_level
    (told,) = [text for text in verdict_lines(verdict) if text.startswith("Room: ")]
    assert f"Any on-level from {math.ceil(room.on_low)} to {math.floor(room.on_high)} mV " in told
    assert f"on {SETTING.on_level + 1:.0f}, off" in verdict_lines(verdict)[0]
