"""Reasons blame a delay exactly where a delay is at fault."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shell
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.evidence.record import judged_record
from teachlab.evidence.record_parts import Sources
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.following_and_window import Follow, FollowingSetting, TurningPointSetting, WindowSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Outcome
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.scoring.reasons import REASONS, reasons_of
from teachlab.switching import replay
from teachlab.synthetic import generate, load_scenario

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
LEVELS = Setting(unit="counts", on_level=150, off_level=140)


def why(recording: Recording, truth: Truth, setting: Setting) -> str:
    return "; ".join(reasons_of(recording, truth, setting, score(replay(recording, setting), truth)).lines())


def dark_objects(gap: int, lasts: int = 20) -> tuple[Recording, Truth]:
    start = np.arange(4) * (lasts + gap) + 30
    light = np.full(int(start[-1]) + lasts + 60, 90.0)
    for a in start:
        light[a : a + lasts] = 10.0
    return Recording.from_array(light, INFO), Truth.from_arrays(start, start + lasts)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("rows", "told"), [(1, "a product"), (2, "products")])
def test_products_that_the_table_lacks_are_asked_for(tmp_path: Path, sign: int, rows: int, told: str) -> None:
    """30 products of 500 counts, one or two of them not in the table, and a flash of 200 in another gap."""
    start = 100 + 100 * np.arange(30)
    light = np.full(3200, 1000.0)
    for a in start:
        light[a : a + 40] += sign * 500
    light[2360:2365] += sign * 200
    kept = np.delete(start, [5, 11][:rows])
    recording = Recording.from_array(light, replace(INFO, direction="rise" if sign > 0 else "dip"))
    truth = Truth.from_arrays(kept, kept + 40, uncertainty_samples=1)
    high = Setting(unit="counts", on_level=1150, off_level=1140)
    low = Setting(unit="counts", on_level=860, off_level=850, polarity=Polarity.DARK_ON)
    setting = high if sign > 0 else low
    light_of = PassAndGapExtremes.of(recording, truth)
    scored = score(replay(recording, setting), truth)
    (said,) = reasons_of(recording, truth, setting, scored, extremes=light_of).lines()
    assert said.startswith(f"{rows + 1} of {31 - rows} gaps tripped, {rows} of them on light as strong as a pass: ")
    assert said.endswith(f"{told} missing in the table of passes?")
    write_recording(tmp_path / "r.parquet", recording)
    write_truth(tmp_path / "r.passes.parquet", truth)
    seen = shell.invoke("inspect", tmp_path / "r.parquet").stdout
    assert f"{told} missing in the table of passes?\n" in seen.replace("\n  ", " ")
    (tmp_path / "s.json").write_text(json.dumps(setting.as_dict()))
    asked = shell.invoke("replay", tmp_path / "r.parquet", "--setting", tmp_path / "s.json")
    assert "?." not in asked.stdout


def test_gaps_that_all_hold_light_of_passes_ask_for_none() -> None:
    """Passes that lie beside the light are none that the table lacks."""
    start = 100 + 100 * np.arange(30)
    light = np.full(3200, 0.0)
    for a in start:
        light[a : a + 40] = 500
    recording, truth = Recording.from_array(light, INFO), Truth.from_arrays(start + 20, start + 60)
    scored = score(replay(recording, LEVELS), truth)
    found = reasons_of(recording, truth, LEVELS, scored, extremes=PassAndGapExtremes.of(recording, truth))
    assert (found.strong_gaps, found.missing_text()) == (0, "")


@pytest.mark.parametrize("delay", ["on", "off"])
def test_delays_on_the_light_change_roles_for_dark_objects(delay: str) -> None:
    """Light for 15 ms between objects of 20 ms: an on-delay of 15 never sees it, an off-delay of 20 no object."""
    recording, truth = dark_objects(gap=15)
    setting = Setting(
        unit="counts", on_level=50, off_level=50, polarity=Polarity.DARK_ON, delays_act_on=DelaysActOn.LIGHT,
        **{f"{delay}_delay_ms": 15.0 if delay == "on" else 20.0},
    )  # fmt: skip
    expected = {
        "on": "3 passes merged: the on-delay of 15 ms bridges the gap",
        "off": "4 passes lost: the off-delay of 20 ms is longer than they last",
    }
    assert expected[delay] in why(recording, truth, setting)


@pytest.mark.parametrize("frozen", [True, False])
def test_a_log_that_stands_still_is_named_where_the_line_flickers(frozen: bool) -> None:
    """Pieces of 200 on a belt of 100 to 102, of 40 ms; from piece 4 on the log repeats one value, or the belt alone."""
    light = 100.0 + np.arange(480) % 3
    start = np.arange(6) * 70 + 30
    for a in start[:4]:
        light[a : a + 40] = 200.0
    if frozen:
        light[start[4] - 5 :] = 101.0
    told = why(Recording.from_array(light, INFO), Truth.from_arrays(start, start + 40), LEVELS)
    still = "2 passes lost: the light does not change by a single step in them: the logger or the sensor had stopped"
    assert told.startswith(still if frozen else "2 passes lost: their light is that of the gaps")


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_piece_on_the_other_side_of_the_background_is_named_so_also_where_it_is_clipped(sign: float) -> None:
    light = np.full(400, 100.0)
    start = np.arange(6) * 60 + 30
    for k, a in enumerate(start):
        light[a : a + 20] = 0.0 if k == 4 else 200.0
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=4095 if sign > 0 else None)
    polarity = Polarity.LIGHT_ON if sign > 0 else Polarity.DARK_ON
    setting = Setting(unit="counts", on_level=sign * 150, off_level=sign * 150, polarity=polarity)
    told = why(Recording.from_array(sign * light, info), Truth.from_arrays(start, start + 20), setting)
    side = "darker than the background, and no level above" if sign > 0 else (
        "brighter than the background, and no level below"
    )  # fmt: skip
    assert told == f"1 pass lost: {side} the background sees it"


def test_one_evaluation_less_and_nothing_is_lost() -> None:
    recording, truth = dark_objects(gap=15)
    dark = Setting(unit="counts", on_level=50, off_level=50, polarity=Polarity.DARK_ON, delays_act_on=DelaysActOn.LIGHT)
    for held in ({"on_delay_ms": 14.0}, {"off_delay_ms": 19.0}):
        assert why(recording, truth, replace(dark, **held)) == ""


def test_a_filter_that_bridges_the_gap_is_named() -> None:
    recording, truth = dark_objects(gap=3)
    setting = Setting(unit="counts", on_level=50, off_level=50, polarity=Polarity.DARK_ON, consecutive=4)
    assert "3 passes merged: the gap before them is too short for 4 evaluations in a row" in why(
        recording, truth, setting
    )


def test_touching_objects_are_nobodys_delay() -> None:
    light = np.full(200, 10.0)
    light[50:110] = 90.0
    truth = Truth.from_arrays([50, 80], [80, 110])
    found = why(
        Recording.from_array(light, INFO), truth, Setting(unit="counts", on_level=50, off_level=50, off_delay_ms=9)
    )
    assert "1 pass merged: it touches the pass before it, and the output was still active from before" in found
    assert "delay" not in found


def test_short_gaps_under_an_off_delay() -> None:
    """Wrapped bars, gaps of about 10 mm at 1.2 m/s, off-delay 8 ms: about half merges, and the delay is blamed."""
    recording, truth = generate(load_scenario("wrapped-bars"), 300, seed=3)
    setting = Setting(unit=recording.info.unit, on_level=27.5, off_level=24.0, off_delay_ms=8.0)
    found = why(recording, truth, setting)
    assert "merged: the off-delay of 8 ms bridges the gap before them, whatever the level" in found
    assert "still active from before" not in found


def peaks_between_evaluations() -> tuple[Recording, Truth, Setting]:
    """Every second pass is bright for the odd samples only; the sensor evaluates the even ones."""
    light = np.full(400, 10.0)
    start = np.arange(30, 370, 40)
    for k, a in enumerate(start):
        light[a : a + 20] = 90.0
        if k % 2:
            light[a : a + 20 : 2] = 30.0
    setting = Setting(unit="counts", on_level=50, off_level=40, evaluation_rate_hz=500.0)
    return Recording.from_array(light, INFO), Truth.from_arrays(start, start + 20), setting


BASE = Setting(unit="counts", on_level=200, off_level=180)
DIMMED = Setting(unit="counts", on_level=40, off_level=30, polarity=Polarity.DARK_ON)
FOLLOWING = {"low_limit": 10.0, "high_limit": 900.0, "time_constant_ms": 100.0}


@pytest.mark.parametrize(
    ("setting", "told"),
    [
        (WindowSetting.of(BASE, off_level=20, low_release=30, high_release=180),
         "their light, 150 to 150 counts, stays between the thresholds of 20 and 200 counts"),
        (FollowingSetting.of(BASE, reference=90.0, **FOLLOWING),
         "their strongest light reaches 150, not the level, which follows the background and is nowhere below "
         "200 counts"),
        # A tenth above 100 counts is a tenth above the background of 90, too.
        (FollowingSetting.of(BASE, reference=100.0, follow=Follow.GAIN, **FOLLOWING),
         "their strongest light reaches 150, not the level, which follows the background and is nowhere below "
         "180 counts"),
        (TurningPointSetting(unit="counts", direction="rise", background=90, distance=70),
         "their strongest light reaches 150, not the level, which follows the background and is nowhere below "
         "160 counts"),
        # No background is brighter than an object: 60 counts below it lies 90.
        (FollowingSetting.of(DIMMED, reference=90.0, **FOLLOWING),
         "their darkest light reaches 150, not the level, which follows the background and is nowhere above "
         "90 counts"),
    ],
)  # fmt: skip
def test_levels_that_the_light_never_reaches_are_named_for_every_kind_of_setting(setting: Setting, told: str) -> None:
    light, start = np.full(1000, 90.0), 50 + 100 * np.arange(9)
    for a in start:
        light[a : a + 20] = 150.0
    recording, truth = Recording.from_array(light, INFO), Truth.from_arrays(start, start + 20)
    assert why(recording, truth, setting) == f"9 passes lost: {told}"


@pytest.mark.parametrize(
    "setting",
    [
        BASE, WindowSetting.of(BASE, off_level=20, low_release=30, high_release=180),
        FollowingSetting.of(BASE, reference=90.0, **FOLLOWING),
    ],
)  # fmt: skip
def test_passes_in_which_nothing_is_seen_are_named_for_every_kind_of_setting(setting: Setting) -> None:
    light, start = np.random.default_rng(1).normal(90, 2, 2100), 50 + 100 * np.arange(20)
    recording, truth = Recording.from_array(light, INFO), Truth.from_arrays(start, start + 20)
    assert "their light is that of the gaps: nothing passed" in why(recording, truth, setting)


def test_a_peak_between_two_evaluations_is_no_peak() -> None:
    recording, truth, setting = peaks_between_evaluations()
    result = score(replay(recording, setting), truth)
    found = reasons_of(recording, truth, setting, result)
    assert [(loss.row, loss.code, loss.at_s) for loss in found.losses] == [
        (1, "too-weak", 0.07), (3, "too-weak", 0.15), (5, "too-weak", 0.23), (7, "too-weak", 0.31),
    ]  # fmt: skip
    assert found.lines() == [
        "4 passes lost: their strongest light reaches 30, not the level of 50 counts at which the output becomes active"
    ]


def test_replay_and_report_give_the_same_reasons(tmp_path: Path) -> None:
    """The record once read the samples, replay what the sensor evaluates: "too brief" against "too weak"."""
    recording, truth, setting = peaks_between_evaluations()
    path, chosen = tmp_path / "line.parquet", tmp_path / "setting.json"
    write_recording(path, recording)
    write_truth(tmp_path / "line.passes.parquet", truth)
    write_setting(chosen, setting)
    record, _ = judged_record(
        recording, truth, setting, Sources(recording=str(path), truth=str(tmp_path / "line.passes.parquet"))
    )
    text = shell.invoke("replay", path, "--setting", chosen, "--details").output
    assert record["reasons"] == {"too-weak": 4}
    (line,) = record["reasons_say"].values()
    assert f"4 passes {line}" in " ".join(text.split())


def test_a_pass_without_an_evaluation_and_an_unsettled_first_pass() -> None:
    light = np.full(100, 10.0)
    light[31:34] = 90.0
    light[0:20] = 90.0
    truth = Truth.from_arrays([5, 31], [15, 34])
    recording = Recording.from_array(light, INFO)
    setting = Setting(unit="counts", on_level=50, off_level=40, evaluation_rate_hz=100.0)
    found = reasons_of(recording, truth, setting, score(replay(recording, setting), truth))
    assert {loss.row: loss.code for loss in found.losses} == {0: "held-by-level", 1: "not-evaluated"}


@pytest.mark.parametrize(("low", "code"), [(55.0, "held-by-level"), (65.0, "held-by-delay")])
def test_release_of_dark_objects_is_the_on_level(low: float, code: str) -> None:
    """Dark-on releases at on-level 60: light of 55 between objects does not, light of 65 does."""
    recording, truth = dark_objects(gap=15)
    light = recording.read(0, recording.samples).light.copy()
    light[50:65] = low
    recording = Recording.from_array(light, INFO)
    setting = Setting(unit="counts", on_level=60, off_level=50, polarity=Polarity.DARK_ON, off_delay_ms=14.0)
    result = score(replay(recording, setting), truth)
    held = replace(setting, off_delay_ms=15.0)
    if code == "held-by-delay":
        assert not reasons_of(recording, truth, setting, result).losses
    found = reasons_of(recording, truth, held, score(replay(recording, held), truth))
    assert found.losses[0].code == code
    # It would have to rise: "had not fallen back" was wrong of light that stays too low.
    come_back = "the light had not come back to the level of release of 60 counts"
    assert any(come_back in line for line in found.lines()) is (code == "held-by-level")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.sampled_from([5, 25, 35, 80, np.nan]), min_size=40, max_size=120),
    st.sampled_from([1000.0, 500.0, 300.0]), st.integers(0, 3), st.integers(0, 3), st.integers(1, 3), st.booleans(),
)  # fmt: skip
def test_every_lost_pass_has_one_reason_that_its_light_bears_out(
    values: list[float], rate: float, on_delay: int, off_delay: int, consecutive: int, dark: bool
) -> None:
    """A plain walk: the evaluations of each pass one by one, as SWITCHING.md says which sample each reads."""
    assume(not all(np.isnan(values)))
    truth = Truth.from_arrays([5, 14, 22, 26], [10, 20, 26, 27])
    recording = Recording.from_array(np.array(values), INFO)
    setting = Setting(
        unit="counts", on_level=30, off_level=20, on_delay_ms=on_delay, off_delay_ms=off_delay,
        consecutive=consecutive, evaluation_rate_hz=rate, polarity=Polarity.DARK_ON if dark else Polarity.LIGHT_ON,
    )  # fmt: skip
    output = replay(recording, setting)
    result = score(output, truth)
    found = {loss.row: loss.code for loss in reasons_of(recording, truth, setting, result).losses}
    trials = result.trials.passes
    assert set(found) == {k for k in range(4) if trials[k] in (Outcome.MISS, Outcome.MERGED)}
    samples = [int(s) for s in output.clock.sample_of(np.arange(output.clock.count))]
    for row, code in found.items():
        light = [values[s] for s in samples if truth.start[row] <= s < truth.end[row]]
        known = [x for x in light if not np.isnan(x)]
        active = [x < 20 if dark else x >= 30 for x in known]
        assert (trials[row] == Outcome.MERGED) == REASONS[code].startswith("merged")
        assert (code == "not-evaluated") == (not light)
        if code == "dropout":
            assert len(known) < len(light)
        elif code in ("too-weak", "like-a-gap"):
            assert light
            assert not any(active)
        elif code in ("too-brief", "shorter-than-delay"):
            assert any(active)
            assert consecutive > 1 or on_delay
        elif code == "touching":
            assert row == 3
        elif code == "held-by-delay":
            assert off_delay


def test_passes_under_falling_light_are_not_like_the_gaps_beside_them() -> None:
    """Light falls from 1000 to 400 and a bar takes 20 % of it: the first bars have the light of later gaps."""
    start = 20 + 40 * np.arange(20)
    light = np.linspace(1000.0, 400.0, 820)
    for a in start:
        light[a : a + 10] *= 0.8
    setting = Setting(unit="counts", on_level=600, off_level=590, polarity=Polarity.DARK_ON)
    found = why(Recording.from_array(light, INFO), Truth.from_arrays(start, start + 10), setting)
    assert "9 passes lost: their darkest light reaches 595.46, not the level of 590 counts" in found
    assert "that of the gaps" not in found
