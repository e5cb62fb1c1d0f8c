"""The next step of every verdict works as printed."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
import shell

from teachlab.data.recording_files import write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.model.following_and_window import Follow, FollowingSetting, WindowSetting
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth

LINE, FEW, BOTH, SLOPE = "corks.parquet", "few.parquet", "both.parquet", "slope.parquet"
ASKED = (
    f"compare {LINE} --setting a.json --setting 'b c.json'",
    f"compare {LINE} --setting a.json --with {LINE}",
    f"repeatability {LINE} --strategy two-sample-midpoint --draws 5",
    f"timing {LINE} --setting a.json",
    f"timing {LINE}",
    "timing --speed-mm-s 500 --length-mm 30 --gap-mm 30 --evaluation-rate-hz 1000",
    f"stale {LINE} --setting a.json",
    f"stale {LINE} --setting high.json",
    f"teach {LINE} --strategy two-sample-midpoint",
    f"teach {LINE} --strategy two-sample-midpoint --set hysteresis_share=0.2 --seed 3",
    f"teach {LINE} --strategy two-sample-midpoint --out 'kept here.json'",
    f"teach {LINE} --strategy guard-or-window",
    f"design {LINE}",
    f"bench {LINE} --draws 3 --strategy two-sample-midpoint --strategy single-sample",
    f"bench {LINE} --draws 3 --strategy two-threshold --out results",
    f"bench {LINE} --draws 3 --strategy background-follower --out 'my results'",
    *(f"replay {LINE} --setting {name}.json" for name in ("a", "high", "low", "window", "blind", "follows")),
    f"replay {FEW} --setting a.json",
    "replay 'a bare one.parquet' --setting a.json",
    f"replay {BOTH} --setting a.json",
    f"replay {LINE} --truth corks.csv --setting a.json",
    f"stress {LINE} --setting a.json",
    f"stress {LINE} --setting high.json",
    f"surface {LINE} --setting a.json",
    f"inspect {LINE}",
    f"inspect {BOTH}",
    f"report {LINE} --setting a.json --out record",
    f"report {FEW} --setting a.json --out record --draws 0 --no-levels",
    f"teach {LINE} --strategy turning-point-follower --out t.json",
    "plan --max-rate 0.05",
    "plan --max-rate 0.1 --hours",
    "plan --max-rate 0.05 --seen 500",
    "plan --max-rate 0.05 --seen 100 --lost 9",
    "synth demo --passes 30 --out 'a tub ö.parquet'",
    "synth black-trays --passes 10 --out 'a tray ö.csv'",
    "import 'a log ö.csv' --rate 1000 --column light --unit counts --direction rise --out 'a log.parquet'",
    "import 'a log ö.csv' --rate 1000 --column light --unit counts --truth-column seen --out 'of a log.parquet'",
)


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """60 corks in 6 lots on a belt of 100 counts, 12 of them without lots, and corks of which half are darker."""
    folder = tmp_path_factory.mktemp("corks")
    logged = (
        ("slope", 120, 0, 12), ("corks", 60, 0, 6), ("few", 12, 0, 0), ("both", 60, 2, 6), ("more", 50, 0, 0),
        ("more lots", 25, 0, 5), ("ten lots", 50, 0, 10),
    )  # fmt: skip
    for name, passes, dark, lots in logged:
        rng, start = np.random.default_rng(5), 40 + 60 * np.arange(passes)
        light, seen = rng.normal(100, 3, 60 * passes + 100).round(), np.zeros(60 * passes + 100, int)
        for k, a in enumerate(start.tolist()):
            light[a : a + 25] += -80 if dark and k % dark else 400
        if name == "slope":
            light += np.linspace(0, 900, light.size).round()
            seen[a : a + 25] = k + 1
        names = [f"crate {k * lots // passes}" for k in range(passes)] if lots else None
        info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
        write_recording(folder / f"{name}.parquet", Recording.from_array(light.astype(np.int16), info))
        truth = Truth.from_arrays(start, start + 25, lot=names)
        for table in (f"{name}.passes.parquet", f"{name}.csv"):
            write_truth(folder / table, truth)
    shutil.copy(folder / LINE, folder / "a bare one.parquet")
    rows = "".join(f"{x:.0f},{k}\n" for x, k in zip(light, seen, strict=True))
    (folder / "a log ö.csv").write_text(f"light,seen\n{rows}", encoding="utf-8")
    for name, on in (("a", 300.0), ("b c", 250.0), ("high", 700.0), ("low", 103.0)):
        write_setting(folder / f"{name}.json", Setting(unit="counts", on_level=on, off_level=on - 40))
    base = Setting(unit="counts", on_level=300, off_level=260)
    write_setting(folder / "slow.json", Setting(unit="counts", on_level=1, off_level=1, on_delay_ms=3.0))
    levels = {"off_level": 50, "low_release": 60, "high_release": 260}
    write_setting(folder / "window.json", WindowSetting.of(base, on_level=300, **levels))
    write_setting(folder / "blind.json", WindowSetting.of(base, on_level=900, **levels))
    follows = {"low_limit": 0.0, "high_limit": 900.0, "follow": Follow.OFFSET, "time_constant_ms": 500.0, "guard": 0.9}
    write_setting(folder / "follows.json", FollowingSetting.of(base, reference=100.0, **follows))
    return folder


@pytest.fixture
def folder(lines: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of them to work in."""
    shutil.copytree(lines, tmp_path / "here")
    monkeypatch.chdir(tmp_path / "here")
    return tmp_path


def told_step(screen: str) -> str:
    """Return the next step of a screen as one line."""
    lines = screen.partition("Next: ")[2].splitlines()
    after = [k for k, line in enumerate(lines) if k and not re.match(r"  \S", line)]
    return " ".join(map(str.strip, lines[: after[0] if after else None]))


def decides(here: Path, step: str) -> None:
    """Keep the setting, or log the least that was asked for, and run the command of the step: now it is decided."""
    command = step[step.index("teachlab ") :]
    if "NEW.parquet" not in command:
        kept = shell.run(*shlex.split(command)[1:])
        step = told_step(kept.stdout)
        command = step[step.index("teachlab ") :]
    asked = {"with 5 lots of at": "more lots", "with 10 lots of at": "ten lots", "with at least 50 passes": "more"}
    # A setting that is good needs no number of passes, but other ones.
    asked["on another day"] = "more lots"
    (log,) = [name for words, name in asked.items() if words in step]
    for end in (".parquet", ".passes.parquet"):
        shutil.copy(here / f"{log}{end}", here / f"NEW{end}")
    done = shell.run(*shlex.split(command)[1:])
    if command.startswith("teachlab compare "):
        assert "it takes" not in done.stdout
    else:
        assert done.stdout.startswith("Use"), done.stdout


@pytest.mark.parametrize("asked", ASKED)
def test_the_next_step_works_as_printed(folder: Path, asked: str) -> None:
    told = shell.invoke(*shlex.split(asked))
    assert told.stdout.count("Next: ") == 1
    step = told_step(told.stdout)
    assert "--help" not in step
    assert not any(word.isupper() and len(word) > 3 for word in step.split())
    if step.startswith("Log a new recording "):
        decides(folder / "here", step)
    elif step.startswith("teachlab "):
        quick = ["--draws", "3"] if step.split()[1] in {"bench", "report"} else []
        shell.run(*(shlex.split(step)[1:] + quick))
    else:
        assert step.endswith(".")


def test_the_result_is_kept_by_the_same_command_as_printed(folder: Path) -> None:
    asked = f"teach {LINE} --strategy sweep-minmax --set weight=0.4 --seed 4"
    told = shell.invoke(*shlex.split(asked)).stdout
    assert told.splitlines()[-1] == f"Next: teachlab {asked} --out setting.json"
    kept = shell.invoke(*shlex.split(told.splitlines()[-1].removeprefix("Next: teachlab ")))
    assert kept.stdout.splitlines()[0] == told.splitlines()[0]


GIVEN = {
    "--tolerance-ms": "2.5", "--base": "slow.json", "--confidence": "0.9", "--accept-cost": "0.02",
    "--assume": "independent", "--cost-miss": "3.5", "--cost-false": "1.5",
}  # fmt: skip
"""Options that decide, each at another value than usual."""


def offered(command: str) -> set[str]:
    """Return the options of a command by its help."""
    return set(re.findall(r"--[a-z-]+", shell.run(command, "--help").stdout))


@pytest.mark.parametrize(
    "asked",
    [
        f"teach {LINE} --strategy two-sample-midpoint", f"teach {BOTH} --strategy two-sample-midpoint",
        f"design {LINE} --out 'kept here.json'",
        f"bench {LINE} --draws 3 --strategy two-sample-midpoint --strategy single-sample",
        f"bench {LINE} --draws 3 --strategy background-follower --out 'my results'",
        f"bench {BOTH} --draws 3 --strategy two-sample-midpoint",
        f"bench {FEW} --draws 3 --strategy single-sample --out results",
        f"bench {SLOPE} --draws 3 --strategy two-sample-midpoint --strategy single-sample",
        *(f"replay {LINE} --setting {name}.json" for name in ("a", "'b c'", "high", "low", "window", "follows")),
        f"replay {BOTH} --setting a.json", f"replay {SLOPE} --setting a.json", f"replay {FEW} --setting a.json",
        f"replay {LINE} --truth corks.csv --setting high.json",
        f"stress {LINE} --setting a.json", f"stress {LINE} --setting high.json", f"surface {LINE}", f"surface {BOTH}",
        f"inspect {LINE}", f"inspect {BOTH}", f"inspect {SLOPE}",
        f"repeatability {LINE} --strategy two-sample-midpoint --draws 5",
        f"compare {LINE} --setting a.json --setting 'b c.json'", f"stale {LINE} --setting high.json",
        f"counterfactual {LINE} --setting a.json --best", f"counterfactual {LINE}", f"coverage {LINE}",
        f"report {FEW} --setting a.json --out record --draws 0 --no-levels",
        f"report {LINE} --setting high.json --out record --draws 0 --no-levels", f"explore {LINE} --out page.html",
    ],
)  # fmt: skip
def test_the_next_step_keeps_the_options_that_decide(folder: Path, asked: str) -> None:
    command = shlex.split(asked)[0]
    given = {name: value for name, value in GIVEN.items() if name in offered(command)}
    told = shell.invoke(*shlex.split(asked), *(word for pair in given.items() for word in pair)).output
    step = told_step(told.replace("Next, once it is in this folder: ", "Next: "))
    following = shlex.split(step[step.index("teachlab ") :])
    kept = {name: value for name, value in given.items() if name in offered(following[1])}
    assert kept, step
    assert {name: following[following.index(name) + 1] for name in kept if name in following} == kept, step
    # What the page of explore saves, a person saves.
    if step.startswith("teachlab ") and not asked.startswith("explore "):
        quick = ["--draws", "3"] if following[1] in {"bench", "report", "repeatability"} else []
        shell.run(*following[1:], *quick)


@pytest.mark.parametrize(
    "asked",
    [
        "bench --draws 3 --strategy single-sample", "compare --setting a.json --setting high.json",
        "counterfactual --setting a.json", "coverage --cycle belt=1s", "coverage", "inspect",
        "repeatability --draws 3 --strategy single-sample", "replay --setting a.json", "stale --setting a.json",
        "stale --setting high.json", "stress --setting a.json", "surface", "teach --strategy two-sample-midpoint",
        "timing", "timing --setting a.json",
    ],
)  # fmt: skip
def test_passes_that_were_given_are_given_again(folder: Path, asked: str) -> None:
    command, *rest = shlex.split(asked)
    told = shell.invoke(command, LINE, "--truth", "corks.csv", *rest)
    (step,) = [line.removeprefix("Next: ") for line in told.stdout.splitlines() if line.startswith("Next: ")]
    assert LINE not in step or "--truth corks.csv" in step


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("bench flat.parquet --draws 3", "Do the passes belong to this recording? `teachlab align` tells."),
        ("study 'a log.parquet'", "Put one there, or propose passes with: teachlab label 'a log.parquet'."),
        (f"study {LINE} --strategy sweep-minmax --grid weight=7", "in a study with --grid."),
    ],
)
def test_a_message_names_no_option_that_its_command_lacks(folder: Path, asked: str, told: str) -> None:
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
    light = np.random.default_rng(1).normal(100, 3, 3000).round().astype(np.int16)
    for name in ("flat", "a log"):
        write_recording(f"{name}.parquet", Recording.from_array(light, info))
    start = np.arange(100, 2900, 100)
    write_truth("flat.passes.parquet", Truth.from_arrays(start, start + 25))
    done = shell.invoke(*shlex.split(asked))
    assert told in " ".join(done.output.split())
    assert "--setting" not in done.output


@pytest.mark.parametrize(("named", "code"), [("Fixed", 1), ("Silent", 3)])
def test_a_strategy_that_does_not_conform_is_told_how_to_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, named: str, code: int
) -> None:
    monkeypatch.chdir(tmp_path)
    taught = {"Fixed": "return view.place(33.0, 3.0, Taught(strategy=self.name))",
              "Silent": "raise Abstained(reason='not told', measured='nothing', required='a level')"}  # fmt: skip
    Path("my own.py").write_text(
        "from dataclasses import dataclass\nfrom typing import ClassVar\n"
        "from teachlab.errors import Abstained\nfrom teachlab.model.setting import Taught\n"
        "from teachlab.model.teaching import Shown\n"
        f"@dataclass(frozen=True)\nclass {named}:\n    name: ClassVar[str] = 'own'\n"
        "    needs: ClassVar[frozenset] = frozenset({Shown.OBJECT})\n"
        f"    def teach(self, view):\n        {taught[named]}\n"
    )
    told = shell.run("conform", f"./my own.py:{named}", code=code).stdout
    again = f"teachlab conform './my own.py:{named}'"
    assert told_step(told).endswith(f"Then: {again}")
    assert shell.run(*shlex.split(again)[1:], code=code).stdout == told
    if named == "Silent":
        shell.run(*shlex.split(re.search(r"\((teachlab strategies .*?) lists", told_step(told))[1])[1:])
