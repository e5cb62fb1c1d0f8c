"""What long sittings of the attack have found, each by the smallest case that showed it."""

import json
import os
import re
import signal
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.cli import console
from teachlab.data.atomic_files import JOURNAL
from teachlab.data.quality.labelling import propose_passes
from teachlab.data.quality.pass_doubts import pass_doubts
from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.model.recording import Direction, LoggedOutput, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.statistics.over_time.autocorrelated_line import autocorrelated_line
from teachlab.synthetic import load_scenario
from teachlab.synthetic.events import PassSource


def line(folder: Path, low: float) -> str:
    light = np.tile(np.repeat([low, 70.0], 20), 25)
    info = RecordingInfo(sample_rate_hz=100.0, unit="mV", full_scale=100.0)
    write_recording(folder / "a.parquet", Recording.from_array(light, info))
    return str(folder / "a.parquet")


def test_two_levels_without_spread_are_told_in_words(tmp_path: Path) -> None:
    done = shell.run("label", line(tmp_path, 30.0), "--direction", "rise", "--out", f"{tmp_path}/o.csv")
    assert "without any spread" in " ".join(done.output.split())
    assert "inf" not in done.output.replace(str(tmp_path), "")


def test_infinite_light_is_no_level_that_clips(tmp_path: Path) -> None:
    light = np.random.default_rng(1).integers(30, 32, 1000).astype(float)
    light[::2] += 40
    light[100:150] = -np.inf
    write_recording(
        tmp_path / "a.parquet",
        Recording.from_array(light, RecordingInfo(sample_rate_hz=100.0, unit="mV", full_scale=100.0)),
    )
    write_truth(tmp_path / "a.passes.parquet", Truth.from_arrays(np.arange(10, 900, 100), np.arange(20, 900, 100)))
    done = shell.invoke("inspect", tmp_path / "a.parquet")
    assert done.exit_code in (0, 1, 3), done.output
    assert "stand at the lowest level" not in done.output


@pytest.mark.parametrize("name", ["", "."])
def test_nothing_is_no_recording_to_continue(name: str) -> None:
    done = shell.run("synth", "--continue", name, "--passes", "2", code=2)
    assert "names no recording" in " ".join(done.stderr.split())


@pytest.mark.parametrize("place", ["a pass", "a gap", "everywhere", "mixed"])
@pytest.mark.parametrize("sign", [-1, 1])
@pytest.mark.parametrize(
    "words",
    ["inspect a.parquet --plot a.svg", "label a.parquet --direction rise --out own.csv",
     "bench a.parquet --draws 1 --strategy single-sample --out b", "teach a.parquet --strategy two-sample-midpoint"],
)  # fmt: skip
def test_infinite_light_is_told_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str, sign: int, words: str
) -> None:
    light = np.tile(np.repeat([30.0, 70.0], 20), 25) + np.random.default_rng(2).normal(0, 0.5, 1000)
    where = {"a pass": slice(60, 80), "a gap": slice(80, 100), "everywhere": slice(None), "mixed": slice(0, None, 3)}
    light[where[place]] = sign * np.inf
    monkeypatch.chdir(tmp_path)
    write_recording("a.parquet", Recording.from_array(light, RecordingInfo(sample_rate_hz=100.0, unit="mV")))
    write_truth("a.passes.parquet", Truth.from_arrays(np.arange(20, 1000, 40), np.arange(40, 1001, 40)))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        done = shell.invoke(*words.split(), "--force")
    assert done.exit_code in (0, 2, 3), done.exception
    assert not re.search(r"\b(nan|inf)\b", done.output), done.output
    if words.startswith("inspect"):
        assert "infinite" in done.output


@pytest.mark.parametrize("day", ["1e-320", "1e61", "1e308", "-1e308", "1e-12"])
def test_days_that_are_one_or_beyond_all_days_are_told(tmp_path: Path, day: str) -> None:
    (tmp_path / "days.csv").write_text(f"day,level\n0,70\n{day},69\n2,68.5\n")
    light = Recording.from_array(
        np.tile(np.repeat([30.0, 70.0], 20), 25), RecordingInfo(sample_rate_hz=100.0, unit="mV")
    )
    write_recording(tmp_path / "a.parquet", light)
    write_truth(tmp_path / "a.passes.parquet", Truth.from_arrays(np.arange(20, 1000, 40), np.arange(40, 1001, 40)))
    (tmp_path / "s.json").write_text(
        '{"schema": 1, "unit": "mV", "on_level": 50, "off_level": 45, "polarity": "light-on"}'
    )
    words = ["stress", str(tmp_path / "a.parquet"), "--setting", str(tmp_path / "s.json"), "--gain", "1"]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        done = shell.invoke(*words, "--levels-seen", tmp_path / "days.csv")
    assert done.exit_code == 2, done.exception
    assert "days" in done.stderr


def test_a_line_through_two_levels_of_a_day_is_found() -> None:
    # The quantile lies so near the end of its bracket that rounding puts it outside.
    found = autocorrelated_line([0, 0, 3, 6], np.log([69.0, 68.5, 67.0, 66.0]))
    assert found.low <= found.slope <= found.high


def test_an_object_as_long_as_the_world_is_refused_by_its_key(tmp_path: Path) -> None:
    toml = shell.invoke("synth", "demo", "--toml").output
    head, brown = toml.rsplit("length_mm = 120", 1)
    (tmp_path / "line.toml").write_text(f"{head}length_mm = 1e12{brown}")
    words = ["synth", str(tmp_path / "line.toml"), "--passes", "4", "--out", str(tmp_path / "new.parquet")]
    done = shell.run(*words, code=2)
    assert "[object 2] length_mm gave 1e+12 mm" in " ".join(done.stderr.split())
    assert not (tmp_path / "new.parquet").exists()


def test_edges_of_touching_objects_ascend() -> None:
    document = load_scenario("demo").model_dump(mode="json", exclude_none=True)
    document["line"]["touching_share"] = 1.0
    for kind in document["object"]:
        kind["length_mm"] = {"shape": "uniform", "low": 0.1, "high": 0.3}
    scenario = type(load_scenario("demo")).model_validate(document)
    lead, trail = PassSource(scenario, 1).edges(4000)
    assert (np.diff(np.column_stack((lead, trail)).ravel()) >= 0).all()


def test_what_takes_long_says_how_long(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    now = iter([0.0, 5.0, 12.0, 13.0, 30.0])
    monkeypatch.setattr(console.time, "monotonic", lambda: next(now))
    with console.progress("generating") as told:
        for share in (0.05, 0.1, 0.11, 0.25):
            told(share)
    assert capsys.readouterr().err.splitlines() == [
        # From 5 % on 7 s brought 5 % more; from 11 % on 17 s brought 14 % more.
        "generating: 10 % done, about 126 s to go", "generating: 25 % done, about 91 s to go",
    ]  # fmt: skip


def test_work_that_nearly_stands_still_tells_no_time_left(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """65 % took 1 s, the next 10 s bring 0.1 %: at that speed the rest would take an hour."""
    now = iter([0.0, 1.0, 11.0, 14.0, 23.0])
    monkeypatch.setattr(console.time, "monotonic", lambda: next(now))
    with console.progress("benching") as told:
        for share in (0.65, 0.651, 0.8, 0.9):
            told(share)
    assert capsys.readouterr().err.splitlines() == [
        "benching: 65 % done", "benching: 90 % done, about 5 s to go",
    ]  # fmt: skip


@pytest.mark.parametrize("length", [20, 40])
def test_passes_in_the_gaps_or_touching_are_in_no_doubt_beside_a_usual_of_zero(length: int) -> None:
    values = np.tile(np.repeat([30.0, 70.0], 20), 25)
    recording = Recording.from_array(values, RecordingInfo(sample_rate_hz=100.0, unit="mV"))
    start = np.arange(40, 800, 40)
    truth = Truth.from_arrays(start, start + length)
    found = pass_doubts(recording, replace(propose_passes(recording, direction=Direction.RISE), truth=truth))
    assert {doubt.reason for doubt in found} == {""}


ASKED = """
replay --details --margin
compare --setting t.json --details
stale
surface
report --draws 0
stress --gain 1,0.9 --ambient 0,1
card --draws 2
explore --out p.html --draws 2
counterfactual
agree
coverage --cycle belt=0.3s --tolerance-ms 5000
"""


@pytest.mark.parametrize("levels", [(1.7e308, 1.6e308), (1e308, -1e308), (1e-320, -1e-320), (1e61, 0.0), (0.0, -1e60)])
@pytest.mark.parametrize("words", ASKED.strip().splitlines())
def test_levels_beyond_all_light(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, levels: tuple[float, float], words: str
) -> None:
    light = np.tile(np.repeat([30.0, 70.0], 20), 25) + np.random.default_rng(2).normal(0, 0.5, 1000)
    info = RecordingInfo(sample_rate_hz=100.0, unit="mV", output=LoggedOutput())
    monkeypatch.chdir(tmp_path)
    write_recording("a.parquet", Recording.from_array(light, info, output=light > 50))
    write_truth("a.passes.parquet", Truth.from_arrays(np.arange(20, 960, 40), np.arange(40, 980, 40)))
    for name, (on, off) in {"s": levels, "t": (50.0, 45.0)}.items():
        document = {"unit": "mV", "on_level": on, "off_level": off, "polarity": "light-on"}
        Path(f"{name}.json").write_text(json.dumps(document))
    command, *more = words.split()
    done = shell.invoke(command, "a.parquet", "--setting", "s.json", *more)
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    assert done.exit_code in (0, 1, 2, 3), done.output
    assert not re.search(r"(?<![\w.])(nan|-?inf)(?![\w.])", done.output)


@pytest.mark.parametrize(
    ("key", "value"), [("level_percent", "1e60"), ("length_mm", "1e-320"), ("lot_passes", "0x" + "f" * 9000)]
)
def test_numbers_that_no_line_can_have_are_refused_by_their_key(tmp_path: Path, key: str, value: str) -> None:
    text = shell.invoke("synth", "demo", "--toml").stdout
    (tmp_path / "line.toml").write_text(re.sub(rf"(?m)^{key} = .*$", f"{key} = {value}", text, count=1))
    done = shell.run("synth", f"{tmp_path}/line.toml", "--out", f"{tmp_path}/a.parquet", "--passes", "4", code=2)
    assert key in done.stderr
    assert len(done.stderr) < 610


@pytest.mark.parametrize(
    "words",
    ["report a.parquet --setting s.json --criteria big.toml", "report a.parquet --setting s.json --about big.toml",
     "card a.parquet --setting s.json --device big.toml", "study big.toml", "synth big.toml --out b.parquet"],
)  # fmt: skip
def test_a_whole_number_of_ten_thousand_digits_in_toml_is_one_message(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    line(tmp_path, 30.0)
    write_truth("a.passes.parquet", Truth.from_arrays(np.arange(20, 960, 40), np.arange(40, 980, 40)))
    Path("s.json").write_text('{"unit": "mV", "on_level": 50, "off_level": 45, "polarity": "light-on"}')
    Path("big.toml").write_text(f"schema = 1\n[a]\nb = [1, {{ c = 0x{'f' * 9000} }}]\n")
    done = shell.run(*words.split(), code=2)
    assert "key 'a.b.1.c': a whole number has too many digits" in " ".join(done.stderr.split())


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """Raise TimeoutError in what hangs."""

    def late(*_: object) -> None:
        raise TimeoutError

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes of POSIX")
@pytest.mark.parametrize(
    "words",
    [
        "inspect fifo", "align fifo", "import fifo --unit mV --out b.parquet", "inspect /dev/zero", "verify fifo",
        "verify /dev/null", "synth fifo.toml --out b.parquet", "replay a.parquet --setting fifo",
        "teach a.parquet --strategy single-sample --base fifo", "card a.parquet --setting s.json --device fifo",
        "report a.parquet --setting s.json --draws 0 --criteria fifo",
        "label a.parquet --direction rise --from fifo --out b.csv",
        "report a.parquet --setting s.json --draws 0 --about fifo",
        "stress a.parquet --setting s.json --gain 1 --levels-seen fifo",
    ],
)  # fmt: skip
def test_a_pipe_or_a_device_is_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str) -> None:
    """It is waited for by none, and fills the memory of none."""
    monkeypatch.chdir(tmp_path)
    line(tmp_path, 30.0)
    write_truth("a.passes.parquet", Truth.from_arrays(np.arange(20, 900, 40), np.arange(40, 920, 40)))
    write_setting("s.json", Setting(unit="mV", on_level=50.0, off_level=45.0))
    os.mkfifo("fifo")
    os.mkfifo("fifo.toml")
    with within(20):
        done = shell.invoke(*words.split())
    assert done.exit_code == 2, done.exception
    assert "it is a pipe or a device" in " ".join(done.stderr.split())


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes of POSIX")
def test_a_pipe_is_no_journal(tmp_path: Path) -> None:
    recording = line(tmp_path, 30.0)
    os.mkfifo(tmp_path / JOURNAL)
    with within(20):
        said = shell.run("inspect", recording, code=2).stderr
    assert "this journal is not one that teachlab has written" in " ".join(said.split())


def test_a_gap_of_infinite_light_beside_lost_passes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    light = np.tile(np.repeat([30.0, 70.0], 20), 25) + np.random.default_rng(2).normal(0, 0.5, 1000)
    light[80:100] = np.inf
    monkeypatch.chdir(tmp_path)
    write_recording("a.parquet", Recording.from_array(light, RecordingInfo(sample_rate_hz=100.0, unit="mV")))
    write_truth("a.passes.parquet", Truth.from_arrays(np.arange(20, 960, 40), np.arange(40, 980, 40)))
    Path("s.json").write_text('{"unit": "mV", "on_level": 90, "off_level": 85, "polarity": "light-on"}')
    done = shell.run("replay", "a.parquet", "--setting", "s.json")
    assert "missed 24" in done.stdout


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_middle_of_a_gap_of_huge_light_is_no_overflow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, dtype: type
) -> None:
    light = np.tile(np.repeat([30.0, 70.0], 20), 25).astype(dtype)
    light[80:100] = 0.9 * np.finfo(dtype).max
    light[60:62] = 10.0  # one pass is lost: changes are tried
    light[64:80] = 10.0
    monkeypatch.chdir(tmp_path)
    write_recording("a.parquet", Recording.from_array(light, RecordingInfo(sample_rate_hz=100.0, unit="mV")))
    write_truth("a.passes.parquet", Truth.from_arrays(np.arange(20, 1000, 40), np.arange(40, 1001, 40)))
    write_setting("s.json", Setting(unit="mV", on_level=50.0, off_level=45.0))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for words in ("explore a.parquet --setting s.json --out a.html", "replay a.parquet --setting s.json"):
            done = shell.invoke(*words.split())
            assert done.exit_code in (0, 2, 3), done.exception


def test_a_column_whose_name_is_no_text_is_one_message(tmp_path: Path) -> None:
    write_recording(
        tmp_path / "a.parquet", Recording.from_array(np.arange(50.0), RecordingInfo(sample_rate_hz=100.0, unit="mV"))
    )
    made = (tmp_path / "a.parquet").read_bytes()
    assert b"light" in made
    (tmp_path / "a.parquet").write_bytes(made.replace(b"light", b"\xfbight"))
    done = shell.run("inspect", tmp_path / "a.parquet", code=2)
    assert "not a readable Parquet file" in " ".join(done.stderr.split())


@pytest.mark.parametrize("rows", ["", "200,300,ignore\n"])
@pytest.mark.parametrize("command", ["replay", "card", "stale"])
def test_a_table_without_a_pass_to_detect_and_a_setting_that_trips(tmp_path: Path, rows: str, command: str) -> None:
    """It ended in a fault: changes of the setting were sized by the shortest pass, and there is none."""
    light = np.tile(np.repeat([10.0, 90.0], [80, 20]), 20) + np.random.default_rng(4).normal(0, 1, 2000)
    write_recording(tmp_path / "r.parquet", [light], RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    (tmp_path / "r.passes.csv").write_text(f"start,end,expect\n{rows}")
    (tmp_path / "s.json").write_text(
        '{"schema": 1, "unit": "mV", "on_level": 50, "off_level": 40, "polarity": "light-on"}'
    )
    asked = [command, str(tmp_path / "r.parquet"), "--setting", str(tmp_path / "s.json")]
    done = shell.invoke(*asked)
    assert done.exit_code in {0, 1}, done.output
    assert done.exception is None or isinstance(done.exception, SystemExit)
    assert "No pass is scored" in done.stdout or command != "replay"


def test_a_column_without_a_number_is_refused_before_a_recording_is_written(tmp_path: Path) -> None:
    log = tmp_path / "l.csv"
    log.write_text("t,light\n" + "".join(f"{k},nan\n" for k in range(50)))
    options = ["--column", "light", "--unit", "mV", "--rate", "1000", "--out"]
    done = shell.run("import", log, *options, tmp_path / "r.parquet", code=2)
    assert "no row of column 'light' holds a number (50 rows are empty or NaN)" in done.stderr.replace("\n", " ")
    assert not (tmp_path / "r.parquet").exists()
