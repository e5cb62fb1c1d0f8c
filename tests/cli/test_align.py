"""The command `align`: what it says, writes and refuses."""

import json
import re
import shlex
import shutil

import numpy as np
import pyarrow.parquet as pq
import pytest
import shell

import teachlab
from teachlab.data.alignment import measure_alignment
from teachlab.data.alignment.finding import finding
from teachlab.data.recording_files import write_recording
from teachlab.data.shipped import datasets_root
from teachlab.data.truth_files import read_truth, write_truth
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth

LATE = 6
"""Samples of 1 ms, as long as the edges: nothing of the gap's rim is left below the level."""


@pytest.fixture(scope="module")
def late(tmp_path_factory):
    """Boxes of about 100 ms whose truth comes 6 ms late, logged in mV at 1 kHz."""
    folder = tmp_path_factory.mktemp("late")
    rng = np.random.default_rng(11)
    start = 200 + np.cumsum(rng.integers(190, 330, 80)) + rng.random(80)
    end = start + rng.integers(90, 110, 80)
    at = np.arange(int(end[-1]) + 400) + 0.5
    corners = np.stack([start - 3, start + 3, end - 3, end + 3], 1).ravel()
    light = 300 + np.interp(at, corners, np.tile([0.0, 500, 500, 0], 80)) + rng.normal(0, 4, at.size)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=Direction.RISE, title="Hobbleton Sleeves")
    write_recording(folder / "line.parquet", [np.rint(light).astype(np.int16)], info)
    truth = Truth.from_arrays(
        np.rint(start + LATE), np.rint(end + LATE), label=["sleeve"] * 80, uncertainty_samples=1.0
    )
    write_truth(folder / "line.passes.parquet", truth)
    return folder


def test_it_leads_with_lag_room_and_remedy(late):
    told = shell.run("align", late / "line.parquet")
    first, second, third, *_ = told.stdout.splitlines()
    assert first == "Your passes lag the light by 5.93 ± 0.08 ms. Their borders were stated as exact to ±1 ms."
    assert second.startswith("Shifted, the room between passes and gaps grows from none to ")
    assert second.endswith(" mV.")
    assert third == f"Mend it: teachlab align {late}/line.parquet --out {late}/line-aligned.parquet"
    assert "scatter" in told.stdout
    assert "left by kind" not in told.stdout
    assert "left by kind        sleeve: " in shell.invoke("align", late / "line.parquet", "--details").stdout


def test_the_remedy_as_printed_works(late):
    remedy = (
        shell.invoke("align", late / "line.parquet").stdout.splitlines()[2].removeprefix("Mend it: teachlab ").split()
    )
    told = shell.run(*remedy)
    moved = read_truth(late / "line-aligned.passes.parquet")
    before = read_truth(late / "line.passes.parquet")
    # As many samples at the end are past the last that the table's clock saw.
    ((begin, stop),) = moved.except_
    told_unseen = (
        f"The moved table says nothing of {stop - begin} samples at the ends of the light ({stop - begin} ms): "
    )
    assert told_unseen + "left out of scoring too." in " ".join(told.stdout.split())
    assert abs(stop - begin - LATE) <= 1
    assert np.abs(before.start - LATE - moved.start).max() <= 1
    assert moved.aligned.shift_ms == pytest.approx(-LATE, abs=0.2)
    assert (moved.aligned.borders, moved.label[0], moved.source) == (160, "sleeve", "independent")
    assert 5 < moved.uncertainty_samples < 7  # edges of 0.8 · 6 ms, and twice the jitter of rounded borders
    assert (late / "line-aligned.parquet").read_bytes() == (late / "line.parquet").read_bytes()
    again = shell.run("align", late / "line-aligned.parquet")
    assert again.stdout.startswith("Passes and light agree: lag ")
    assert again.stdout.endswith(f"\n\nNext: teachlab inspect {late}/line-aligned.parquet\n")


def test_passes_alone(late, tmp_path):
    out = tmp_path / "moved.passes.csv"
    told = " ".join(shell.run("align", late / "line.parquet", "--out", out).stdout.split())
    doubt = read_truth(out).uncertainty_samples
    assert f"now uncertain by ±{doubt:.3g} sample{'' if f'{doubt:.3g}' == '1' else 's'}." in told
    assert sorted(p.name for p in tmp_path.iterdir() if not p.name.startswith(".")) == ["moved.passes.csv"]
    assert read_truth(out).aligned.borders == 160


def test_json(late):
    told = shell.invoke("align", late / "line.parquet", "--json")
    document = json.loads(told.stdout)
    assert set(document["lag_ms"]) == {"begin", "end", "shift", "low", "high"}
    assert set(document["drift_ppm"]) == {"estimate", "low", "high"}
    assert document["lag_ms"]["low"] < -6 < document["lag_ms"]["high"]
    assert document["room"]["before"] < 0 < document["room"]["after"]
    assert (document["borders"], document["doubt_samples"], document["ambiguous"]) == (160, 1.0, False)
    assert document["width_error_ms"] == pytest.approx(0, abs=0.2)


@pytest.fixture(scope="module")
def led(late):
    """Screens and documents of the commands that judge, on truth that comes late."""
    line, setting = late / "line.parquet", late / "setting.json"
    commands = {
        "inspect": [],
        "teach": ["--strategy", "two-sample-midpoint", "--out", setting],
        "replay": ["--setting", setting],
        "bench": ["--strategy", "two-sample-midpoint", "--draws", 4],
        "report": ["--setting", setting, "--draws", 0],
    }
    told = {}
    for name, words in commands.items():
        both = [shell.invoke(name, line, *words, *more) for more in ([], ["--json"])]
        assert all(done.exit_code in (0, 3) for done in both), [done.output for done in both]
        told[name] = both[0].stdout, json.loads(both[1].stdout)
    return told


@pytest.mark.parametrize("name", ["inspect", "teach", "replay", "bench"])
def test_every_command_that_judges_leads_with_it(led, late, name):
    """The command that mends it is said once, as the next step."""
    told = [line.removeprefix("Why: ") for line in led[name][0].splitlines()]
    if name == "inspect":
        assert told.pop(0) == "Align the passes first."
    first, second, *_ = told
    assert first.startswith("Your passes lag the light by 5.93 ± 0.08 ms.")
    assert second.startswith("Shifted, the room")
    mend = f"teachlab align {late}/line.parquet --out {late}/line-aligned.parquet"
    assert [line for line in told if mend in line] == [f"Next: {mend}"]


def test_a_report_cautions(led):
    assert led["report"][1]["cautions"][0].startswith("Your passes lag the light by 5.93 ± 0.08 ms.")
    assert "Your passes lag the light by 5.93" in led["report"][0]


@pytest.mark.parametrize("name", ["inspect", "teach", "replay", "bench", "report"])
def test_documents_hold_the_alignment(led, name):
    document = led[name][1]
    found = (document["recordings"][0] if name == "bench" else document)["alignment"]
    assert found["lag_ms"]["shift"] == pytest.approx(-5.93, abs=0.01)
    assert found["matters"] is True
    assert found["room"]["wrong_after"] == 0 < found["room"]["wrong_before"]


@pytest.mark.parametrize("ending", ["svg", "png"])
def test_plot(late, tmp_path, ending):
    picture = tmp_path / f"borders.{ending}"
    told = shell.run("align", late / "line.parquet", "--plot", picture)
    data = picture.read_bytes()
    assert data.startswith(b"\x89PNG" if ending == "png" else b"<?xml")
    if ending == "svg":
        assert b"passes as they are" in data
        # The picture tells no more digits than the screen.
        moved = re.search(r"move passes by +(\S+) ± ", told.output)
        assert moved is not None
        assert f"passes moved by {moved[1]} ms, clock by".encode() in data


def test_a_periodic_line_is_not_written_without_whole_periods(tmp_path):
    for name in ("starlight_corrected.parquet", "starlight_corrected.passes.parquet"):
        shutil.copy(datasets_root() / name, tmp_path / name)
    star, out = tmp_path / "starlight_corrected.parquet", tmp_path / "moved.parquet"
    told = shell.run("align", star, "--out", out, code=3)
    assert "Say how many passes later with --whole-periods" in " ".join(told.output.split())
    assert not out.exists()
    assert json.loads(shell.invoke("align", star, "--json").stdout)["ambiguous"] is True
    said = shell.run("align", star, "--whole-periods", 1, "--out", out)
    before, after = (
        read_truth(tmp_path / "starlight_corrected.passes.parquet"),
        read_truth(tmp_path / "moved.passes.parquet"),
    )
    assert after.start[0] - before.start[0] == pytest.approx(963, abs=3)  # one period of 1.338 d in steps of 120 s
    assert "1 pass lies outside" in said.stdout


@pytest.mark.parametrize(
    ("out", "message"),
    [("line.parquet", "this is an input"), ("line.passes.parquet", "this is an input"), ("moved.txt", "--out takes")],
)
def test_inputs_stay(late, out, message):
    bytes_before = (late / "line.passes.parquet").read_bytes()
    told = shell.run("align", late / "line.parquet", "--out", late / out, code=2)
    assert message in told.output
    assert (late / "line.passes.parquet").read_bytes() == bytes_before


def test_nothing_to_measure(late, tmp_path):
    shutil.copy(late / "line.parquet", tmp_path / "line.parquet")
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays([300], [400]))
    told = shell.run("align", tmp_path / "line.parquet", code=3)
    assert "fewer than three passes" in " ".join(told.output.split())


@pytest.mark.parametrize("seed", range(3))
def test_noise_at_the_borders_is_no_edge_of_the_light(tmp_path, seed):
    """Light of which every few samples differ by a step crosses half of it near nearly all borders."""
    light = np.random.default_rng(seed).normal(100, 0.4, 12_300).round().astype(np.int16)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    write_recording(tmp_path / "line.parquet", [light], info)
    start = 100 + 60 * np.arange(200)
    write_truth(tmp_path / "line.passes.parquet", Truth.from_arrays(start, start + 25))
    told = " ".join(shell.invoke("align", tmp_path / "line.parquet").output.split())
    said = "Your passes do not follow this light: edges lie about their borders as they would by chance."
    assert told.startswith(said)
    assert "Mend it" not in told


@pytest.mark.parametrize("jitter", [0, 2])
def test_brighter_and_darker_products_follow_the_light(jitter):
    rng, start = np.random.default_rng(3), 100 + 60 * np.arange(200)
    light = rng.normal(100, 3, 12_300)
    for k, a in enumerate(start):
        light[a : a + 25] += 60 if k % 2 else -60
    moved = start + np.round(rng.normal(0, jitter, 200)).astype(int)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    found = measure_alignment(Recording.from_array(light, info), Truth.from_arrays(moved, moved + 25))
    assert found.belongs
    assert found.lags.jitter == pytest.approx(jitter, abs=0.7)


@pytest.mark.parametrize(
    ("starts", "ends", "named"), [(12, 0, "starts"), (0, 12, "ends"), (6, 6, "borders"), (0, 0, "")]
)
def test_borders_of_one_side_that_scatter_are_named(starts, ends, named):
    rng, start = np.random.default_rng(3), 100 + 200 * np.arange(200)
    light = rng.normal(100, 3, 40_300)
    for a in start:
        light[a : a + 60] += 400
    moved = [start + np.round(rng.normal(0, by, 200)).astype(int).clip(-24, 24) + late
             for by, late in ((starts, 0), (ends, 60))]  # fmt: skip
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    found = measure_alignment(Recording.from_array(light, info), Truth.from_arrays(*moved))
    assert found.belongs
    assert found.matters == bool(named)
    told = finding(found)
    assert [line.partition(" of your passes scatter by ±")[0] for line in told[:1]] == [f"The {named}"] * bool(named)
    # The line is regular: how many whole passes it is off must be told by hand.
    assert [line.partition(":")[0] for line in told[1:]] == ["Note by hand when one product passed"] * bool(named)
    if named:
        assert found.jitter_ms == pytest.approx(max(starts, ends), rel=0.25)
        assert found.doubt_after >= 2 * found.jitter_ms


def test_metadata_that_another_reader_sees(late, tmp_path):
    out = tmp_path / "moved.passes.parquet"
    shell.invoke("align", late / "line.parquet", "--out", out)
    document = json.loads(pq.read_schema(out).metadata[b"teachlab.passes"])
    assert set(document["aligned"]) == {"shift_ms", "clock_ppm", "borders", "jitter_ms"}


def written_line(passes, seed, name):
    """Write a line whose passes stand out by 500 of 300 mV; return where they begin."""
    rng = np.random.default_rng(seed)
    start = 200 + np.cumsum(rng.integers(190, 330, passes))
    light = np.full(int(start[-1]) + 400, 300) + rng.integers(-3, 4, int(start[-1]) + 400)
    for a in start:
        light[a : a + 60] += 500
    write_recording(name, [light], RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=Direction.RISE))
    return start, rng


def mended(told):
    """Follow the next step of inspect, and that of align: then a level works; return the first step."""
    assert "Align the passes first." in told
    first = next(one for one in told if one.startswith("Next: ")).removeprefix("Next: teachlab ")
    done = shell.run(*shlex.split(first))
    then = done.stdout.splitlines()[-1].removeprefix("Next: teachlab ")
    assert shell.invoke(*shlex.split(then)).stdout.startswith("A fixed level can work here.")
    return first


def test_borders_that_scatter_are_measured_before_anything_is_judged(tmp_path, monkeypatch):
    """Times written to ±10 ms let no level work at a doubt of ±1 ms; at the doubt measured, 2 · 7.4 ms, one does."""
    monkeypatch.chdir(tmp_path)
    start, rng = written_line(60, 9, "line.parquet")
    off = rng.integers(-10, 11, (2, 60))
    write_truth("line.passes.parquet", Truth.from_arrays(start + off[0], start + 60 + off[1], uncertainty_samples=1.0))
    told = shell.invoke("inspect", "line.parquet").stdout.splitlines()
    assert told[1].startswith("Why: The borders of your passes scatter by ±1")
    step = mended(told)
    words = ["bench", "line.parquet", "--strategy", "two-sample-midpoint", "--draws", "4"]
    told = shell.invoke(*words).stdout.splitlines()
    assert any(one.startswith("Cannot be decided: ") for one in told), told
    assert "Why: The borders of the passes are less sure than stated: measure how sure before a setting is judged." in (
        " ".join(one.strip() for one in told)
    )
    assert f"Next: teachlab {step}" in told


def test_passes_off_the_light_are_moved_before_anything_is_judged(tmp_path, monkeypatch):
    """A flag 40 ms late lets no level work: that is no fault of the light, and the next step moves the passes."""
    monkeypatch.chdir(tmp_path)
    start, _ = written_line(40, 4, "line 1.parquet")
    write_truth("flag.passes.parquet", Truth.from_arrays(start + 40, start + 100, uncertainty_samples=1.0))
    words = ["inspect", "line 1.parquet", "--truth", "flag.passes.parquet"]
    told = shell.invoke(*words).stdout.splitlines()
    assert told[1].startswith("Why: Your passes lag the light by 40")
    assert not any("works here" in one for one in told)
    step = mended(told)
    assert step == "align 'line 1.parquet' --truth flag.passes.parquet --out 'line 1-aligned.parquet'"
    on = ["line 1.parquet", "--truth", "flag.passes.parquet"]
    setting = ["--setting", "setting.json"]
    for words in (
        ["teach", *on, "--strategy", "two-sample-midpoint", "--out", "setting.json"],
        ["replay", *on, *setting],
        ["stress", *on, *setting],
        ["bench", *on, "--strategy", "two-sample-midpoint", "--draws", "4"],
    ):
        told = shell.invoke(*words).stdout.splitlines()
        assert any(one.startswith("Cannot be decided: ") for one in told), told
        assert f"Next: teachlab {step}" in told
        assert not any("Best possible" in one or one.startswith("Better: ") for one in told)


def test_room_in_light_above_ten_thousand_is_told_without_exponents(tmp_path):
    rng = np.random.default_rng(4)
    start = 200 + np.cumsum(rng.integers(120, 260, 40))
    light = rng.normal(9000, 50, int(start[-1]) + 300)
    for a in start:
        light[a : a + 60] += 21_000
    info = RecordingInfo(sample_rate_hz=2000, unit="counts", direction=Direction.RISE)
    path = tmp_path / "wide.parquet"
    write_recording(path, Recording.from_array(light.round().astype(np.uint16), info))
    write_truth(tmp_path / "wide.passes.parquet", Truth.from_arrays(start - 20, start + 40, uncertainty_samples=2))
    told = " ".join(shell.invoke("align", path).stdout.split())
    assert "grows from none to 2" in told
    assert "e+0" not in told


def boxes(name, *, early=0, late=0, pitch=None):
    """Write boxes of 80 ms, and passes that begin and end so much beside them; the record ends in gaps of 500 ms."""
    rng = np.random.default_rng(6)
    start = 500 + np.cumsum(rng.integers(190, 330, 60) if pitch is None else np.full(60, pitch))
    at = np.arange(int(start[-1]) + 580 + 500) + 0.5
    corners = np.stack([start - 2, start + 2, start + 78, start + 82], 1).ravel()
    light = 1000 + np.interp(at, corners, np.tile([0.0, 500, 500, 0], 60)) + rng.normal(0, 5, at.size)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=Direction.RISE)
    write_recording(f"{name}.parquet", [np.rint(light).astype(np.int16)], info)
    passes = Truth.from_arrays(start + early, start + 80 + late, uncertainty_samples=1.0)
    write_truth(f"{name}.passes.parquet", passes)


def replayed(name):
    return shell.run("replay", f"{name}.parquet", "--setting", "right.json").stdout.splitlines()


@pytest.fixture
def right_setting(tmp_path, monkeypatch):
    """A setting that detects every box."""
    monkeypatch.chdir(tmp_path)
    levels = {"on_level": 1250, "off_level": 1200, "polarity": "light-on"}
    (tmp_path / "right.json").write_text(json.dumps({"schema": 1, "unit": "mV", **levels}))


@pytest.mark.usefixtures("right_setting")
def test_passes_that_are_too_short_condemn_no_setting_and_their_doubt_is_measured():
    """The light begins 10 ms before them and ends 10 ms after: every product trips in the gap and merges."""
    boxes("short", early=10, late=-10)
    told = replayed("short")
    assert told[0].startswith("Your passes are 20 ms shorter than the light shows. No shift mends that. ")
    assert told[2].startswith("Cannot be decided: ")
    assert not any(line.startswith("Better:") for line in told)
    step = next(line for line in told if line.startswith("Next: ")).removeprefix("Next: teachlab ")
    shell.run(*shlex.split(step))
    after = replayed("short-aligned")
    assert after[0].startswith("Use with a limit: ")
    assert any("lost 0 of 60 passes" in line for line in after)
    assert any("0 false trips" in line for line in after)


@pytest.mark.usefixtures("right_setting")
def test_passes_that_are_too_long_are_told_first():
    boxes("long", early=-10, late=10)
    told = replayed("long")
    assert told[0].startswith("Your passes are 20 ms longer than the light shows. No shift mends that. ")
    assert told[2].startswith("Use with a limit: ")


@pytest.mark.usefixtures("right_setting")
@pytest.mark.parametrize("off", [-2, -1, 1, 2])
def test_whole_passes_off_on_a_regular_line_are_told_by_its_ends(off):
    """The light of every pass fits again a pitch away, but one of them lies where nothing passed."""
    boxes("regular", early=-240 * off, late=-240 * off, pitch=240)
    what = f"Moved {abs(off)} pass{'es' if abs(off) > 1 else ''} {'later' if off > 0 else 'earlier'}, more of your "
    assert replayed("regular")[0].startswith(what)
    told = shell.run("align", "regular.parquet", code=3)
    assert told.stdout.startswith(what)
    *_, step = told.stdout.split("If it is not: teachlab ")
    shell.run(*shlex.split(step))
    boxes("right", pitch=240)
    moved, right = (read_truth(f"{name}.passes.parquet") for name in ("regular-aligned", "right"))
    assert np.abs(moved.start - right.start).max() <= 1
    assert not any("Moved" in line for line in [*replayed("right"), *replayed("regular-aligned")])


@pytest.mark.usefixtures("right_setting")
def test_passes_that_do_not_follow_the_light_are_refused_evidence():
    boxes("strange", pitch=None)
    rng = np.random.default_rng(1)
    start = np.cumsum(rng.integers(150, 300, 40))
    write_truth("strange.passes.parquet", Truth.from_arrays(start, start + 70))
    told = shell.run("align", "strange.parquet", code=3)
    assert told.stdout.startswith("Your passes do not follow this light: ")


@pytest.mark.parametrize(
    "asked", [("surface",), ("counterfactual",), ("repeatability", "--strategy", "single-sample", "--draws", "30")]
)
def test_what_misplaced_passes_spoil_is_not_said_before_them(late, tmp_path, asked):
    command, *rest = asked
    told = shell.run(command, late / "line.parquet", *rest).stdout
    assert told.splitlines()[0] == "Align the passes first."
    assert "Your passes lag the light by 5.93" in told
    step = " ".join(told.partition("Next: ")[2].partition("\n ")[0].split())
    assert step.startswith(f"teachlab align {late}/line.parquet --out ")
    assert shell.document(command, late / "line.parquet", *rest)["verdict"]["decision"] == "align the passes first"
    moved = tmp_path / "moved.parquet"
    shell.run("align", late / "line.parquet", "--out", moved)
    assert not shell.run(command, moved, *rest).stdout.startswith("Align")
    call = {
        "surface": lambda: teachlab.surface(late / "line.parquet"),
        "counterfactual": lambda: teachlab.counterfactual(late / "line.parquet"),
        "repeatability": lambda: teachlab.repeatability(late / "line.parquet", "single-sample"),
    }[command]
    told = repr(call())
    assert told.startswith("Align the passes first.")
    assert "Your passes lag the light by 5.93" in told


def test_a_report_on_misplaced_passes_leads_to_moving_them(late, tmp_path):
    setting = {"schema": 1, "unit": "mV", "on_level": 550, "off_level": 500, "polarity": "light-on"}
    (tmp_path / "s.json").write_text(json.dumps(setting))
    words = ("--setting", tmp_path / "s.json", "--draws", "0", "--no-levels", "--out", tmp_path / "record")
    told = shell.run("report", late / "line.parquet", *words).stdout
    assert f"\nNext: teachlab align {late}/line.parquet --out " in told


def test_explore_and_its_page_begin_with_misplaced_passes(late, tmp_path):
    told = shell.run("explore", late / "line.parquet", "--out", tmp_path / "page.html").stdout
    assert told.startswith("Your passes lag the light by 5.93")
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    facts = json.loads(re.search(r'<script type="application/json" id="facts">(.*?)</script>', page, re.S)[1])
    assert facts["verdict"]["conditions"][0].startswith("Your passes lag the light by 5.93")


def test_scatter_that_explains_no_error_blames_no_passes(tmp_path, monkeypatch):
    """Noise moves crossings by ±2.5 ms. A bad level stays bad with that doubt, and levels with few errors stay good."""
    monkeypatch.chdir(tmp_path)
    rng = np.random.default_rng(0)
    start = 200 + np.cumsum(np.rint(80 * rng.uniform(2.3, 2.7, 300)).astype(int))
    light = rng.normal(1000, 40, int(start[-1]) + 400)
    for a in start:
        light[a : a + 80] += 80
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=Direction.RISE)
    write_recording("line.parquet", [np.rint(light)], info)
    lots = [f"lot {k // 15}" for k in range(300)]
    write_truth("line.passes.parquet", Truth.from_arrays(start, start + 80, uncertainty_samples=1.0, lot=lots))
    told = shell.invoke("inspect", "line.parquet").stdout.splitlines()
    assert told[0] == "A fixed level makes few errors here."
    assert told[1].startswith("Why: The borders of your passes scatter by ±2")
    words = ["bench", "line.parquet", "--strategy", "two-sample-midpoint", "--draws", "4"]
    told = shell.invoke(*words).stdout.splitlines()
    assert any(one.startswith("This setting does not work: ") for one in told), told
