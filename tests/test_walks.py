"""Three people walk their way: what each types, and how every screen begins.

An engineer with a log and thirty minutes, a quality engineer with a signature to give, a developer with an idea. Where
a walk meets a screen that does not begin with what to do, the screen is wrong, not the walk.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import shell

from teachlab.data.shipped import datasets_root

LOG = "datasets/tubs_log.csv --column light --unit counts --full-scale 4095 --time time_s --truth-column product"
SETTING = "results/tubs.setting.json"
ENGINEER = f"""
import {LOG} --out tubs.parquet
    tubs.parquet: 33,598 samples at 1000 Hz
inspect tubs.parquet
    A fixed level can work here.
align tubs.parquet
    Passes and light agree:
bench tubs.parquet --draws 50 --out results
    Cannot be decided: guard-or-window, fixed levels,
replay tubs.parquet --setting {SETTING}
    Cannot be decided: {SETTING}, fixed levels,
stress tubs.parquet --setting {SETTING}
    Cannot be decided: {SETTING}, fixed levels,
timing tubs.parquet --setting {SETTING} --scan-ms 10
    Fast enough: from product to controller.
explore tubs.parquet --setting {SETTING} --out page.html
    Open page.html in a browser.
plan --max-rate 0.05
    Record: 59 lots.
"""
QUALITY = """
plan --max-rate 0.01
    Record: 299 lots.
inspect demo_tubs.parquet
    A fixed level can work here.
bench demo_tubs.parquet --draws 50 --out results
    Rehearsal on synthetic light, no evidence about a real line.
report demo_tubs.parquet --setting results/demo_tubs.setting.json --criteria accept.toml --out record
    Criteria: not enough evidence.
report demo_tubs.parquet --setting results/demo_tubs.setting.json --out record --criteria accept.toml --rehearsal
    Rehearsal on synthetic light, no evidence about a real line. Use:
verify record/result.json --setting results/demo_tubs.setting.json
    Verified: everything was computed again and is the same. This does not release the setting.
report demo_tubs.parquet --setting results/demo_tubs.setting.json --draws 0 --out again --bundle record.zip
    Rehearsal on synthetic light, no evidence about a real line.
verify record.zip
    Verified: everything was computed again and is the same. This does not release the setting.
stale demo_tubs.parquet --setting results/demo_tubs.setting.json
    Rehearsal on synthetic light, no evidence about a real line. Keep: the setting in use
"""
DEVELOPER = """
strategies two-sample-midpoint
    two-sample-midpoint  [built-in]
conform ./mine.py:ThirdOfTheWay
    third-of-the-way
bench datasets/demo_tubs.parquet --strategy ./mine.py:ThirdOfTheWay --strategy two-sample-midpoint --draws 20 --out own
    Rehearsal on synthetic light, no evidence about a real line.
repeatability datasets/demo_tubs.parquet --strategy ./mine.py:ThirdOfTheWay --draws 30
    Repeatable: another teaching gives as good a setting, on 279
surface datasets/demo_tubs.parquet --strategy ./mine.py:ThirdOfTheWay
    A fixed level can work here:
"""
CRITERIA = 'schema = 1\n[[criterion]]\nmeasure = "lost_rate"\nmax = 0.5\n'
EXITS = {"report": (0, 3), "stale": (0, 1, 3)}
"""Beside 0: criteria not met or not decided, a setting that has gone stale."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "datasets").symlink_to(datasets_root())
    for name in ("demo_tubs.parquet", "demo_tubs.passes.parquet"):
        (tmp_path / name).symlink_to(datasets_root() / name)
    guide = (Path(__file__).resolve().parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    own = next(text for text in re.findall(r"```python\n(.*?)```", guide, re.S) if "ThirdOfTheWay" in text)
    (tmp_path / "mine.py").write_text(own)
    (tmp_path / "accept.toml").write_text(CRITERIA)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path


@pytest.mark.parametrize("walk", [ENGINEER, QUALITY, DEVELOPER], ids=["engineer", "quality", "developer"])
def test_every_screen_of_the_walk_begins_with_the_answer(walk: str, folder: Path) -> None:
    lines = walk.strip().splitlines()
    told = []
    for typed, first in zip(lines[::2], lines[1::2], strict=True):
        words = shlex.split(typed)
        done = shell.invoke(*words)
        assert done.exit_code in EXITS.get(words[0], (0,)), f"{typed}\n{done.output}"
        begins = done.stdout.splitlines()[0]
        if not begins.startswith(first.strip()):
            told.append(f"{typed}\n    {begins}")
        if words[0] == "report" and "--criteria" in words:
            assert f"Next: teachlab {lines[lines.index(typed) + 2]}" in done.stdout, "the printed step is the next one"
    assert not told, "\n".join(told)


def test_the_command_alone_says_where_to_begin() -> None:
    told = " ".join(shell.invoke().output.split())
    assert "Begin with: teachlab demo. A page for each question: teachlab guide." in told.replace(" │ ", " ")
