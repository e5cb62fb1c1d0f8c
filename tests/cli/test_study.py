"""The command `study`: a file or words, the verdict first, what it would do, and refusals before any work."""

from __future__ import annotations

import json
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
import shell

import teachlab
from teachlab.data.setting_files import write_setting
from teachlab.model.setting import Setting
from tests.studies.family.made_lines import content, write_line

STUDY = """
recordings = "rec/*.parquet"
draws = 4
seeds = [2]
[strategies.quantile-guard]
position = [0.3, 0.6]
[strategies.single-sample]
[bases.slow]
on_delay_ms = 3.0
[conditions.dim]
gain = 0.8
[[recording]]
path = "wet/line.parquet"
sensor = "B"
shift = "late"
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for seed in range(3):
        write_line(Path(f"rec/l{seed}.parquet"), seed)
    write_line(Path("wet/line.parquet"), 9)
    Path("study.toml").write_text(STUDY)
    return tmp_path


def test_a_file_says_what_words_and_python_say(place: Path) -> None:
    shell.run("study", "study.toml", "--out", "by-file", "--jobs", "1")
    rows = pd.read_parquet("by-file/rows")
    assert len(rows) == 4 * 3 * 2
    assert set(rows.sensor.dropna()) == {"B"}
    assert set(rows.base) == {"slow"}
    assert json.loads(rows.setting.iloc[0])["on_delay_ms"] == 3.0
    lines = [*(f"rec/l{k}.parquet" for k in range(3)), {"path": "wet/line.parquet", "sensor": "B", "shift": "late"}]
    teachlab.study(
        lines, {"quantile-guard": {"position": [0.3, 0.6]}, "single-sample": {}}, draws=4, seeds=[2],
        bases={"slow": {"on_delay_ms": 3.0}}, conditions={"dim": {"gain": 0.8}}, out="by-python",
    )  # fmt: skip
    assert content(Path("by-file")) == content(Path("by-python"))
    shell.run("study", "study.toml", "--draws", "2", "--out", "by-file", "--jobs", "1")
    assert set(pd.read_parquet("by-file/rows").draws) == {2}


def test_the_verdict_comes_first_and_details_below(place: Path) -> None:
    words = [
        "rec",
        "wet",
        "--strategy",
        "quantile-guard",
        "--grid",
        "position=0.2:0.6:3",
        "--draws",
        "3",
        "--jobs",
        "1",
    ]
    short = shell.run("study", *words).stdout.splitlines()
    assert len(short) <= 12
    assert short[0].startswith("Cannot be decided: quantile-guard (position 0.4)")
    assert all(len(line) <= 100 for line in short if not line.startswith("Next: "))
    assert any("4 recordings are too few to speak of others" in line for line in short)
    whole = shell.run("study", *words, "--details").stdout
    for told in ("best there", "What each parameter does", "rec/l0.parquet"[4:6]):
        assert told in whole
    assert max(map(len, whole.splitlines())) <= 100


def test_a_dry_run_tells_what_is_left_and_does_nothing(place: Path) -> None:
    words = ["rec", "--strategy", "single-sample", "--draws", "3", "--jobs", "1", "--out", "out"]
    told = shell.run("study", *words, "--dry-run").stdout
    assert "3 of 3 recordings and 3 of 3 rows are to be worked" in told
    assert "Time: about" in told
    assert "Memory: about" in told
    assert not Path("out").exists()
    shell.run("study", "rec/l0.parquet", *words[1:])
    ahead = shell.document("study", *words, "--dry-run")
    assert (ahead["recordings_left"], ahead["rows_left"], ahead["rows"]) == (2, 2, 3)
    shell.run("study", *words)
    assert "0 of 3 recordings and 0 of 3 rows" in shell.run("study", *words, "--dry-run").stdout


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["none/*.parquet"], "no recording is found"),
        (["rec", "--grid", "position=0.5"], "--grid takes STRATEGY.PARAMETER"),
        (["rec", "--strategy", "quantile-guard", "--grid", "position=1:0"], "LOW:HIGH:COUNT"),
        (["rec", "--strategy", "quantile-guard", "--grid", "position=7"], "position"),
        (["rec", "--strategy", "quantile-guard", "--condition", "dim"], "NAME=GAIN"),
        (["rec", "--strategy", "quantile-guard", "--draws", "0"], "--draws"),
        (["rec", "--strategy", "quantile-guard", "--out", "rec/l0.parquet"], "is a file"),
        (["bad.toml"], "not valid TOML"),
        (["unknown.toml"], "drawz"),
        (["code.toml"], "no file of data has one run"),
        (["grid.toml"], "grid.toml: strategy 'quantile-guard': parameter 'position'"),
        (["base.toml"], "base.toml: base 'slow': key 'delay' is unknown"),
        (["light.toml"], "key 'conditions.dim.gane' is unknown."),
    ],
)
def test_what_cannot_be_is_refused_before_any_work(place: Path, words: list[str], says: str) -> None:
    Path("bad.toml").write_text("recordings = [")
    Path("unknown.toml").write_text('recordings = "rec"\ndrawz = 3\n')
    Path("code.toml").write_text('recordings = "rec"\n[strategies."./mine.py:Mine"]\n')
    Path("grid.toml").write_text('recordings = "rec"\n[strategies.quantile-guard]\nposition = [0.3, 7]\n')
    Path("base.toml").write_text('recordings = "rec"\n[bases.slow]\ndelay = 3\n')
    Path("light.toml").write_text('recordings = "rec"\n[conditions.dim]\ngane = 0.5\n')
    done = shell.run("study", *words, code=2)
    assert says in done.output
    assert "Traceback" not in done.output
    assert not Path("out").exists()


def test_criteria_are_judged_over_recordings_each_of_them_one_trial(place: Path) -> None:
    for seed in range(3, 7):
        write_line(Path(f"rec/l{seed}.parquet"), seed)
    words = ["rec", "--strategy", "quantile-guard", "--draws", "2", "--jobs", "1"]
    # Seven recordings without a loss: 1 - 0.05^(1/7) = 0.348.
    for limit, code, says in ((0.35, 0, "met"), (0.34, 3, "not enough evidence")):
        Path("c.toml").write_text(f"[[criterion]]\nmeasure = 'lost_rate'\nmax = {limit}\n")
        done = shell.run("study", *words, "--criteria", "c.toml", code=code)
        assert f"\nlost_rate, at most {100 * limit:g} % at 95 % confidence: {says}" in done.stdout
        assert shell.document("study", *words, "--criteria", "c.toml", code=code)["criteria"][0]["verdict"] == says
    Path("c.toml").write_text("[[criterion]]\nmeasure = 'lost_rate'\nmax = 0.5\n")
    shell.run("study", "rec/l0.parquet", *words[1:], "--criteria", "c.toml", code=3)
    for seed in range(7):
        write_line(Path(f"rec/l{seed}.parquet"), seed, weak=0.9)
    worse = ["rec", "--strategy", "background-referenced", "--grid", "share=3.0", "--draws", "2", "--jobs", "1"]
    # The verdict comes first, the criteria after it.
    said = shell.run("study", *worse, "--criteria", "c.toml", code=1).stdout
    assert said.index("Claim:") < said.index("lost_rate, at most 50 %")
    Path("c.toml").write_text("[[criterion]]\nmeasure = 'margin_to_noise'\nmin = 3\n")
    assert "a study judges lost_rate" in shell.run("study", *words, "--criteria", "c.toml", code=2).output


def test_a_bench_of_all_files_of_a_folder_passes_over_the_passes(place: Path) -> None:
    every = sorted(str(p) for p in Path("rec").iterdir())
    assert any(name.endswith(".passes.parquet") for name in every)
    words = ["bench", *every, "--strategy", "single-sample", "--draws", "2", "--jobs", "1", "--json"]
    done = shell.run(*words)
    assert [one["recording"] for one in json.loads(done.stdout)["recordings"]] == ["l0", "l1", "l2"]


def test_the_page_holds_every_line_and_runs_no_script(place: Path) -> None:
    Path("rec/l0.parquet").rename("rec/<b>l0.parquet")
    Path("rec/l0.passes.parquet").rename("rec/<b>l0.passes.parquet")
    shell.run(
        "study", "rec", "--strategy", "quantile-guard", "--grid", "position=0.3,0.5", "--draws", "2", "--out", "out",
        "--jobs", "1",
    )  # fmt: skip
    page = Path("out/study.html").read_text()
    assert "&lt;b&gt;l0" in page
    assert "<b>l0" not in page
    assert "<script" not in page
    assert page.count("<svg") == 1
    assert "Not a safety device" in page


def test_the_next_step_names_a_strategy_of_a_file_by_its_file(place: Path) -> None:
    code = Path(__file__).parents[1].joinpath("testing", "bad_strategies.py").read_text()
    Path("mine.py").write_text(code)
    told = shell.run("study", "rec/l0.parquet", "--strategy", "./mine.py:Sound", "--draws", "4", "--jobs", "1").output
    step = next(one for one in told.splitlines() if "teachlab bench" in one).partition("teachlab ")[2]
    assert "--strategy ./mine.py:Sound " in step
    shell.run(*step.split())


def test_recordings_that_could_not_be_studied_are_named_at_once(place: Path) -> None:
    words = ("--strategy", "single-sample", "--grid", "reduction=0.95", "--draws", "3", "--jobs", "1")
    cut = [f"cut{k}.parquet" for k in range(4)]
    for name in cut:
        Path(name).write_bytes(b"PAR1")
    told = " ".join(shell.run("study", "rec", *cut, *words).stdout.split())
    # Errors on the others do not push it from the screen.
    assert "Limit: 4 of 7 recordings could not be studied: cut0.parquet: not a readable Parquet file" in told
    assert "Also: cut1, cut2 and 1 more." in told
    assert "recordings it makes more than 5 errors in 100 passes" in told
    assert told.count("could not be studied:") == 1
    alone = " ".join(shell.run("study", *cut[:2], *words).output.split())
    assert "cut0.parquet: not a readable Parquet file" in alone


def test_a_name_of_no_file_is_refused_before_any_work(place: Path) -> None:
    said = "rec/l7.parquet: there is no such file. Give the path of a recording."
    assert said in " ".join(
        shell.run("study", "rec/l0.parquet", "rec/l7.parquet", "--out", "out", code=2).stderr.split()
    )
    Path("study.toml").write_text(STUDY.replace("wet/line", "rec/l7"))
    assert said in " ".join(shell.run("study", "study.toml", "--out", "out", code=2).stderr.split())
    assert not Path("out").exists()


def test_an_interrupted_study_of_several_processes_says_so_in_one_line(place: Path) -> None:
    words = [sys.executable, "-m", "teachlab", "study", "rec", "--jobs", "2", "--out", "out", "--draws", "3"]
    values = ",".join(str(k / 1000) for k in range(1, 400))
    words += ["--strategy", "single-sample", "--grid", f"reduction={values}"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as child:
        while not list(Path("out").rglob("rows.parquet")):
            assert child.poll() is None
            time.sleep(0.02)
        child.send_signal(signal.SIGINT)
        told = child.communicate(timeout=60)[1].splitlines()
    said = [one for one in told if not one.startswith("studying: ")]
    assert (child.returncode, said) == (130, ["teachlab: interrupted; nothing half-written is left behind."])


def test_a_study_says_what_would_make_it_faster(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    words = ["rec", "--draws", "2", "--strategy", "sweep-minmax", "--jobs", "1"]
    said = "The extra 'fast' finds the best fixed pair about three times as fast: pip install 'teachlab[fast]'\n"
    for name in ("SURE_S", "LONG_S"):
        monkeypatch.setattr(f"teachlab.cli.console.{name}", 0.0)
    monkeypatch.setattr("teachlab.cli.console.find_spec", lambda name: None)
    assert said not in shell.run("study", *words).stderr
    monkeypatch.setattr("teachlab.cli.console.FAST_FROM", 0)
    assert shell.run("study", *words).stderr.count(said) == 1
    assert said not in shell.run("study", *words, "--json").stderr
    # With a delay there is no counting of all pairs that could be compiled.
    slow = Setting(unit="counts", on_level=1.0, off_level=0.0, on_delay_ms=3.0)
    write_setting("slow.json", slow)
    assert said not in shell.run("study", *words, "--base", "slow.json").stderr
    monkeypatch.setattr("teachlab.cli.console.find_spec", lambda name: name)
    assert said not in shell.run("study", *words).stderr


def test_what_failed_is_told_and_the_command_that_tries_it_again_works_as_printed(place: Path) -> None:
    # By its whole name: the worker process may be one that began in another folder.
    code = f"""
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar
from teachlab.model.setting import Taught
from teachlab.model.teaching import Shown

@dataclass(frozen=True, slots=True, kw_only=True)
class Mine:
    name: ClassVar[str] = "mine"
    needs: ClassVar[frozenset] = frozenset({{Shown.OBJECT}})

    def teach(self, view):
        if Path({str(Path("lacks").absolute())!r}).exists():
            raise MemoryError
        return view.place(0.5 * view.object.mean, 0.0, Taught(strategy=self.name, parameters={{}}))
"""
    Path("mine.py").write_text(code)
    Path("lacks").touch()
    words = ["rec", "--strategy", "./mine.py:Mine", "--draws", "2", "--out", "an out", "--jobs", "1"]
    done = shell.run("study", *words)
    assert done.stdout.splitlines() == [
        "Cannot be decided.",
        "Why: mine fails on 3 of 3 recordings: strategy 'mine' failed: MemoryError.",
        "Why: No strategy teaches in half of the draws.",
        "Next: Mend what failed, as the reason above says, and run this again.",
    ]
    again = shlex.split(done.stderr.splitlines()[-1])
    assert again == ["teachlab", "study", *words, "--retry"]
    Path("lacks").unlink()
    assert "mine fails" in shell.run("study", *words).stdout
    assert "3 of 3 rows are to be worked" in shell.run("study", *again[2:], "--dry-run").stdout
    told = shell.run("study", *again[2:])
    assert "mine fails" not in told.stdout
    assert "--retry" not in told.stderr


def test_a_study_that_can_only_be_read_is_told(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    words = ["rec", "--strategy", "single-sample", "--draws", "2", "--jobs", "1", "--out", "out"]
    first = shell.run("study", *words)
    monkeypatch.setattr("os.access", lambda place, mode, **more: False)
    again = shell.run("study", *words)
    assert again.stdout == first.stdout
    said = "Nothing was written: out can only be read. The answer is that of the rows that are kept there."
    assert said in again.stderr
    assert said in shell.run("study", *words, "--json").stderr
    assert "Written to" not in again.stderr
    refused = shell.run("study", *words, "--seed", "1", code=2).stderr
    assert "cannot write to 'out', and 3 of 3 recordings are not complete there" in refused
    assert "Permission denied" in shell.run("study", *words[:-1], "new", code=2).stderr
