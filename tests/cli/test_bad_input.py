"""Bad input of every kind: exit code 2, one message that names file and fault, nothing else happens."""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from typer.main import get_command

from teachlab.cli import app

SAMPLES, PASSES, EVERY, LASTS = 6000, 40, 150, 40
INFO = {"schema": 1, "sample_rate_hz": 1000.0, "unit": "counts"}
SETTING = {"schema": 1, "unit": "counts", "on_level": 600.0, "off_level": 500.0, "polarity": "light-on"}
RECORDING, TRUTH, CHOSEN = "line.parquet", "line.passes.csv", "setting.json"
COMMANDS = {
    "replay": ["replay", RECORDING, "--setting", CHOSEN],
    "inspect": ["inspect", RECORDING],
    "teach": ["teach", RECORDING, "--strategy", "two-sample-midpoint", "--base", CHOSEN, "--out", "taught.json"],
    "bench": ["bench", RECORDING, "--draws", "3", "--base", CHOSEN, "--jobs", "1", "--out", "results"],
}
WITH_SETTING = ["replay", "teach", "bench"]


def light() -> np.ndarray[Any, np.dtype[np.uint16]]:
    values = np.random.default_rng(0).integers(90, 110, SAMPLES).astype(np.uint16)
    for start, end in spans():
        values[start:end] += 900
    return values


def spans() -> list[tuple[int, int]]:
    return [(k * EVERY + 50, k * EVERY + 50 + LASTS) for k in range(PASSES)]


def recording(
    folder: Path, column: Any = None, info: Any = INFO, *, name: str = "light", key: str = "teachlab.recording"
) -> None:
    values = pa.array(light()) if column is None else column
    text = info if isinstance(info, str) else json.dumps(info)
    table = pa.table({name: values}).replace_schema_metadata({key: text})
    pq.write_table(table, folder / RECORDING, compression="zstd", use_dictionary=False)


def truth(folder: Path, rows: list[Any] | None = None, header: str = "start,end,label,expect", head: str = "") -> None:
    lines = [
        ",".join(map(str, row)) for row in (rows if rows is not None else [(*s, "lid", "detect") for s in spans()])
    ]
    (folder / TRUTH).write_text(head + "\n".join([header, *lines]) + "\n")


def setting(folder: Path, text: str | None = None, **changes: Any) -> None:
    (folder / CHOSEN).write_text(json.dumps({**SETTING, **changes}) if text is None else text)


def good(folder: Path) -> None:
    recording(folder)
    truth(folder)
    setting(folder)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("good")
    good(folder)
    return folder


@pytest.fixture
def line(template: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder, the working one, with a good recording, its passes and a good setting."""
    shutil.copytree(template, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@dataclass(frozen=True)
class Ran:
    """What a command left behind."""

    code: int
    stdout: str
    stderr: str


Run = Callable[[list[str]], Ran]


@pytest.fixture(scope="module")
def commands() -> Any:
    return get_command(app)


@pytest.fixture
def run(commands: Any, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command in this process; anything but a deliberate end fails the test."""

    def now(arguments: list[str]) -> Ran:
        capsys.readouterr()
        with pytest.raises(SystemExit) as end:
            commands.main(args=arguments, prog_name="teachlab")
        code = end.value.code
        assert isinstance(code, int | None)
        return Ran(code or 0, *capsys.readouterr())

    return now


@dataclass(frozen=True)
class Fault:
    """What is done to the good folder, and what the message must name."""

    name: str
    do: Callable[[Path], object]
    says: tuple[str, ...]


def without(values: dict[str, Any], key: str) -> dict[str, Any]:
    return {k: v for k, v in values.items() if k != key}


def cut_short(folder: Path) -> None:
    raw = (folder / RECORDING).read_bytes()
    (folder / RECORDING).write_bytes(raw[: len(raw) // 2])


def damaged(folder: Path) -> None:
    raw = bytearray((folder / RECORDING).read_bytes())
    raw[200:1200] = bytes(1000)
    (folder / RECORDING).write_bytes(bytes(raw))


def replaced_by_a_folder(name: str) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        (folder / name).unlink()
        (folder / name).mkdir()

    return do


def two_light_columns(folder: Path) -> None:
    table = pa.Table.from_arrays([pa.array(light()), pa.array(light())], names=["light", "light"])
    pq.write_table(table.replace_schema_metadata({"teachlab.recording": json.dumps(INFO)}), folder / RECORDING)


def of_info(**changes: Any) -> Callable[[Path], None]:
    return lambda folder: recording(folder, info={**INFO, **changes})


RECORDING_FAULTS = [
    Fault("missing", lambda f: (f / RECORDING).unlink(), ("no such file",)),
    Fault("a folder", replaced_by_a_folder(RECORDING), ("folder",)),
    Fault("empty file", lambda f: (f / RECORDING).write_bytes(b""), ("Parquet",)),
    Fault("not Parquet", lambda f: (f / RECORDING).write_text("time,light\n0,1\n" * 50), ("Parquet",)),
    Fault("cut short", cut_short, ("Parquet", "cut short")),
    Fault("damaged inside", damaged, ("light", "damaged")),
    Fault("no column light", lambda f: recording(f, name="level"), ("'light'", "'level'")),
    Fault("two columns light", two_light_columns, ("'light'", "2")),
    Fault("text", lambda f: recording(f, pa.array(["12"] * SAMPLES)), ("'light'", "string")),
    Fault("booleans", lambda f: recording(f, pa.array([True] * SAMPLES)), ("'light'", "bool")),
    Fault("lists", lambda f: recording(f, pa.array([[1.0]] * SAMPLES)), ("'light'", "list")),
    Fault("all null", lambda f: recording(f, pa.nulls(SAMPLES, pa.uint16())), ("valid", f"{SAMPLES:,}")),
    Fault("all NaN", lambda f: recording(f, pa.array(np.full(SAMPLES, np.nan))), ("valid", f"{SAMPLES:,}")),
    Fault("type null", lambda f: recording(f, pa.nulls(SAMPLES)), ("'light'", "null")),
    Fault("no samples", lambda f: recording(f, pa.array([], pa.uint16())), ("'light'", "no rows")),
    Fault("no metadata", lambda f: recording(f, key="other"), ("teachlab.recording", "rate", "unit")),
    Fault("metadata no JSON", lambda f: recording(f, info="{rate: 1}"), ("teachlab.recording", "JSON")),
    Fault("metadata a list", lambda f: recording(f, info="[1000]"), ("teachlab.recording", "object")),
    Fault("no rate", lambda f: recording(f, info=without(INFO, "sample_rate_hz")), ("sample_rate_hz", "missing")),
    Fault("rate null", of_info(sample_rate_hz=None), ("sample_rate_hz",)),
    Fault("rate zero", of_info(sample_rate_hz=0), ("sample_rate_hz", "0")),
    Fault("rate negative", of_info(sample_rate_hz=-1000.0), ("sample_rate_hz", "-1000")),
    Fault("rate NaN", of_info(sample_rate_hz=math.nan), ("NaN",)),
    Fault("rate infinite", lambda f: recording(f, info='{"sample_rate_hz": 1e999, "unit": "V"}'), ("sample_rate_hz",)),
    Fault("rate text", of_info(sample_rate_hz="1000"), ("sample_rate_hz", "'1000'")),
    Fault("no unit", lambda f: recording(f, info=without(INFO, "unit")), ("unit", "missing")),
    Fault("unit empty", of_info(unit=" "), ("unit",)),
    Fault("unknown key", of_info(sample_rate=5), ("sample_rate", "unknown")),
    Fault("unknown direction", of_info(direction="up"), ("direction", "'up'")),
    Fault("full scale too low", of_info(full_scale=10, dark_level=20), ("full_scale", "10")),
    Fault("schema 3", of_info(schema=3), ("schema", "3")),
]


def a_pass(*changed: Any, row: int = 1) -> Callable[[Path], None]:
    """One row of the good table replaced."""

    def do(folder: Path) -> None:
        rows: list[Any] = [(*s, "lid", "detect") for s in spans()]
        rows[row] = changed
        truth(folder, rows)

    return do


def truth_in_parquet(columns: dict[str, Any], document: str | None = None) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        (folder / TRUTH).unlink()
        table = pa.table(columns).replace_schema_metadata(None if document is None else {"teachlab.passes": document})
        pq.write_table(table, folder / "line.passes.parquet")

    return do


def comment(document: str) -> Callable[[Path], None]:
    return lambda folder: truth(folder, head=f"# teachlab.passes: {document}\n")


START, END = [s for s, _ in spans()], [e for _, e in spans()]
TRUTH_FAULTS = [
    Fault("outside", a_pass(5980, 6001, "lid", "detect", row=-1), ("6001", "6,000", "row 39")),
    Fault("far outside", a_pass(10**12, 10**12 + 5, "lid", "detect", row=-1), ("row 39", str(10**12))),
    Fault("before the start", a_pass(-5, 20, "lid", "detect", row=0), ("-5", "row 0")),
    Fault("overlapping", a_pass(80, 240, "lid", "detect"), ("overlap", "row 1", "90")),
    Fault("reversed", a_pass(240, 200, "lid", "detect"), ("row 1", "240", "200")),
    Fault("of no length", a_pass(200, 200, "lid", "detect"), ("row 1", "200")),
    Fault("unsorted", a_pass(10, 20, "lid", "detect"), ("row 1", "10", "50")),
    Fault("expect unknown", a_pass(200, 240, "lid", "maybe"), ("'expect'", "row 1", "'maybe'")),
    Fault("a fraction", a_pass(200.5, 240, "lid", "detect"), ("'start'", "row 1", "200.5")),
    Fault("text", a_pass("noon", 240, "lid", "detect"), ("'start'", "row 1", "noon")),
    Fault("no position", a_pass("", 240, "lid", "detect"), ("'start'", "row 1")),
    Fault("a cell too few", a_pass(200, 240), ("4 columns",)),
    Fault("no column end", lambda f: truth(f, header="start,stop,label,expect"), ("'end'", "missing", "stop")),
    Fault("start twice", lambda f: truth(f, header="start,start,label,expect"), ("start", "twice")),
    Fault("misspelt", lambda f: truth(f, header="start,end,label,expects"), ("'expects'", "'expect'")),
    Fault("empty file", lambda f: (f / TRUTH).write_bytes(b""), ("header",)),
    Fault("no text", lambda f: (f / TRUTH).write_bytes(b"start,end\n\xff\xfe,4\n"), ("UTF-8",)),
    Fault("a folder", replaced_by_a_folder(TRUTH), ("folder",)),
    Fault("metadata no JSON", comment("{source}"), ("teachlab.passes", "JSON")),
    Fault("unknown key", comment('{"source": "independent", "by": "me"}'), ("'by'", "unknown")),
    Fault("unknown source", comment('{"source": "guessed"}'), ("source", "'guessed'")),
    Fault("no source", comment('{"uncertainty_samples": 3}'), ("source", "missing")),
    Fault("uncertainty", comment('{"source": "generator", "uncertainty_samples": -1}'), ("uncertainty_samples", "-1")),
    Fault("schema 3", comment('{"schema": 3, "source": "generator"}'), ("schema", "3")),
]
PARQUET_TRUTH_FAULTS = [
    Fault("null", truth_in_parquet({"start": [None, *START[1:]], "end": END}), ("'start'", "row 0")),
    Fault("a fraction", truth_in_parquet({"start": [50.5, *START[1:]], "end": END}), ("'start'", "row 0", "50.5")),
    Fault("NaN", truth_in_parquet({"start": [math.nan, *START[1:]], "end": END}), ("'start'", "row 0", "nan")),
    Fault("booleans", truth_in_parquet({"start": [True] * PASSES, "end": END}), ("'start'", "bool")),
    Fault("overlapping", truth_in_parquet({"start": START, "end": [*END[:-2], SAMPLES, END[-1]]}), ("overlap", "39")),
    Fault("schema 3", truth_in_parquet({"start": START, "end": END}, '{"schema": 3, "source": "generator"}'), ("3",)),
    Fault("no start", truth_in_parquet({"begin": START, "end": END}), ("'start'", "missing", "begin")),
]


def of_setting(text: str | None = None, **changes: Any) -> Callable[[Path], None]:
    return lambda folder: setting(folder, text, **changes)


SETTING_FAULTS = [
    Fault("missing", lambda f: (f / CHOSEN).unlink(), (CHOSEN, "no such file")),
    Fault("a folder", replaced_by_a_folder(CHOSEN), (CHOSEN, "folder")),
    Fault("empty", of_setting(""), (CHOSEN, "JSON")),
    Fault("no JSON", of_setting("{on_level: 5}"), (CHOSEN, "JSON", "line 1")),
    Fault("no text", lambda f: (f / CHOSEN).write_bytes(b"\xff\xfe{}"), (CHOSEN, "UTF-8")),
    Fault("a list", of_setting("[1, 2]"), (CHOSEN, "object")),
    Fault("a key twice", of_setting('{"unit": "counts", "unit": "mV"}'), (CHOSEN, "unit", "twice")),
    Fault("unknown key", of_setting(on_levels=5), (CHOSEN, "'on_levels'", "unknown")),
    Fault("no level", of_setting(json.dumps(without(SETTING, "on_level"))), (CHOSEN, "on_level", "missing")),
    Fault("no unit", of_setting(json.dumps(without(SETTING, "unit"))), (CHOSEN, "unit", "missing")),
    Fault("off above on", of_setting(on_level=500, off_level=600), (CHOSEN, "off_level", "600", "500")),
    Fault("level NaN", of_setting(on_level=math.nan), (CHOSEN, "NaN")),
    Fault("level infinite", of_setting(json.dumps(SETTING).replace("600.0", "1e999")), (CHOSEN, "on_level")),
    Fault("level null", of_setting(on_level=None), (CHOSEN, "on_level", "None")),
    Fault("level text", of_setting(off_level="low"), (CHOSEN, "off_level", "'low'")),
    Fault("level true", of_setting(on_level=True), (CHOSEN, "on_level", "True")),
    Fault("polarity", of_setting(polarity="normal"), (CHOSEN, "polarity", "'normal'")),
    Fault("acts on", of_setting(delays_act_on="input"), (CHOSEN, "delays_act_on", "'input'")),
    Fault("consecutive 0", of_setting(consecutive=0), (CHOSEN, "consecutive", "0")),
    Fault("consecutive 1.5", of_setting(consecutive=1.5), (CHOSEN, "consecutive", "1.5")),
    Fault("negative delay", of_setting(on_delay_ms=-1), (CHOSEN, "on_delay_ms", "-1")),
    Fault("delay null", of_setting(off_delay_ms=None), (CHOSEN, "off_delay_ms", "None")),
    Fault("rate zero", of_setting(evaluation_rate_hz=0), (CHOSEN, "evaluation_rate_hz", "0")),
    Fault("schema 2", of_setting(schema=2), (CHOSEN, "schema", "2")),
    Fault("schema text", of_setting(schema="1"), (CHOSEN, "schema", "'1'")),
    Fault("taught unknown key", of_setting(taught={"strategy": "x", "when": 1}), (CHOSEN, "taught.when", "unknown")),
    # These two fit no file alone: the message names both.
    Fault("other unit", of_setting(unit="mV"), (CHOSEN, RECORDING, "'mV'", "'counts'")),
    Fault("rate too high", of_setting(evaluation_rate_hz=1000.5), (CHOSEN, RECORDING, "1000.5", "1000 Hz")),
]

OPTION_FAULTS: dict[str, list[Any]] = {
    "replay": [
        (["--tolerance-ms", "-1"], ("tolerance", "-1")),
        (["--tolerance-ms", "nan"], ("tolerance", "nan")),
        (["--tolerance-ms", "inf"], ("tolerance", "inf")),
        (["--confidence", "95"], ("confidence", "95")),
        (["--confidence", "0"], ("confidence", "0")),
        (["--confidence", "nan"], ("confidence", "nan")),
        (["--edges", "edges.txt"], ("edges.txt", ".csv")),
        (["--edges", "nowhere/edges.csv"], ("nowhere",)),
        (["--edges", "."], ("'.'",)),
        (["--truth", "other.csv"], ("other.csv", "no such file")),
        (["--truth", RECORDING], (RECORDING, "'start'")),
    ],
    "teach": [
        (["--strategy", "two-sample-midpiont"], ("two-sample-midpiont", "two-sample-midpoint")),
        (["--strategy", "./mine.py:Mine"], ("mine.py",)),
        (["--set", "hysteresis=5"], ("hysteresis",)),
        (["--set", "hysteresis_share=wide"], ("wide",)),
        (["--set", "hysteresis_share"], ("hysteresis_share",)),
        (["--tolerance-ms", "-1"], ("tolerance", "-1")),
        (["--tolerance-ms", "inf"], ("tolerance", "inf")),
        (["--out", "nowhere/setting.json"], ("nowhere",)),
        (["--seed", "-1"], ("seed", "-1")),
        (["--truth", "other.csv"], ("other.csv", "no such file")),
    ],
    "bench": [
        (["--strategy", "two-sample-midpiont"], ("two-sample-midpiont", "two-sample-midpoint")),
        (["--set", "two-sample-midpoint.hysteresis=5"], ("hysteresis",)),
        (["--set", "hysteresis_share=0.1"], ("hysteresis_share",)),
        (["--draws", "0"], ("draws", "0")),
        (["--seed", "-1"], ("seed", "-1")),
        (["--teach-share", "0"], ("share", "0")),
        (["--teach-share", "1"], ("share", "1")),
        (["--teach-share", "nan"], ("share", "nan")),
        (["--tolerance-ms", "-1"], ("tolerance", "-1")),
        (["--confidence", "95"], ("confidence", "95")),
        (["--cost-miss", "-1"], ("cost", "-1")),
        (["--cost-false", "nan"], ("cost", "nan")),
        ([RECORDING], ("twice",)),
        (["other.parquet"], ("other.parquet", "no such file")),
        (["--out", CHOSEN], (CHOSEN,)),
        (["--truth", "other.csv"], ("other.csv", "no such file")),
    ],
    "inspect": [
        (["--truth", "other.csv"], ("other.csv", "no such file")),
        (["--tolerance-ms", "-1"], ("tolerance", "-1")),
    ],
}


def everything_in(folder: Path) -> dict[str, bytes | None]:
    return {str(p.relative_to(folder)): p.read_bytes() if p.is_file() else None for p in sorted(folder.rglob("*"))}


def assert_refused(run: Run, arguments: list[str], folder: Path, says: tuple[str, ...]) -> None:
    before = everything_in(folder)
    for more in ([], ["--json"]) if arguments[0] == "replay" else (["--json"],):
        ran = run([*arguments, *more])
        assert ran.code == 2, ran
        assert ran.stdout == ""
        assert "Traceback" not in ran.stderr
        assert ran.stderr.startswith("teachlab: ")
        assert ran.stderr.count("teachlab: ") == 1
        missing = [part for part in says if part.lower() not in ran.stderr.lower()]
        assert not missing, ran.stderr
        assert everything_in(folder) == before


def names(faults: list[Fault]) -> list[str]:
    return [fault.name for fault in faults]


def each_with(faults: list[Fault], commands: list[str]) -> list[Any]:
    """Every fault with every command."""
    return [pytest.param(fault, command, id=f"{fault.name}-{command}") for fault in faults for command in commands]


@pytest.mark.parametrize("command", COMMANDS)
def test_the_good_folder_is_accepted(command: str, line: Path, run: Run) -> None:
    """So that every refusal below is for the fault that is put in."""
    ran = run([*COMMANDS[command], "--json"])
    assert ran.code == 0, ran
    assert json.loads(ran.stdout)


@pytest.mark.parametrize(("fault", "command"), each_with(RECORDING_FAULTS, list(COMMANDS)))
def test_bad_recording(fault: Fault, command: str, line: Path, run: Run) -> None:
    fault.do(line)
    assert_refused(run, COMMANDS[command], line, ("line", *fault.says))


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("fault", TRUTH_FAULTS, ids=names(TRUTH_FAULTS))
def test_bad_passes(fault: Fault, command: str, line: Path, run: Run) -> None:
    fault.do(line)
    assert_refused(run, COMMANDS[command], line, (TRUTH, *fault.says))


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("fault", PARQUET_TRUTH_FAULTS, ids=names(PARQUET_TRUTH_FAULTS))
def test_bad_passes_in_parquet(fault: Fault, command: str, line: Path, run: Run) -> None:
    fault.do(line)
    assert_refused(run, COMMANDS[command], line, ("line.passes.parquet", *fault.says))


@pytest.mark.parametrize("command", WITH_SETTING)
@pytest.mark.parametrize("fault", SETTING_FAULTS, ids=names(SETTING_FAULTS))
def test_bad_setting(fault: Fault, command: str, line: Path, run: Run) -> None:
    fault.do(line)
    assert_refused(run, COMMANDS[command], line, fault.says)


@pytest.mark.parametrize(
    "words",
    [
        "agree", "card", "coverage", "counterfactual", "explore --out page.html", "report", "stale", "stress",
        "surface", "timing", "compare --setting good.json", "repeatability --strategy single-sample", "design",
    ],
)  # fmt: skip
@pytest.mark.parametrize("fault", SETTING_FAULTS[-2:], ids=names(SETTING_FAULTS[-2:]))
def test_a_setting_that_fits_no_file_is_named_by_every_command(fault: Fault, words: str, line: Path, run: Run) -> None:
    """Six commands named neither file: of two settings it was not told which is wrong."""
    setting(line)
    (line / CHOSEN).rename(line / "good.json")
    fault.do(line)
    command, *more = words.split()
    option = "--base" if command in ("repeatability", "design") else "--setting"
    assert_refused(run, [command, RECORDING, *more, option, CHOSEN], line, fault.says)


def options_of(faults: dict[str, list[Any]]) -> list[Any]:
    found = []
    for command, rows in faults.items():
        for row in rows:
            options, says = getattr(row, "values", row)
            marks = getattr(row, "marks", ())
            found.append(pytest.param(command, options, says, id=f"{command} {' '.join(options)}", marks=marks))
    return found


@pytest.mark.parametrize(("command", "options", "says"), options_of(OPTION_FAULTS))
def test_bad_option(command: str, options: list[str], says: tuple[str, ...], line: Path, run: Run) -> None:
    assert_refused(run, [*COMMANDS[command], *options], line, says)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["bench", RECORDING, "--draws", "1e3"], "--draws takes a whole number, got '1e3'."),
        (["import", RECORDING, "--rate", "fast", "--out", "x.parquet"], "--rate takes a number, got 'fast'."),
        (["import", RECORDING, "--decimal", "dot", "--out", "x.parquet"],
         "--decimal takes one of point, comma, got 'dot'."),
        (["label", RECORDING, "--direction", "up"], "--direction takes one of rise, dip, got 'up'."),
        (["compare", RECORDING, "--setting", CHOSEN, "--setting", CHOSEN],
         f"--setting '{CHOSEN}' is given twice. Name two different settings."),
    ],
    ids=lambda value: value[-1] if isinstance(value, list) else "",
)  # fmt: skip
def test_what_cannot_be_read_is_told_with_what_must_hold(arguments: list[str], says: str, line: Path, run: Run) -> None:
    ran = run(arguments)
    assert (ran.code, ran.stdout, ran.stderr) == (2, "", f"teachlab: {says}\n")


def test_a_file_that_never_was_parquet(line: Path, run: Run) -> None:
    (line / RECORDING).write_text("t,light\n0,1\n")
    assert_refused(
        run, COMMANDS["inspect"], line, (RECORDING, "its end is missing, or it never was one", "Copy it again")
    )
    (line / RECORDING).write_bytes(b"")
    assert_refused(run, COMMANDS["inspect"], line, (RECORDING, "it is empty"))


@pytest.mark.parametrize("command", ["teach", "bench"])
def test_no_passes_to_teach_on(command: str, line: Path, run: Run) -> None:
    (line / TRUTH).unlink()
    assert_refused(run, COMMANDS[command], line, ("line", "passes"))


@pytest.mark.parametrize("command", COMMANDS)
def test_two_tables_of_passes_that_differ(command: str, line: Path, run: Run) -> None:
    pq.write_table(pa.table({"start": [5], "end": [9]}), line / "line.passes.parquet")
    assert_refused(run, COMMANDS[command], line, (TRUTH, "line.passes.parquet"))


@pytest.mark.parametrize(
    "arguments",
    [["replay"], ["replay", RECORDING], ["replay", RECORDING, "--setting"], ["nonsense"], ["replay", "--nonsense"]],
    ids=" ".join,
)
def test_bad_usage(arguments: list[str], line: Path, run: Run) -> None:
    before = everything_in(line)
    ran = run(arguments)
    assert (ran.code, ran.stdout) == (2, "")
    assert "Traceback" not in ran.stderr
    assert ran.stderr
    assert everything_in(line) == before


@pytest.mark.parametrize(
    ("command", "fault", "says"),
    [
        ("replay", lambda f: (f / RECORDING).unlink(), b"no such file"),
        ("teach", cut_short, b"cut short"),
    ],
    ids=["replay", "teach"],
)
def test_in_a_process_of_its_own(command: str, fault: Callable[[Path], None], says: bytes, line: Path) -> None:
    fault(line)
    before = everything_in(line)
    code = "from teachlab.__main__ import main; main()"
    done = subprocess.run([sys.executable, "-c", code, *COMMANDS[command], "--json"], capture_output=True, check=False)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr.startswith(b"teachlab: ")
    assert says in done.stderr
    assert b"Traceback" not in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert everything_in(line) == before
