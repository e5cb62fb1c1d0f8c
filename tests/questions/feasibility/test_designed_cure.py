"""A disturbance in one gap, tried both ways on a small line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from teachlab.model.memory import memory_of
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.counterfactual.averaged import averaged
from teachlab.questions.feasibility import designed_cure
from teachlab.questions.feasibility.designed_cure import designed_in_hindsight, tried_both_ways
from teachlab.questions.feasibility.tried_cures import cure_reason, tried_cures
from teachlab.questions.quality import inspected
from teachlab.questions.replay import replayed
from teachlab.questions.stress import stress
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.verdict import setting_verdict
from teachlab.questions.verdict.judged_by import FilesJudged, JudgedBy
from teachlab.scoring import score
from teachlab.scoring.error_places import error_places
from teachlab.switching import replay
from teachlab.wording.verdict import verdict_lines

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
    assert text.endswith("): no error. The design knew these passes: check it on a new recording.")
    with memory_of(3e8):
        alone = tried_both_ways(recording, truth, SETTING, place)
    assert alone is not None
    assert alone.sentence() == (
        "Tried: with samples 1625 to 1675 left out (import --except): no error; a setting designed against it was not "
        "tried on so much light (teachlab design does)."
    )


def test_a_stretch_in_which_something_is_left_out_already_is_tried_too() -> None:
    recording, truth = line()
    (place,) = error_places(truth, score(replay(recording, SETTING), truth).trials)
    without = replace(truth, except_=((int(truth.start[3]), int(truth.end[3])),))
    tried = tried_both_ways(recording, without, SETTING, replace(place, where="stretch", first_pass=2, last_pass=10))
    assert tried is not None
    assert tried.left_out == (0, 0)


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


def test_where_designs_are_not_tried_the_next_step_is_a_design(monkeypatch: pytest.MonkeyPatch) -> None:
    # A flash in every gap, which lasts longer than any delay that is tried alone.
    start = 100 + 160 * np.arange(100)
    light = 10.0 + np.resize([0.0, 1, 0, -1], int(start[-1]) + 160)
    for a in start:
        light[a : a + 60] = light[a + 100 : a + 124] = 110.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    truth = Truth.from_arrays(start, start + 60)
    asked = JudgedBy(files=FilesJudged(recording="a.parquet", setting="s.json"))
    monkeypatch.setattr(designed_cure, "MOST_DESIGNED", 10)
    monkeypatch.setattr("teachlab.questions.feasibility.tried_cures.MOST_DESIGNED", 10)
    verdict = replayed(recording, truth, SETTING, by=asked).verdict
    assert verdict is not None
    assert not verdict.cures
    assert verdict.next_step == "teachlab design a.parquet"


def test_every_kind_of_cure_is_told_with_what_its_replay_gives() -> None:
    """Flashes of 4 ms as high as passes: a filter, a delay and an average shut them out, no level and no band does."""
    recording, truth = line()
    result = score(replay(recording, SETTING), truth)
    cures = {cure.kind: cure for cure in tried_cures(recording, truth, SETTING, result)}
    assert set(cures) == {"filter", "on-delay", "averaging"}
    for kind in ("filter", "on-delay"):
        n = score(replay(recording, cures[kind].setting), truth).counts
        assert (n.lost, n.false_trips + n.extra) == (cures[kind].lost, cures[kind].false) == (0, 0)
    # The mean of 8 ms holds 4 ms of a flash: at most half the height, 60, below a level of 85.
    seen, later = averaged(recording, truth, 8)
    n = score(replay(seen, cures["averaging"].setting), later).counts
    assert (n.lost, n.false_trips + n.extra) == (cures["averaging"].lost, cures["averaging"].false) == (0, 0)
    assert cures["averaging"].text == "an average over 8 evaluations (8 ms) and the level at 85 mV"
    mended = cure_reason(list(cures.values()), 8)
    assert mended is not None
    assert (mended.count, mended.better) == (0, True)
    assert mended.told == (
        "Better: a filter of 5 evaluations, or an on-delay of 4 ms: no error on these passes. Check it on a new "
        "recording."
    )
    verdict = stress(recording, truth, SETTING).verdict
    assert mended in verdict.reasons
    assert not any(reason.better for reason in verdict.reasons if reason != mended)
    assert [(c.kind, c.lost, c.false) for c in verdict.cures] == [(k, 0, 0) for k in cures]
    # The details add what the sentence does not say, and repeat none of it.
    tried = [line for line in verdict_lines(verdict, details=True) if line.startswith("Tried: ")]
    assert tried == [f"Tried: {cures['averaging'].text}: no error."]


def test_light_that_dips_inside_passes_is_cured_by_an_off_delay() -> None:
    """Dips of 9 ms in every pass, gaps of 100 ms: of the delays tried the first that is as long is told, 16 ms."""
    recording, truth = line_without_flashes()
    light = np.asarray(recording.light[0 : recording.samples]).copy()
    for a in truth.start.tolist():
        light[a + 20 : a + 29] = 10.0
    dipping = Recording.from_array(light, recording.info)
    cures = tried_cures(dipping, truth, SETTING, score(replay(dipping, SETTING), truth))
    assert ("off-delay", "an off-delay of 16 ms", 0, 0) in [(c.kind, c.text, c.lost, c.false) for c in cures]
    assert not {"designed", "turning points"} & {cure.kind for cure in cures}


def test_light_that_drifts_is_cured_by_what_follows_it() -> None:
    """Gaps rise from 10 to 130, passes stand 100 above them: no level serves all of it."""
    recording, truth = line()
    light = np.asarray(recording.light[0 : recording.samples]) + np.linspace(0, 120, recording.samples)
    light[truth.start[9] + 60 : truth.start[10]] -= 100 * (light[truth.start[9] + 60 : truth.start[10]] > 160)
    drifting = Recording.from_array(light, recording.info)
    cures = tried_cures(drifting, truth, SETTING, score(replay(drifting, SETTING), truth))
    assert cures[0].kind in {"following", "turning points"}
    assert cures[0].errors == 0
    found = inspected(drifting, truth)
    assert found.works is False
    assert found.cures
    assert found.cures[0].errors == 0
    assert any(reason.better for reason in found.verdict.reasons)
    assert any(": no error on these passes. " in reason.text for reason in found.verdict.reasons)
    document = found.as_dict()["verdict"]["cures"]
    assert document[0] == {"kind": found.cures[0].kind, "text": found.cures[0].text, "lost": 0, "false": 0}
    assert inspected(*line_without_flashes()).cures == ()


def line_without_flashes() -> tuple[Recording, Truth]:
    recording, truth = line()
    light = np.asarray(recording.light[0 : recording.samples]).copy()
    light[truth.end[9] : truth.start[10]] = 10.0
    return Recording.from_array(light, recording.info), truth


def test_what_a_truth_leaves_out_stays_out_of_an_average() -> None:
    recording, truth = line()
    begin, end = int(truth.end[9]) + 10, int(truth.start[10]) - 10
    without = replace(truth, except_=((begin, end),))
    _, later = averaged(recording, without, 16)
    assert later.except_ == ((begin, end + 15),)


def test_a_verdict_that_is_not_use_tells_both_ways() -> None:
    recording, truth = line()
    reading = SettingReading(recording, truth, SETTING)
    verdict = setting_verdict(reading, SETTING, score(reading.output, truth))
    assert verdict.decision != "use"
    assert any(reason.text.startswith("Tried both ways") for reason in verdict.reasons)


def test_nothing_is_designed_where_nothing_works() -> None:
    recording, truth = line()
    dark = Recording.from_array(np.full(recording.samples, 10.0), recording.info)
    assert designed_in_hindsight(dark, truth) is None


def test_a_wider_band_is_a_cure_where_light_inside_passes_falls_just_below_the_release() -> None:
    """Passes at 110 dip to 57 three times: a release of 58 switches again, a band of 10 or more does not."""
    recording, truth = line_without_flashes()
    light = np.asarray(recording.light[0 : recording.samples]).copy()
    for a in truth.start.tolist():
        for at in (10, 25, 40):
            light[a + at : a + at + 4] = 57.0
    dipping = Recording.from_array(light, recording.info)
    narrow = replace(SETTING, off_level=58.0)
    result = score(replay(dipping, narrow), truth)
    assert result.counts.extra == 60
    bands = [one for one in tried_cures(dipping, truth, narrow, result) if one.kind == "band"]
    assert [(one.lost, one.false) for one in bands] == [(0, 0)]
    assert (bands[0].setting.on_level, 10 <= bands[0].setting.hysteresis <= 45) == (60.0, True)
    assert bands[0].text == f"a hysteresis of {bands[0].setting.hysteresis:g} mV"


@pytest.mark.parametrize("dark_on", [False, True])
def test_a_level_that_is_told_gives_its_count_if_it_is_keyed_in(dark_on: bool) -> None:
    """The named level at the told number, with the hysteresis as it is, makes as many errors as are told."""
    recording, truth = line()
    light = recording.light[:].copy()
    light[100:160], light[int(truth.start[9]) + 60 : int(truth.start[9]) + 150] = 75.0, 10.0
    high = Setting(unit="mV", on_level=95.0, off_level=85.0)
    if dark_on:
        light = 200 - light
        high = replace(high, on_level=115.0, off_level=105.0, polarity=Polarity.DARK_ON)
    recording = Recording.from_array(light, recording.info)
    (cure,) = (
        c for c in tried_cures(recording, truth, high, score(replay(recording, high), truth)) if c.kind == "level"
    )
    told = float(cure.text.split()[-2])
    assert cure.text == f"the {'off-level' if dark_on else 'level'} at {told:g} mV"
    levels = {"on_level": told + 10, "off_level": told} if dark_on else {"on_level": told, "off_level": told - 10}
    n = score(replay(recording, replace(high, **levels)), truth).counts
    assert (n.lost, n.false_trips + n.extra) == (cure.lost, cure.false) == (0, 0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_level_above_the_objects_to_be_ignored_comes_before_what_follows(sign: float) -> None:
    start = 100 + 160 * np.arange(20)
    light = np.resize([10.0, 11, 10, 9], 3400)
    for row, a in enumerate(start.tolist()):
        light[a : a + 60] += 100 if row % 4 else 70
    recording = Recording.from_array(sign * light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    truth = Truth.from_arrays(start, start + 60, detect=np.arange(20) % 4 > 0)
    levels = sorted((sign * 60.0, sign * 50.0))
    polarity = Polarity.LIGHT_ON if sign > 0 else Polarity.DARK_ON
    setting = Setting(unit="mV", on_level=levels[1], off_level=levels[0], polarity=polarity)
    cures = tried_cures(recording, truth, setting, score(replay(recording, setting), truth))
    # Halfway between the strongest light to be ignored, 81, and the weakest to be detected, 111.
    assert (cures[0].kind, cures[0].errors) == ("level", 0)
    assert sign * cures[0].setting.activation == pytest.approx(96, abs=1)
    assert not any(cure.kind in ("following", "turning points", "designed") for cure in cures)
