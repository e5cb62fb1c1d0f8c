"""The rims of every command: text of strangers, inputs as targets, streams that end, signals."""

import json
import os
import re
import signal
import subprocess
import sys
import time
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shell

from teachlab.cli.commands import COMMANDS as LISTED
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.truth_files import write_truth
from teachlab.errors import InputError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.synthetic import scenario_text

HOSTILE = (
    "[/red]", "cap [red]", "cap [blue]", "$x^{$", "\x1b[31mred\x1b[0m", "two\nlines: Verdict: use", "\u202egnp",
    ":smile:", "\x9b1m", "bell\a", "back\\slash", "[link=https://example.org]x[/link]", "line\u2028sep", "\ud800",
)  # fmt: skip
RAW = "\x1b\x9b\u202e\u2028\a"


def setting_file(path: Path, unit: str, on: float, off: float) -> None:
    path.write_text(json.dumps({"unit": unit, "on_level": on, "off_level": off, "polarity": "light-on"}))


def hostile_line(folder: Path) -> Path:
    """Return a recording whose name, title, unit, labels and lots want to be more than text."""
    rng = np.random.default_rng(5)
    light = np.full(6000, 100.0)
    starts = np.arange(100, 5900, 100)
    for start in starts:
        light[start : start + 40] = 900.0 if start % 300 else 101.0
    light += rng.normal(0, 2, light.size)
    name = "r [red] $x^{$ \x1b[31m.parquet"
    info = RecordingInfo(sample_rate_hz=1000, unit="[/b] $u^{$\x1b[1m", title=HOSTILE[5] + HOSTILE[3], notes=HOSTILE[4])
    write_recording(folder / name, Recording.from_array(light, info))
    labels = [HOSTILE[k % (len(HOSTILE) - 1)] for k in range(starts.size)]
    lots = [f"{HOSTILE[k // 10]} lot" for k in range(starts.size)]
    digest = read_recording(folder / name).info.digest
    truth = Truth.from_arrays(starts, starts + 40, label=labels, lot=lots, uncertainty_samples=1.0)
    write_truth(folder / name.replace(".parquet", ".passes.parquet"), truth.tied_to(digest))
    setting_file(folder / "s.json", info.unit, 600.0, 500.0)
    setting_file(folder / "t.json", info.unit, 895.0, 890.0)
    scenario, _ = scenario_text("demo")
    labels = iter(HOSTILE)
    scenario = re.sub(r'(?m)^(title|label) = "[^"]*"', lambda at: f"{at[1]} = {json.dumps(next(labels))}", scenario)
    (folder / "hostile.toml").write_text(scenario.replace("\\ud800", "?"))
    (folder / "log [red].csv").write_text("[/red] $x^{$,\x1b[31mother\n" + "5,6\n7,8\n" * 20)
    (folder / "hostile.json").write_text(json.dumps({"schema": 1, "title": HOSTILE[4], HOSTILE[5]: HOSTILE[0]}))
    (folder / "hostile.py").write_text(f"class Odd:\n    name = {HOSTILE[4]!r}\n    parameters = {HOSTILE[5]!r}\n")
    return Path(name)


COMMANDS = (
    ("inspect", "R", "--plot", "p.svg"),
    ("teach", "R", "--strategy", "two-sample-midpoint", "--out", "taught.json"),
    ("replay", "R", "--setting", "s.json"),
    ("bench", "R", "--draws", "3", "--out", "bench"),
    ("surface", "R", "--out", "f.png"),
    ("stress", "R", "--setting", "s.json", "--out", "g.svg"),
    ("repeatability", "R", "--draws", "4", "--strategy", "single-sample", "--out", "c.png"),
    ("timing", "R"),
    ("counterfactual", "R", "--setting", "s.json"),
    ("coverage", "R", "--cycle", "belt=0.5s", "--out", "cov.svg"),
    ("compare", "R", "--setting", "s.json", "--setting", "t.json"),
    ("report", "R", "--setting", "s.json", "--out", "record", "--draws", "3", "--title", HOSTILE[5]),
    ("stale", "R", "--setting", "s.json"),
    ("card", "R", "--setting", "s.json"),
    ("label", "R", "--out", "own.csv"),
    ("align", "R"),
    ("design", "R", "--out", "designed.json"),
    ("synth", "hostile.toml", "--explain"),
    ("synth", "hostile.toml", "--passes", "4", "--out", "made [red] \x1b[1m.parquet"),
    (
        "import",
        "log [red].csv",
        "--unit",
        HOSTILE[4],
        "--column",
        "[/red] $x^{$",
        "--rate",
        "100",
        "--out",
        "i.parquet",
    ),
    ("import", "log [red].csv", "--unit", "mV", "--column", HOSTILE[4], "--rate", "100", "--out", "refused.parquet"),
    ("verify", "hostile.json"),
    ("conform", "hostile.py:Odd"),
)
REFUSED = {"hostile.json", "hostile.py:Odd", "refused.parquet"}
"""Their refusals quote the text."""
WITHOUT_FOREIGN_TEXT = {"study", "demo", "strategies", "surroundings", "plan", "explore", "identify", "agree", "guide"}
"""Commands that read no file, or only what ships; `explore` answers by a page, whose text is tested in a browser, and
`identify` and `agree` by numbers alone."""


@pytest.fixture
def line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    name = hostile_line(tmp_path)
    monkeypatch.chdir(tmp_path)
    return str(name)


@pytest.mark.parametrize("words", COMMANDS, ids=[words[0] for words in COMMANDS])
@pytest.mark.parametrize("more", [(), ("--json",)], ids=["text", "json"])
def test_text_from_files_is_text(line: str, words: tuple[str, ...], more: tuple[str, ...]) -> None:
    ran = shell.invoke(*(line if word == "R" else word for word in words), *more)
    assert ran.exception is None or isinstance(ran.exception, SystemExit), ran.exc_info
    assert ran.exit_code in (0, 1, 3) or REFUSED & set(words), ran.output
    assert not set(ran.output) & set(RAW)
    assert not any(one.startswith("lines: Verdict") for one in ran.output.splitlines())
    for picture in Path().rglob("*.svg"):
        assert not set(picture.read_text()) & set("\x1b\x9b\a")


def test_every_command_is_among_them() -> None:
    assert {words[0] for words in COMMANDS} | WITHOUT_FOREIGN_TEXT == set(LISTED)


def test_labels_that_differ_in_brackets_stay_apart(line: str) -> None:
    ran = shell.run("replay", line, "--setting", "s.json")
    told = " ".join(ran.output.split())
    assert "cap [red]" in told
    assert "cap [blue]" in told


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("replay", "a.parquet", "--setting", "s.json", "--edges", "a.parquet"), "inputs are never modified"),
        (("replay", "a.parquet", "--setting", "s.json", "--edges", "link.parquet"), "inputs are never modified"),
        (("teach", "a.parquet", "--strategy", "single-sample", "--out", "a.parquet"), "inputs are never modified"),
        (("teach", "a.parquet", "--strategy", "single-sample", "--out", "hard.parquet"), "inputs are never modified"),
        (("teach", "a.parquet", "--strategy", "single-sample", "--out", "a.passes.parquet"), "inputs are never"),
        (("teach", "a.parquet", "--strategy", "single-sample", "--out", "b.parquet"), "holds a recording"),
        (("label", "a.parquet", "--force", "--out", "a.parquet"), "inputs are never modified"),
        (("bench", "a.parquet", "--draws", "2", "--base", "o/x.setting.json", "--out", "o"), "inputs are never"),
        (("bench", "a.parquet", "--draws", "2", "--out", "s.json"), "is a file"),
        (("report", "a.parquet", "--setting", "s.json", "--out", "a.parquet"), "is a file"),
        (("synth", "demo", "--passes", "5", "--out", "s.json.parquet/x.parquet"), "no folder"),
        (("surface", "a.parquet", "--out", "s.json"), "holds a setting"),
    ],
)
def test_no_input_and_no_file_of_another_kind_is_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("a", "b"):
        shell.run("synth", "demo", "--passes", "8", "--out", f"{name}.parquet")
    setting_file(Path("s.json"), "counts", 1200.0, 1100.0)
    Path("o").mkdir()
    setting_file(Path("o/x.setting.json"), "counts", 1200.0, 1100.0)
    Path("link.parquet").symlink_to("a.parquet")
    os.link("a.parquet", "hard.parquet")
    before = {p: p.read_bytes() for p in Path().rglob("*") if p.is_file()}
    # Nothing is worked on: the strategies would be asked first.
    monkeypatch.setattr("teachlab.teaching.once.teach_once", None)
    ran = shell.run(*words, code=2)
    assert says in ran.output
    assert {p: p.read_bytes() for p in Path().rglob("*") if p.is_file()} == before


def test_a_document_is_written_anew_and_force_writes_over_another_kind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shell.run("synth", "demo", "--passes", "8", "--out", "a.parquet")
    teach = ["teach", "a.parquet", "--strategy", "single-sample", "--out"]
    for _ in range(2):
        shell.run(*teach, "s.json")
        shell.run("synth", "demo", "--passes", "8", "--out", "a.parquet")
    Path("note.txt").write_text("dear diary")
    shell.run(*teach, "note.txt", code=2)
    shell.run(*teach, "note.txt", "--force")
    assert Path("note.txt").read_text().startswith("{")


@pytest.mark.parametrize(("command", "option"), [("design", "plot"), ("identify", "plot"), ("study", "plot"),
                                                 ("stress", "speed_out")])  # fmt: skip
def test_a_picture_is_drawn_anew_and_over_no_setting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, option: str
) -> None:
    """What --out names of a command, a setting or a folder, says nothing of its pictures."""
    from teachlab.cli.frame import framed

    monkeypatch.chdir(tmp_path)
    Path("old.svg").write_bytes(b'<?xml version="1.0"?><svg xmlns="http://www.w3.org/2000/svg"/>')
    setting_file(Path("s.svg"), "counts", 1200.0, 1100.0)
    drawn = []

    def draws(plot: str | None = None, speed_out: str | None = None) -> None:
        drawn.append((plot, speed_out))

    run = framed(command, draws)
    run(**{option: "old.svg"})
    assert len(drawn) == 1
    with pytest.raises(InputError, match="holds a setting"):
        run(**{option: "s.svg"})
    assert len(drawn) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")
def test_lines_fit_the_terminal_and_a_pipe_gets_what_it_always_gets() -> None:
    import fcntl
    import pty
    import struct
    import termios

    words = [sys.executable, "-m", "teachlab", "strategies"]
    piped = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 60, 0, 0))
    environment = {key: value for key, value in os.environ.items() if key != "COLUMNS"}
    with subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=theirs, env=environment) as running:
        os.close(theirs)
        told = b""
        try:
            while some := os.read(ours, 65536):
                told += some
        except OSError:  # how a terminal ends on Linux
            pass
    os.close(ours)
    assert running.returncode == 0
    lines = told.decode().splitlines()
    assert max(map(len, lines)) <= 60 < max(map(len, piped.splitlines()))
    assert " ".join(told.decode().split()) == " ".join(piped.split())


def test_a_study_that_varies_nothing_has_no_picture_and_is_not_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shell.run("synth", "demo", "--passes", "20", "--out", "a.parquet")
    monkeypatch.setattr("teachlab.studies.family.study_run.run_study", None)
    words = "study a.parquet --strategy quantile-guard --draws 2 --plot effects.svg --grid position=0.5"
    done = shell.run(*words.split(), code=2)
    assert "none takes two values" in done.stderr


def test_a_long_message_is_cut_and_names_both_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    ran = shell.run("replay", "x" * 3000 + ".parquet", "--setting", "s\nt.json", code=2)
    assert len(ran.stderr) <= 601
    assert ran.stderr.count("\n") == 1


def test_files_that_are_no_text_and_records_that_are_no_records(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shell.run("synth", "demo", "--passes", "20", "--out", "a.parquet")
    setting_file(Path("s.json"), "counts", 1200.0, 1100.0)
    stress = ["stress", "a.parquet", "--setting", "s.json", "--gain", "1", "--levels-seen", "days.csv"]
    for content, says in ((b"day,level\n0,\xff\xfe\n", "not a text file in UTF-8"), (b"day\n1\n", "columns 'day'")):
        Path("days.csv").write_bytes(content)
        ran = shell.run(*stress, code=2)
        assert f"days.csv: {says}" in ran.stderr or says in ran.stderr
    shell.run("report", "a.parquet", "--setting", "s.json", "--draws", "0", "--out", "r")
    record = json.loads(Path("r/result.json").read_text())
    for wrong in (record | {"software": 1}, record | {"kind": {}}, record | {"kind": []}, [], 5):
        Path("r/result.json").write_text(json.dumps(wrong))
        ran = shell.run("verify", "r/result.json", "--recording", "a.parquet", "--truth", "a.passes.parquet", code=2)
        assert "result.json: " in ran.stderr
    Path("r/result.json").write_text(json.dumps(record))
    ran = shell.run("verify", "r/result.json", "--recording", "a.parquet", "--truth", "a\0.parquet", code=2)
    assert "zero byte" in ran.stderr


def test_a_bundle_is_a_result_that_may_be_written_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    shell.run("synth", "demo", "--passes", "8", "--seed", "1", "--out", "a.parquet")
    setting_file(Path("s.json"), "counts", 1200.0, 1100.0)
    report = ["report", "a.parquet", "--setting", "s.json", "--draws", "0", "--no-levels", "--out", "r", "--bundle"]
    shell.run(*report, "r.zip")
    first = Path("r.zip").stat().st_mtime_ns
    shell.run(*report, "r.zip")
    assert Path("r.zip").stat().st_mtime_ns > first
    with zipfile.ZipFile("photos.zip", "w") as other:
        other.writestr("photo.txt", "not ours")
    kept = Path("photos.zip").read_bytes(), Path("a.parquet").read_bytes()
    assert "report would write a bundle over it" in shell.run(*report, "photos.zip", code=2).stderr
    Path("b.zip").symlink_to("a.parquet")
    assert "inputs are never modified" in shell.run(*report, "b.zip", code=2).stderr
    assert (Path("photos.zip").read_bytes(), Path("a.parquet").read_bytes()) == kept


def test_pages_of_the_guide_go_to_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("a.txt").write_text("a")
    assert "is a file. Give the name of a folder." in shell.run("guide", "--html", "a.txt", code=2).stderr


@pytest.mark.filterwarnings("error")
def test_a_full_scale_beyond_the_type_of_the_light_warns_of_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    info = RecordingInfo(sample_rate_hz=100, unit="mV", full_scale=1e60)
    write_recording("a.parquet", Recording.from_array(np.arange(50, dtype=np.float32), info))
    assert shell.document("inspect", "a.parquet")["saturated"] == 1 / 50  # the sample at 0


# ---- the process itself -------------------------------------------------------------------------------------


def process(*words: str, **more: Any) -> "subprocess.Popen[bytes]":
    return subprocess.Popen([sys.executable, "-m", "teachlab", *words], stderr=subprocess.PIPE, **more)


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_signal_at_any_moment_ends_in_one_line(tmp_path: Path) -> None:
    """While libraries load, at work, and while results are written aside; both signals."""
    for k, moment in enumerate((0.12, 0.3, 0.6, 1.0, 1.6)):
        number, code = ((signal.SIGINT, 130), (signal.SIGTERM, 143))[k % 2]
        # 10^8 passes keep it at work for longer than any moment above.
        running = process("synth", "demo", "--passes", "1000000", "--out", "x.parquet", cwd=tmp_path)
        time.sleep(moment)
        running.send_signal(number)
        said = running.communicate(timeout=60)[1].decode()
        assert running.returncode in (code, -number if moment < 0.2 else code), said
        if running.returncode == code:
            assert said.startswith("teachlab: ")
            assert said.count("\n") == 1
        assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full")
def test_streams_that_end(tmp_path: Path) -> None:
    plan = ("plan", "--max-rate", "0.01", "--confidence", "0.95")
    read, write = os.pipe()
    os.close(read)
    closed = process(*plan, stdout=write)
    os.close(write)
    assert (closed.communicate(timeout=60)[1], closed.returncode) == (b"", 0)
    with open("/dev/full", "wb") as full:
        done = process(*plan, stdout=full)
        said = done.communicate(timeout=60)[1].decode()
    assert done.returncode == 2
    assert said.startswith("teachlab: standard output: No space left on device")
    plain = process(*plan, stdout=subprocess.PIPE, env={**os.environ, "PYTHONIOENCODING": "ascii", "LC_ALL": "C"})
    out, said = plain.communicate(timeout=60)
    assert (plain.returncode, said) == (0, b"")
    assert out.isascii()


@pytest.mark.skipif(os.name != "posix", reason="a shell that closes streams")
@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&- >&- 2>&-"])
def test_a_command_works_without_the_streams_that_were_closed(tmp_path: Path, closed: str) -> None:
    """Exit code, result and message are those of a run with all streams; a result holds nothing that was printed."""

    def run(words: str, streams: str) -> tuple[int, bytes]:
        done = subprocess.run(
            ["sh", "-c", f'exec "{sys.executable}" -m teachlab {words} {streams}'],
            cwd=tmp_path, capture_output=True, timeout=60, check=False,
        )  # fmt: skip
        return done.returncode, done.stderr

    assert run("synth demo --passes 8 --out a.parquet", closed)[0] == 0
    plain = run("teach a.parquet --strategy single-sample --out plain.json", "")
    assert (plain[0], run("teach a.parquet --strategy single-sample --out s.json", closed)[0]) == (0, 0)
    assert (tmp_path / "s.json").read_bytes() == (tmp_path / "plain.json").read_bytes()
    code, said = run("teach none.parquet --strategy single-sample", closed)
    assert code == 2
    assert said == b"" if "2>&-" in closed else b"none.parquet" in said


@pytest.mark.parametrize(
    "words",
    [
        ("inspect", "a.parquet"),
        ("teach", "a.parquet", "--strategy", "single-sample", "--out", "taught.json"),
        ("inspect", "a.parquet", "--json"),
        ("replay", "a.parquet", "--setting", "s.json", "--json"),
    ],
)
@pytest.mark.parametrize("how", ["replaced", "gone", "longer"])
def test_an_input_that_changes_during_the_run_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], how: str
) -> None:
    monkeypatch.chdir(tmp_path)
    for name, seed in (("a", "1"), ("b", "2")):
        shell.run("synth", "demo", "--passes", "8", "--seed", seed, "--out", f"{name}.parquet")
    setting_file(Path("s.json"), "counts", 1200.0, 1100.0)

    def meanwhile(*given: object) -> None:
        table = Path("a.passes.parquet")
        if how == "replaced":
            Path("b.passes.parquet").replace(table)
        elif how == "gone":
            table.unlink()
        else:
            with table.open("ab") as out:
                out.write(b"x")

    # Called once the passes are read, so that what follows would be right but for what lies there now.
    monkeypatch.setattr("teachlab.data.opening.check_tie", meanwhile)
    ran = shell.run(*words, code=2)
    assert "a.passes.parquet: this file was replaced or changed" in " ".join(ran.stderr.split())
    assert "--json" not in words or not ran.stdout
    assert not Path("taught.json").exists()


def test_a_name_whose_passes_have_no_room_is_refused_before_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    fits = "x" * (255 - len(".passes.parquet")) + ".parquet"
    shell.run("synth", "demo", "--passes", "4", "--out", fits)
    before = sorted(tmp_path.iterdir())
    assert len(before) == 3
    monkeypatch.setattr("teachlab.synthetic.files.plan", None)
    refused = shell.run("synth", "demo", "--passes", "4", "--out", "x" + fits, code=2)
    assert "takes 256 bytes; a file system keeps at most 255" in " ".join(refused.stderr.split())
    assert sorted(tmp_path.iterdir()) == before
