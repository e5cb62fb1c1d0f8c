"""The command `stress`: keys, the order of its tables, reserves and cleaning by hand, files, refusals."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell
from typer.testing import Result

import teachlab
from teachlab.cli.stress import _tell_feasibility
from teachlab.data.recording_files import write_recording
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.feasibility.answer import Feasibility
from teachlab.questions.feasibility.cures import Helps
from teachlab.questions.feasibility.windows import Contradiction, Window
from teachlab.questions.stress.light import Receiver, Stress
from teachlab.scoring import score
from teachlab.switching import replay

SETTING = {"schema": 1, "unit": "counts", "on_level": 32.0, "off_level": 20.0, "polarity": "light-on"}
START, END = [20, 60], [30, 70]


def light() -> np.ndarray:
    """Passes of 40 and 50 on a background of 10."""
    values = np.full(100, 10.0)
    values[20:30], values[60:70] = 40.0, 50.0
    return values


@pytest.fixture
def line(tmp_path: Path) -> Path:
    path = tmp_path / "line.parquet"
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", full_scale=100.0)
    write_recording(path, Recording.from_array(light(), info))
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(START, END, label=["grey", "white"]))
    for name, changes in (("good", {}), ("high", {"on_level": 60.0}), ("other", {"unit": "mV"})):
        (tmp_path / f"{name}.json").write_text(json.dumps({**SETTING, **changes}))
    return path


def run(line: Path, *arguments: object, setting: str = "good") -> Result:
    return shell.invoke("stress", line, "--setting", line.parent / f"{setting}.json", *arguments, "--details")


def document(line: Path, *arguments: object, setting: str = "good") -> dict[str, Any]:
    result = run(line, *arguments, "--json", setting=setting)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_tables_are_nested_gain_ambient_pedestal_and_equal_replay(line: Path) -> None:
    axes = {"gain": [1.0, 0.8, 0.5, 0.2], "ambient": [0.0, 5.0, 12.0], "pedestal": [0.0, 20.0]}
    found = document(line, *(x for name, axis in axes.items() for x in (f"--{name}", ",".join(map(str, axis)))))
    assert {name: found[name] for name in axes} == axes
    truth, setting = Truth.from_arrays(START, END), Setting(unit="counts", on_level=32, off_level=20)
    for i, g in enumerate(axes["gain"]):
        for j, a in enumerate(axes["ambient"]):
            for k, p in enumerate(axes["pedestal"]):
                stressed = Stress(g, a, p, Receiver(0.0, 0.0, 100.0)).apply(light())
                recording = Recording.from_array(stressed, RecordingInfo(sample_rate_hz=1000, unit="counts"))
                counts = score(replay(recording, setting), truth).counts
                assert found["lost"][i][j][k] == counts.lost, (g, a, p)
                assert found["false_trips"][i][j][k] == counts.false_trips, (g, a, p)
                assert found["extra"][i][j][k] == counts.extra, (g, a, p)
    lost = np.array(found["lost"])
    assert lost.shape == (4, 3, 2)
    # At half the light 40 becomes 20, and 30 with a pedestal of 20: below 32 both.
    assert found["survival_boundary"][0] == [0.8, 0.8]


def test_reserves_by_hand(line: Path) -> None:
    """On 32: 40 falls below it at a gain of 0.8. Off 20: the background of 10 no longer releases from +10 on."""
    found = document(line, "--gain", "1,0.8,0.79")
    assert [row[0][0] for row in found["lost"]] == [0, 0, 1]
    assert found["contamination_reserve"] == pytest.approx(0.2, abs=1e-6)
    assert found["ambient_reserve"] == pytest.approx(10, abs=1e-5)
    assert found["unit"] == "counts"


def test_reserves_are_null_where_it_fails_unstressed(line: Path) -> None:
    found = document(line, setting="high")
    assert found["contamination_reserve"] is None
    assert found["ambient_reserve"] is None
    result = run(line, "--loss-per-day", 1, setting="high")
    assert result.exit_code == 0
    assert "It makes errors already as recorded" in result.output
    assert "Time to cleaning: none, because there is no reserve." in result.output


def test_the_details_name_the_shares_of_light_at_which_counts_change(line: Path) -> None:
    text = " ".join(run(line, "--gain", "1,0.9,0.8,0.7,0.6,0.5", "--ambient", 0, "--details").output.split())
    assert (
        "Lost passes by share of light left, ambient 0, pedestal 0 counts: 1 to 0.8: 0, 0.7: 1, 0.6 to 0.5: 2 " in text
    )


def test_what_fails_everywhere_is_said_once_with_what_to_do_next(line: Path) -> None:
    text = run(line, setting="high").output
    assert "With the most light it works in none of the 10 combinations of ambient light and pedestal." in text
    assert "does not work at all" not in text
    assert text.count("It makes errors already as recorded: there is no reserve.") == 1
    # The output never switches: more passes would not mend that, another level does.
    assert "Next: teachlab surface" in text
    assert "It makes errors already" not in run(line).output


def test_axes_without_being_named(line: Path) -> None:
    found = document(line)
    assert found["gain"][0] == 1
    assert found["gain"] == sorted(found["gain"], reverse=True)
    assert found["ambient"] == [0, 2.5, 5, 7.5, 10]
    assert found["pedestal"] == [0, 5]
    # What is not named is not held against each other.
    assert [w["condition"] for w in found["feasibility"]["windows"]] == ["as recorded"] * 2
    spread = document(line, "--gain", "1:0.5:6")
    assert spread["gain"] == pytest.approx([1, 0.9, 0.8, 0.7, 0.6, 0.5])


def test_conditions_named_are_held_against_each_other(line: Path) -> None:
    found = document(line, "--gain", "1,0.2", "--ambient", "0")["feasibility"]
    assert found["feasible"] is False
    assert found["survivable_loss"] == pytest.approx(0.75)
    assert {c["first"]["condition"] for c in found["contradictions"]} | {
        c["second"]["condition"] for c in found["contradictions"]
    } == {"as recorded", "gain 0.2"}
    assert found["helps"]["following_gain"] is True
    text = " ".join(run(line, "--gain", "1,0.2", "--ambient", "0").output.split())
    assert "No fixed level works under all these conditions:" in text
    assert "follows in proportion to the background" in text
    assert "No fixed level at all survives a loss of more than 75 %" in text
    assert "Levels that may work under all these conditions: above 10 up to 32 counts" in " ".join(
        run(line, "--gain", "1,0.8").output.split()
    )


def test_time_to_cleaning(line: Path) -> None:
    """A day that takes 1.2 % leaves 98.8 %: 0.988^18.48 = 0.8. One that takes 20 % uses up the reserve alone."""
    found = document(line, "--gain", "1", "--loss-per-day", "1.2")
    assert found["days_to_cleaning"] == pytest.approx(math.log(0.8) / math.log(0.988), rel=1e-5)
    assert document(line, "--gain", "1", "--loss-per-day", "20")["days_to_cleaning"] == pytest.approx(1.0)
    assert found["cleaning"]["observed"] is None
    assert document(line, "--gain", "1", "--loss-per-day", "0")["days_to_cleaning"] is None
    assert "Time to cleaning: never" in run(line, "--gain", "1", "--loss-per-day", "0").output
    assert document(line, "--gain", "1")["cleaning"] is None


def test_time_to_cleaning_from_levels_seen(line: Path) -> None:
    """Levels that fall by 1 % a day exactly, on dates; then with scatter, an interval about it."""
    table = line.parent / "seen.csv"
    rows = [f"2031-03-{1 + d:02d},{50 * math.exp(-0.01 * d)}" for d in (0, 4, 9, 20)]
    table.write_text("\n".join(["day,level", *rows]) + "\n")
    found = document(line, "--gain", "1", "--levels-seen", table)["cleaning"]
    assert found["loss_per_day"] == pytest.approx(0.01)
    assert found["days"] == pytest.approx(-math.log(0.8) / 0.01, rel=1e-5)
    assert (found["observed"]["days"], found["observed"]["points"]) == (20, 4)
    table.write_text("level,day\n50,0\n49,5\n46.5,10\n46,15\n44,20\n")
    found = document(line, "--gain", "1", "--levels-seen", table)["cleaning"]
    assert found["earliest"] < found["days"] < found["latest"]
    assert found["observed"]["low"] < found["loss_per_day"] < found["observed"]["high"]
    text = run(line, "--gain", "1", "--levels-seen", table).output
    assert "Observed over 20 days, 5 levels" in text
    assert "at the earliest" in text
    assert "at the latest, on the passes recorded and if it goes on as on these days." in " ".join(text.split())
    # A loss that is not shown has no latest time.
    table.write_text("day,level\n0,50\n5,49\n10,51\n15,50\n")
    assert document(line, "--gain", "1", "--levels-seen", table)["cleaning"]["latest"] is None
    text = " ".join(run(line, "--gain", "1", "--levels-seen", table).output.split())
    assert "Time to cleaning: not shown, as the light did not fall; " in text
    table.write_text("day,level\n0,50\n5,49\n10,50\n15,49\n")
    text = " ".join(run(line, "--gain", "1", "--levels-seen", table).output.split())
    assert "and no latest: a loss of light is not shown, on the passes recorded" in text
    assert "never at the latest" not in text
    # A loss that doubles on the way is told by its halves, and both are within the interval.
    days = np.arange(60)
    level = 1000 * np.exp(-0.005 * days - 0.015 * np.clip(days - 30, 0, None))
    rows = [f"{d},{x}" for d, x in zip(days.tolist(), level.tolist(), strict=True)]
    table.write_text("\n".join(["day,level", *rows]) + "\n")
    seen = document(line, "--gain", "1", "--levels-seen", table)["cleaning"]["observed"]
    assert seen["halves"] == pytest.approx([0.005, 0.02], rel=0.05)
    assert seen["low"] < 0.005 < 0.0199 < seen["high"]
    text = " ".join(run(line, "--gain", "1", "--levels-seen", table).output.split())
    assert "% in the first half and" in text
    assert "A season, a lamp or a product that changes the light as slowly counts as dirt" in text
    assert "If most dirt fell on a few days, the interval is too narrow." in text


def test_faster_lines(line: Path) -> None:
    (line.parent / "filtered.json").write_text(json.dumps({**SETTING, "consecutive": 4}))
    found = document(line, "--gain", "1", "--speed", "1,2,4", setting="filtered")["speed"]
    assert [(s["factor"], s["lost"], s["passes"]) for s in found] == [(1, 0, 2), (2, 0, 2), (4, 2, 2)]
    assert [s["contamination_reserve"] for s in found] == [pytest.approx(0.2), pytest.approx(0.2), None]
    assert [np.shape(s["map"]["lost"]) for s in found] == [(1, 5, 2)] * 3
    text = run(line, "--gain", "1", "--speed", "1,4", setting="filtered").output
    text = " ".join(text.split())
    once = "it works until 20 % of the light is lost; lost 0 of 2 passes, 0 false trips, 0 extra switchings."
    assert f"Line 1 times as fast: {once}" in text
    assert "Line 4 times as fast: it does not work; lost 2 of 2 passes, 0 false trips, 0 extra switchings." in text
    # Slower than logged the sensor would look more often than there are samples.
    slow = run(line, "--gain", "1", "--speed", "0.5", setting="filtered")
    assert slow.exit_code == 2
    assert "at a speed factor of 0.5 only 500 samples per second were logged" in slow.stderr
    assert "Traceback" not in slow.stderr


def test_where_no_share_of_the_light_can_be_stated_it_is_not_told_as_an_error(tmp_path: Path) -> None:
    """An off-level at the dark level: no share of the light has a meaning, and yet the setting works."""
    path, setting = tmp_path / "line.parquet", Setting(unit="counts", on_level=32, off_level=20)
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", full_scale=100.0, dark_level=20.0)
    recording, truth = Recording.from_array(light() + 12.0, info), Truth.from_arrays(START, END)
    write_recording(path, Recording.from_array(light(), info))
    write_truth(tmp_path / "line.passes.parquet", truth)
    (tmp_path / "good.json").write_text(json.dumps(SETTING))
    text = " ".join(run(path, "--gain", "1", "--speed", "1", "--loss-per-day", "1").stdout.split())
    assert "Line 1 times as fast: it works; lost 0 of 2 passes" in text
    assert "Time to cleaning: unknown, because no share of the light can be stated." in text
    assert "no reserve" not in text
    told = repr(teachlab.stress(recording, setting, truth, gain=[1], ambient=[0], pedestal=[0]))
    assert "No share of the light can be stated" in told
    assert "errors as recorded" not in told


def test_switchings_on_objects_to_be_ignored_are_told_at_every_speed(line: Path) -> None:
    write_truth(line.parent / "line.passes.parquet", Truth.from_arrays(START, END, detect=[True, False]))
    text = " ".join(run(line, "--gain", "1", "--speed", "1").stdout.split())
    assert "Line 1 times as fast: it does not work; lost 0 of 1 pass, 1 false trip, 0 extra switchings." in text


def test_picture_over_the_speeds(line: Path) -> None:
    (line.parent / "filtered.json").write_text(json.dumps({**SETTING, "consecutive": 4}))
    picture = line.parent / "speed.svg"
    result = run(line, "--gain", "1", "--speed", "1,2,4", "--speed-out", picture, setting="filtered")
    assert result.exit_code == 0, result.output
    assert f"Written: {picture}" in result.stderr
    told = [line for line in result.stdout.splitlines() if line.startswith("Line ")]
    assert [line.split(":")[0] for line in told] == [f"Line {k} times as fast" for k in (1, 2, 4)]
    assert "it works until 20 % of the light is lost; lost 0 of" in told[0]
    assert "it does not work; lost" in told[2]
    text = picture.read_text()
    assert "works up to 2 times the recorded speed" in text
    assert "line" in text
    for arguments, message in (
        (["--speed-out", str(picture)], "--speed-out draws the speeds of --speed: name some"),
        (["--speed", "1", "--speed-out", "a.json"], "--speed-out needs a name that ends in .svg or .png"),
        (["--speed", "1", "--speed-out", "a.txt"], "--speed-out needs a name that ends in .svg or .png"),
    ):
        refused = run(line, *arguments)
        assert refused.exit_code == 2
        assert message in refused.stderr


def test_base_gives_delays(line: Path) -> None:
    (line.parent / "base.json").write_text(
        json.dumps({**SETTING, "on_delay_ms": 15.0, "on_level": 99, "off_level": 98})
    )
    found = document(line, "--gain", "1", "--base", line.parent / "base.json")
    assert found["lost"][0][0][0] == 2
    assert (found["setting"]["on_level"], found["setting"]["on_delay_ms"]) == (32, 15)


@pytest.mark.parametrize("ambient", ["0", "0,4,8"])
@pytest.mark.parametrize("kind", ["svg", "png", "json"])
def test_files(line: Path, kind: str, ambient: str) -> None:
    written = [line.parent / f"{k}.{kind}" for k in "ab"]
    for path in written:
        assert run(line, "--ambient", ambient, "--pedestal", "0,3", "--out", path).exit_code == 0
    first, second = (path.read_bytes() for path in written)
    assert first == second
    if kind == "json":
        assert np.array(json.loads(first)["lost"]).shape == (20, len(ambient.split(",")), 2)
    elif kind == "svg":
        words = ["light left, %", "works until 20 % of the light is lost, or 9.999 counts are added",
                 "backscatter when fully dirty 3 counts"]  # fmt: skip
        curves = ["lost passes", "false trips", "per pass", "works where all lines are at 0."]
        panels = ["ambient light added, counts", "works inside", "errors per pass", "works inside the black lines."]
        words += curves if ambient == "0" else panels
        for word in words:
            assert word in first.decode(), word
    else:
        assert first.startswith(b"\x89PNG")


def test_pictures_of_one_axis_and_of_nothing_that_works(line: Path) -> None:
    path = line.parent / "a.svg"
    assert run(line, "--gain", "1", "--ambient", "0:20:5", "--pedestal", "0", "--out", path).exit_code == 0
    text = path.read_text()
    for word in ("ambient light added, counts", "lost passes", "per pass to be detected", "works"):
        assert word in text, word
    assert run(line, "--gain", "1,0.5", "--ambient", "0,5", "--out", path, setting="high").exit_code == 0
    for word in ("works nowhere here", "The setting works nowhere."):
        assert word in path.read_text(), word
    assert ">works inside<" not in path.read_text()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--gain", "1,much"], "--gain takes numbers"),
        (["--gain", "1:0"], "--gain takes numbers"),
        (["--gain", "1:0.5:0"], "--gain needs at least one number"),
        (["--gain", ""], "--gain takes numbers"),
        (["--ambient", ""], "--ambient takes numbers"),
        (["--speed", ""], "--speed takes numbers"),
        (["--speed", "nan"], "speed factor"),
        (["--loss-per-day", "nan"], "--loss-per-day must be a number from 0 to 100, got nan"),
        (["--gain", "-0.5"], "gain must be a finite number of at least 0"),
        (["--ambient", "nan"], "ambient must be a finite number"),
        (["--speed", "0"], "speed factor"),
        (["--loss-per-day", "-1"], "--loss-per-day must be a number from 0 to 100, got -1"),
        (["--loss-per-day", "100"], "--loss-per-day is in percent"),
        (["--loss-per-day", "1", "--levels-seen", "seen.csv"], "not both"),
        (["--levels-seen", "missing.csv"], "missing.csv"),
        (["--levels-seen", "headless.csv"], "headless.csv: levels seen over days need the columns"),
        (["--levels-seen", "text.csv"], "text.csv: row 2, column 'level' must be a finite number, got 'dim'"),
        (["--levels-seen", "when.csv"], "when.csv: row 1, column 'day' must be a finite number or a date"),
        (["--levels-seen", "commas.csv"], "commas.csv: row 1 has more cells than there are names, after '812'"),
        (["--levels-seen", "both.csv"], "both.csv: row 3, column 'day': days are dates or numbers, not both"),
        (["--levels-seen", "few.csv"], "few.csv: a loss rate needs at least 3 levels"),
        (["--out", "map.pdf"], "--out needs a name that ends in .json, .svg or .png"),
        (["--truth", "nowhere.csv"], "nowhere.csv"),
    ],
)
def test_refusals(line: Path, arguments: list[str], message: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(line.parent)
    for name, text in (
        ("seen", "day,level\n0,5\n1,4\n2,3\n"), ("headless", "0,5\n1,4\n"), ("text", "day,level\n0,5\n1,dim\n2,3\n"),
        ("when", "day,level\nMonday,5\n"), ("few", "day,level\n0,5\n1,4\n"),
        ("commas", "day,level\n0,812,5\n1,800\n2,790\n"), ("both", "day,level\n0,5\n1,4\n2031-05-14,3\n"),
    ):  # fmt: skip
        Path(f"{name}.csv").write_text(text)
    before = {p.name: p.read_bytes() for p in Path().iterdir()}
    result = run(line, *arguments, "--json", *(() if "--out" in arguments else ("--out", "map.svg")))
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert message in result.stderr
    assert "Traceback" not in result.stderr
    assert {p.name: p.read_bytes() for p in Path().iterdir()} == before


def test_a_setting_of_another_unit_is_refused_with_both_names(line: Path) -> None:
    result = run(line, "--json", setting="other")
    assert result.exit_code == 2
    assert "other.json" in result.stderr
    assert "'mV'" in result.stderr
    assert "Traceback" not in result.stderr


ADVICE = {
    # What is on the line, and which cure must come first.
    "window": "a window comparator, which catches every pass",
    "follow": "a level that follows the background in proportion",
    "delay": "an on-delay of 4 ms, with which the level",
    "mode": "more contrast by mounting, background or another sensing mode",
}


@pytest.mark.parametrize("need", ADVICE)
def test_advice_where_no_fixed_level_works(tmp_path: Path, need: str) -> None:
    rng = np.random.default_rng(6)
    start = 100 + 200 * np.arange(20)
    values = np.full(4200, 1200.0)
    for k, a in enumerate(start):
        values[a : a + 60] = {"window": (400.0, 2000.0)[k % 2], "mode": 1205.0}.get(need, 1700.0)
        if need == "delay":
            values[a + 130 : a + 133] = 1900.0
    if need == "follow":
        values *= np.linspace(1, 0.5, values.size)
    path = tmp_path / "line.parquet"
    noisy = np.rint(values + rng.normal(0, 5, values.size)).astype(np.uint16)
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", full_scale=4095.0)
    write_recording(path, Recording.from_array(noisy, info))
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 60))
    (tmp_path / "good.json").write_text(json.dumps({**SETTING, "on_level": 1500.0, "off_level": 1480.0}))
    text = " ".join(run(path, "--gain", "1").output.split())
    assert "No fixed level works under all these conditions:" in text
    assert f"What would help: {ADVICE[need]}" in text
    found = document(path, "--gain", "1")["feasibility"]
    assert found["feasible"] is False
    assert {name for name in ("window", "local_gain", "on_delay_ms") if found["helps"][name]} == {
        "window": {"window"}, "follow": {"local_gain"}, "delay": {"on_delay_ms"}, "mode": set()
    }[need]  # fmt: skip


@pytest.mark.parametrize(
    ("helps", "more"),
    [
        (["another mounting"], [0]),
        (["another mounting"] * 2, [1]),
        (["another mounting", "a level that follows", "another mounting", "another mounting"], [2, 0]),
    ],
)
def test_contradictions_with_one_cure_are_told_once(
    capsys: pytest.CaptureFixture[str], helps: list[str], more: list[int]
) -> None:
    first, second = (Window("as recorded", label, low, high, True) for label, low, high in (("a", 1, 2), ("b", 3, 4)))
    pairs = tuple(Contradiction(first, second, 1.0, text) for text in helps)
    closed = [Window("as recorded", f"kind {k}", 4, 3, True) for k in range(8)]
    alone = tuple(Contradiction(one, None, 1.0, "more contrast") for one in closed)
    nothing = Helps(
        following_gain=None, following_offset=None, window=None, setting_per_label=None, setting_per_lot=None
    )
    possible = Feasibility(
        windows=(first, second), common=None, contradictions=(*pairs, *alone), survivable_loss=None, helps=nothing
    )
    _tell_feasibility(possible, "mV")
    told = " ".join(map(str.strip, capsys.readouterr().out.splitlines()))
    assert [told.count(text) for text in dict.fromkeys((*helps, "more contrast"))] == [1] * (len(more) + 1)
    for text, count in zip(dict.fromkeys(helps), more, strict=True):
        said = f" {count} more of this kind: --json lists them." if count else ""
        assert f"'a' as recorded: above 1 up to 2 mV, against 'b' as recorded: above 3 up to 4 mV; {text}{said}" in told
    assert " 'kind 0' as recorded; 'kind 1' as recorded; " in told
    assert told.endswith("'kind 5' as recorded and 2 more: more contrast")
