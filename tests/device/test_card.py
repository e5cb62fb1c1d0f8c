"""A setting in the steps of a device, by hand; what its card and sheet say, against the questions they come from."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import read_setting, write_setting
from teachlab.data.truth_files import write_truth
from teachlab.device.card import CHECKED_RATE, KeyedIn, card, keyed_in
from teachlab.device.device_file import DeviceDocument, DisplayReading, DisplayTable, read_device
from teachlab.device.keyed_in import SteppedSetting
from teachlab.device.scale import DisplayStep
from teachlab.errors import ParameterError, SettingError
from teachlab.model.draws import DrawOptions
from teachlab.model.following_and_window import FollowingSetting, WindowSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.coverage import coverage
from teachlab.questions.coverage.cycles import cycle_of
from teachlab.questions.plan import plan
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_once
from teachlab.teaching.registry import built, installed_class
from teachlab.wording.verdict import verdict_lines

DEVICE = """
schema = 1
name = "sensor at the tubs line"
unit = "counts"
light_noise = 1.0
display_noise = 0.3
[display]
step = {step}
low = 0
high = 999
resolution = 1
[on_delay_ms]
high = 200
step = 10
[[pairs]]
light = 100
display = 60
[[pairs]]
light = 500
display = 260
[[pairs]]
light = 900
display = 460
[[pairs]]
light = 1300
display = 660
"""
STARTS = 60 + 60 * np.arange(40)
TRUTH = Truth.from_arrays(
    STARTS, STARTS + 20, label=["tin" if k % 2 else "jar" for k in range(40)], lot=[f"lot {k // 5}" for k in range(40)]
)


def line() -> Recording:
    """Belt at 200, jars at 900 and tins at 1000 counts, with one count of noise."""
    light = 200 + np.random.default_rng(5).integers(-1, 2, int(STARTS[-1]) + 90).astype(float)
    for k, a in enumerate(STARTS):
        light[a : a + 20] += 800 if k % 2 else 700
    return Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=2000.0))


def device_file(folder: Path, step: float = 5) -> Path:
    path = folder / "device.toml"
    path.write_text(DEVICE.format(step=step))
    return path


SETTING = Setting(unit="counts", on_level=563.0, off_level=431.0, on_delay_ms=4.0)


def test_levels_and_delays_go_to_the_nearest_step(tmp_path: Path) -> None:
    """The display shows 10 + light / 2: 563 is 291.5, 431 is 225.5; a delay of 4 ms goes to 0."""
    found = keyed_in(line(), TRUTH, SETTING, read_device(device_file(tmp_path)))
    assert found.stepped.display() == {"on": 290.0, "off": 225.0}
    assert found.stepped.steps["on"].light == pytest.approx(560.0)
    assert found.setting.off_level == pytest.approx(430.0)
    assert (found.setting.on_delay_ms, found.setting.consecutive) == (0.0, 1)
    assert "290 on, 225 off on the display" in found.verdict.about


@pytest.mark.parametrize(("high", "step"), [(200, 10), (11, 4), (11.5, 3), (0.3, 0.1), (7, 10)])
def test_a_delay_goes_to_a_step_that_the_device_has(tmp_path: Path, high: float, step: float) -> None:
    """The last step may lie before the end of the range: that end cannot be keyed in."""
    path = device_file(tmp_path)
    path.write_text(path.read_text().replace("high = 200\nstep = 10", f"high = {high}\nstep = {step}"))
    device, last = read_device(path), int(high / step + 1e-9)
    for delay in np.linspace(0, high, 23).tolist():
        told = device.timing_in_steps(replace(SETTING, on_delay_ms=delay)).on_delay_ms
        nearest = min(abs(k * step - delay) for k in range(last + 1))
        assert any(told == pytest.approx(k * step) for k in range(last + 1))
        assert abs(told - delay) == pytest.approx(nearest)


def test_a_level_near_the_end_of_the_display_goes_to_its_last_step(tmp_path: Path) -> None:
    path = device_file(tmp_path, step=4)
    path.write_text(path.read_text().replace("high = 999", "high = 291"))
    device = read_device(path)
    # 290.5 on the display; it takes 288, and no 292.
    assert device.scale().nearest(561.0).display == 288.0
    with pytest.raises(ParameterError, match="which takes 0 to 291"):
        device.scale().nearest(600.0)


@pytest.mark.parametrize("hysteresis", [0, 0.5])
def test_the_hysteresis_of_a_display_may_be_below_one_but_not_below_zero(tmp_path: Path, hysteresis: float) -> None:
    path = device_file(tmp_path)
    text = path.read_text()
    path.write_text(text.replace('unit = "counts"', f'unit = "counts"\nhysteresis = {hysteresis}'))
    assert read_device(path).hysteresis == hysteresis
    path.write_text(text.replace('unit = "counts"', 'unit = "counts"\nhysteresis = -0.5'))
    with pytest.raises(ParameterError, match="hysteresis"):
        read_device(path)


def test_both_ends_are_scored_again_and_the_worse_is_told(tmp_path: Path) -> None:
    """Jars that reach just over the level: at the high end of what the display may mean they are lost."""
    recording, device = line(), read_device(device_file(tmp_path))
    found = keyed_in(recording, TRUTH, SETTING, device)

    def lost(keyed: KeyedIn) -> list[int]:
        on, off = (keyed.stepped.steps[name] for name in ("on", "off"))
        ends = [(on.low, off.low), (on.high, off.high)]
        made = [replace(keyed.setting, on_level=a, off_level=min(a, b)) for a, b in ends]
        return [score(replay(recording, one), TRUTH).counts.lost for one in made]

    assert found.score_worst is not None
    assert found.score_worst.counts.lost == max(lost(found))
    # A fixed hysteresis is not rounded into the room: it may lie where belts and pieces are.
    low = keyed_in(recording, TRUTH, SETTING, device.model_copy(update={"hysteresis": 230.0}))
    assert low.stepped.steps["off"].display == 60.0
    assert low.score_worst is not None
    assert low.score_worst.counts.lost == max(lost(low)) > 0


def touching_line() -> tuple[Recording, Truth]:
    """Every third of 30 products touches the one before, with a dip to 430 between; one apart reaches 565."""
    start = 60 + 60 * np.arange(30)
    end = start + np.where(np.arange(30) % 3 == 1, 60, 20)
    light = np.full(int(end[-1]) + 60, 200.0)
    for a, b in zip(start, end, strict=True):
        light[a:b] = 900
    light[start[2::3]] = 430
    light[start[27] : end[27]] = 565
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=2000.0))
    return recording, Truth.from_arrays(start, end)


def between_steps() -> SteppedSetting:
    """Levels on the line of products that touch, whose high end misses the product of 565."""
    steps = {
        "on": DisplayStep(display=290, light=560, low=555, high=570),
        "off": DisplayStep(display=225, light=430, low=425, high=435),
    }
    setting = Setting(unit="counts", on_level=560.0, off_level=430.0)
    return SteppedSetting(setting=setting, steps=steps, room=None, margin=None, refused=None)


def test_the_worse_end_is_where_products_are_missed_not_where_those_that_touch_merge() -> None:
    """At the low end 10 pairs merge, which costs nothing; at the high end one product more is missed."""
    recording, truth = touching_line()
    stepped = between_steps()
    lost = {end: score(replay(recording, one), truth).counts.lost for end, one in stepped.ends().items()}
    assert lost == {"low": 10, "high": 1}
    end, worst, found = stepped.worse_end(recording, truth)
    assert (end, worst.on_level, found.counts.lost) == ("high", 570.0, 1)


def test_levels_of_equal_cost_are_told_of_those_that_are_keyed_in(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Told of the worse end, they left out the level that is keyed in, and their middle had an error more."""
    monkeypatch.setattr("teachlab.device.card.in_steps", lambda *given, **more: between_steps())
    recording, truth = touching_line()
    found = keyed_in(recording, truth, between_steps().setting, read_device(device_file(tmp_path)))
    assert found.score_worst is not None
    assert found.score_worst.counts.misses == 1
    room = found.verdict.equal_cost
    assert room is not None
    assert room.on_low == 560.0 - room.down < 560.0 < 560.0 + room.up == room.on_high <= 565
    for on in (room.on_low, (room.on_low + room.on_high) / 2, room.on_high):
        counts = score(replay(recording, found.setting.with_levels(on, on - 130.0)), truth).counts
        assert (counts.misses, counts.extra, counts.false_trips) == (0, 0, 0), on


def test_a_card_counts_no_error_where_products_touch_and_merge() -> None:
    recording, truth = touching_line()
    rows = card(recording, truth, Setting(unit="counts", on_level=560.0, off_level=425.0)).rest_lines()
    at = next(k for k, row in enumerate(rows) if row[0] == "Counted")
    assert rows[at][1] == "0 of 20 passes lost, 0 false trips, 0 extra"
    assert rows[at + 1][1] == ("10 more passes touch the one before: the output counts both as one, which is no error")


def test_a_fixed_hysteresis_lies_beyond_the_level_that_switches(tmp_path: Path) -> None:
    """Dark-on: the output becomes active at the off-level, 431 or 225.5 on the display; 40 above it is released."""
    recording = line()
    dips = Recording.from_array(1200 - recording.light[:], recording.info)
    setting = replace(SETTING, polarity=Polarity.DARK_ON, on_delay_ms=0.0)
    device = read_device(device_file(tmp_path)).model_copy(update={"hysteresis": 40.0})
    found = keyed_in(dips, TRUTH, setting, device)
    assert found.stepped.display() == {"off": 225.0, "on": 265.0}
    assert (found.setting.off_level, found.setting.on_level) == (pytest.approx(430.0), pytest.approx(510.0))


WINDOW = WindowSetting(unit="counts", on_level=563, off_level=103, high_release=531, low_release=131)


def both_ways() -> Recording:
    """Jars brighter than the belt at 300, tins darker: 900 and 100 counts; all noise within 1 count."""
    light = line().light[:] * 0 + 300.0 + np.random.default_rng(6).integers(-1, 2, line().samples)
    for k, a in enumerate(STARTS):
        light[a : a + 20] += -200 if k % 2 else 600
    return Recording.from_array(light, line().info)


def test_both_thresholds_of_a_window_go_to_steps(tmp_path: Path) -> None:
    """563 is 291.5 of the display, 531 is 275.5; 153 and 181 are 86.5 and 100.5."""
    device = read_device(device_file(tmp_path))
    found = keyed_in(both_ways(), TRUTH, replace(WINDOW, off_level=153, low_release=181), device)
    assert found.stepped.display() == {"on": 290.0, "high_release": 275.0, "off": 85.0, "low_release": 100.0}
    kept = found.setting
    assert isinstance(kept, WindowSetting)
    levels = (kept.off_level, kept.low_release, kept.high_release, kept.on_level)
    assert levels == tuple(pytest.approx(x) for x in (150.0, 180.0, 530.0, 560.0))
    assert found.verdict.setting == kept
    assert "290 upper, 85 lower on the display" in found.verdict.about
    assert set(found.stepped.ends()) == {"low", "high", "narrow", "wide"}
    assert found.score_worst is not None
    assert found.score_worst.counts.lost == 0


def test_a_window_is_judged_at_the_worst_of_four_ends(tmp_path: Path) -> None:
    """103 is 61.5 on the display: at 60, which is 100, tins are lost; so 65. A fixed hysteresis is not rounded."""
    device = read_device(device_file(tmp_path))
    assert keyed_in(both_ways(), TRUTH, WINDOW, device).stepped.display()["off"] == 65.0
    coarse = keyed_in(both_ways(), TRUTH, WINDOW, read_device(device_file(tmp_path, step=400)))
    assert coarse.refused is not None
    assert (
        "Lower threshold: The display goes in steps of 400, and none lies safely where the errors stay the same"
        in coarse.refused
    )
    fixed = device.model_copy(update={"hysteresis": 10.0})
    found = keyed_in(both_ways(), TRUTH, replace(WINDOW, off_level=153, low_release=181), fixed)
    assert found.stepped.display() == {"on": 290.0, "high_release": 280.0, "off": 85.0, "low_release": 95.0}
    lost = {end: score(replay(both_ways(), one), TRUTH).counts.lost for end, one in found.stepped.ends().items()}
    assert found.score_worst is not None
    assert found.score_worst.counts.lost == max(lost.values())


def test_levels_that_move_have_no_display_value(tmp_path: Path) -> None:
    moving = FollowingSetting.of(SETTING, reference=200, low_limit=100, high_limit=400)
    with pytest.raises(SettingError, match=r"so they have no display value\. Key in fixed levels or a window"):
        keyed_in(line(), TRUTH, moving, read_device(device_file(tmp_path)))
    with pytest.raises(SettingError, match="so they have no display value"):
        card(line(), TRUTH, moving)


def test_without_a_device_the_levels_to_key_in_are_those_of_the_first_line() -> None:
    """Light of whole counts meets a level of 563.2 at 564: that is what the verdict says, and what the card says."""
    light = Recording.from_array(line().read(0, line().samples).light.astype(np.uint16), line().info)
    found = card(light, TRUTH, replace(SETTING, on_level=563.2), options=DrawOptions(draws=1))
    told = dict(found.key_lines())
    assert (told["On-level"], told["Off-level"]) == ("564 counts", "431 counts")
    assert "on 564, off 431 counts" in verdict_lines(found.verdict)[0]


def test_the_card_of_a_window_names_its_thresholds(tmp_path: Path) -> None:
    device = read_device(device_file(tmp_path))
    found = card(both_ways(), TRUTH, replace(WINDOW, off_level=153, low_release=181), device)
    told = dict(found.key_lines())
    assert told["Upper threshold"].startswith("290 on the display")
    assert told["Lower threshold"].startswith("85 on the display")
    assert told["Polarity"] == "light-on: active beyond the thresholds"
    assert set(found.as_dict()["display"]) == {"on", "off", "high_release", "low_release"}


def test_no_admissible_step_is_refused(tmp_path: Path) -> None:
    found = keyed_in(line(), TRUTH, SETTING, read_device(device_file(tmp_path, step=400)))
    assert found.refused is not None
    assert "The display goes in steps of 400, and none lies safely" in found.refused
    assert "It takes steps of 280 or finer" in found.refused
    assert found.verdict.decision == "cannot be keyed in"
    slow = replace(SETTING, on_delay_ms=500.0)
    with pytest.raises(ParameterError, match="takes 0 to 200 ms"):
        keyed_in(line(), TRUTH, slow, read_device(device_file(tmp_path)))
    other = replace(line().info, unit="mV")
    with pytest.raises(ParameterError, match=r"in counts, .* is in mV"):
        keyed_in(
            Recording.from_array(line().light[:], other), TRUTH, replace(SETTING, unit="mV"),
            read_device(device_file(tmp_path)),
        )  # fmt: skip


@pytest.mark.parametrize(
    ("wrong", "message"),
    [("step = 0", "step"), ("colour = 1", "colour"), ("[[pairs", "not valid TOML"), ("low = 999", "must be below")],
)
def test_a_faulty_device_is_told_by_its_key(tmp_path: Path, wrong: str, message: str) -> None:
    text = DEVICE.format(step=5)
    made = {
        "step = 0": text.replace("step = 5", "step = 0"), "colour = 1": "colour = 1\n" + text,
        "[[pairs": text + "[[pairs", "low = 999": text.replace("low = 0", "low = 999"),
    }[wrong]  # fmt: skip
    path = tmp_path / "device.toml"
    path.write_text(made)
    with pytest.raises(ParameterError, match=message):
        read_device(path)


def test_the_numbers_of_the_sheet_come_from_their_questions(tmp_path: Path) -> None:
    recording, device = line(), read_device(device_file(tmp_path))
    strategy = built(installed_class("two-sample-midpoint"), {})
    taught = teach_once(strategy, TeachBlock(recording, TRUTH), 0, 0)
    cycle = cycle_of("belt=0.7s")
    found = card(recording, TRUTH, taught, device, options=DrawOptions(draws=12), cycles=[cycle])
    levels = [teach_once(strategy, TeachBlock(recording, TRUTH), 0, k).on_level for k in range(12)]
    scale = device.scale()
    assert found.expected is not None
    assert found.expected.draws == 12
    for told, share in ((found.expected.p05, 0.05), (found.expected.median, 0.5), (found.expected.p95, 0.95)):
        # Rounded to the display, whatever the rule by which a quantile lies between two draws.
        low, high = (scale.displayed(float(np.quantile(levels, share, method=way))) for way in ("lower", "higher"))
        assert low - 0.5 <= told <= high + 0.5
    assert found.check_passes == plan(CHECKED_RATE, 0.95).found["passes"] == 59
    (seen,) = coverage(recording, TRUTH, [cycle], teach_share=None).cycles
    assert found.cycles[0].seconds == seen.needed["scored"] * 0.7
    assert found.kinds == {"jar": 20, "tin": 20}
    sheet = dict(found.sheet_lines())
    assert sheet["Check"].startswith("59 marked pieces")
    assert "outside" in sheet["Expect"]
    assert "on the display" in sheet["Expect"]
    # "outside 166 to 166" names no range.
    always = replace(found, expected=replace(found.expected, p05=found.expected.median, p95=found.expected.median))
    assert "on the display; at any other, teach again" in dict(always.sheet_lines())["Expect"]


def test_light_on_the_wrong_side_of_a_level_is_told_in_words() -> None:
    """A card that said "-35 times the noise from the level" left it to the reader what a distance below 0 is."""
    starts = 60 + 60 * np.arange(200)
    light = 200 + np.random.default_rng(5).integers(-1, 2, int(starts[-1]) + 90).astype(float)
    for k, a in enumerate(starts):
        light[a : a + 20] += 700
        light[a + 20 : a + 60] += 300 * (k in {50, 60, 70})  # gaps that do not come back
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=2000.0))
    found = card(recording, Truth.from_arrays(starts, starts + 20), Setting(unit="counts", on_level=600, off_level=400))
    assert found.score is not None
    assert found.score.counts.merged == 3
    told = dict(found.rest_lines())["Limited by"]
    assert told.startswith("the gaps that come back least lie ")
    assert told.endswith(" times the noise on the wrong side of the level of release")
    assert "-" not in told


def test_the_command_prints_what_to_key_in_and_a_page(tmp_path: Path) -> None:
    recording, setting, page, out = (tmp_path / n for n in ("r.parquet", "s.json", "card.html", "t.json"))
    write_recording(recording, line())
    write_truth(tmp_path / "r.passes.parquet", TRUTH)
    write_setting(setting, SETTING)
    device = device_file(tmp_path)
    words = ["card", str(recording), "--setting", str(setting), "--device", str(device), "--draws", "3"]
    done = shell.run(*words, "--out", page)
    assert len(done.output.splitlines()) <= 12
    assert "on-level 290 on the display" in " ".join(done.output.split())
    for text in ("Teach and check", "290 on the display", "59 marked pieces", "Not a safety device"):
        assert text in page.read_text()
    document = json.loads(shell.invoke(*words, "--json").stdout)
    assert document["display"] == {"on": 290.0, "off": 225.0}
    assert document["light"]["on"]["low"] < 560 < document["light"]["on"]["high"]
    bad = shell.run(*words[:-3], device_file(tmp_path, step=400), "--draws", "1", code=3)
    assert "Cannot be keyed in" in bad.output
    device_file(tmp_path)
    teach = ["teach", str(recording), "--strategy", "two-sample-midpoint", "--device", str(device), "--out", str(out)]
    assert "on the display" in shell.invoke(*teach).output
    shown = 10 + read_setting(out).on_level / 2
    assert shown == pytest.approx(round(shown / 5) * 5)


@pytest.mark.parametrize("step", [5, 20, 60])
@pytest.mark.parametrize("level", [480.0, 560.0, 640.0])
def test_told_reserves_hold_wherever_the_display_puts_the_levels(tmp_path: Path, step: float, level: float) -> None:
    """Light that loses, or gains, as much as the card says makes no error at any end of the display's doubt."""
    setting = Setting(unit="counts", on_level=level, off_level=level - 90)
    made = card(line(), TRUTH, setting, read_device(device_file(tmp_path, step)))
    assert made.keyed is not None
    told = dict(made.rest_lines())
    share, added = float(told["Reserve"].split()[0]) / 100, float(told[""].split()[0])
    light = line().light[:]
    ends = made.keyed.stepped.ends().values()
    for moved in (light * (1 - share), light + added):
        recording = Recording.from_array(moved, line().info)
        for one in ends:
            n = score(replay(recording, one), TRUTH).counts
            assert (n.lost, n.false_trips, n.extra) == (0, 0, 0)
    # At one end a hundredth more light is too much.
    beyond = Recording.from_array(light + 1.02 * added, line().info)
    assert any(score(replay(beyond, one), TRUTH).counts.errors for one in ends)


def test_how_near_the_light_comes_is_told_of_the_levels_that_are_judged() -> None:
    """Distance and multiple of the noise belong to the same end of what the display may mean."""
    rng = np.random.default_rng(5)
    start = 100 + 120 * np.arange(120)
    light = rng.normal(100, 10, int(start[-1]) + 200)
    for at in start.tolist():
        light[at : at + 50] = rng.normal(500, 10, 50)
    light = np.rint(light)
    recording = Recording.from_array(light.astype(np.int32), RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    truth = Truth.from_arrays(start, start + 50, lot=[f"lot {k // 10}" for k in range(120)])
    pairs = [DisplayReading(light=u, display=u / 10) for u in (50.0, 300.0, 600.0)]
    device = DeviceDocument(
        unit="counts", display=DisplayTable(step=1.0, low=0.0, high=90.0, resolution=1.0), pairs=pairs, light_noise=3.0
    )
    near = card(recording, truth, Setting(unit="counts", on_level=490, off_level=400), device).verdict.near
    assert near is not None
    told = re.search(r"keep ([\d.]+) counts from the level, ([\d.]+) times", near.text)
    assert told is not None, near.text
    inside = np.concatenate([light[at + 2 : at + 48] for at in start.tolist()]).reshape(120, -1)
    steps = np.diff(inside.astype(float), axis=1)
    noise = 1.4826 * np.median(np.abs(steps - np.median(steps))) / np.sqrt(2)
    assert float(told[1]) / float(told[2]) == pytest.approx(noise, rel=0.1)


def test_kinds_whose_names_hold_commas_stay_apart() -> None:
    """Of "lid, white, cap" a reader made three kinds."""
    truth = Truth.from_arrays(STARTS, STARTS + 20, label=["lid, white" if k % 4 else "cap" for k in range(40)])
    found = card(line(), truth, SETTING)
    assert dict(found.rest_lines())["Evidence"].endswith(": 30 of lid, white; 10 of cap")
    assert dict(found.sheet_lines())["Pieces"] == "of every kind: lid, white; cap"
