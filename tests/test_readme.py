"""The README tells the truth: its commands and its code run as they stand there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import shell

from teachlab.data.shipped import datasets_root

ROOT = Path(__file__).resolve().parent.parent
README, GUIDE = ((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))
BLOCKS = re.findall(r"```(sh|python)\n(.*?)```", README, re.S)
MOST_WORDS = 900


def commands(kind: str) -> list[str]:
    return [line for language, text in BLOCKS if language == kind for line in text.splitlines() if line]


def test_first_paragraph_states_the_job_and_two_commands_follow() -> None:
    first = README.split("\n\n")[1]
    assert first.startswith("A light sensor on a line")
    lines = commands("sh")
    assert lines[0] == "python3 -m venv .venv && .venv/bin/pip install -q . && .venv/bin/teachlab demo"
    assert lines[1] == "python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/python -m pytest -q"
    assert lines[1] in (ROOT / ".ci/run").read_text()


def test_the_walk_through_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "datasets").symlink_to(datasets_root())
    walk = [line for line in commands("sh") if line.startswith("teachlab ")]
    assert [shlex.split(line)[1] for line in walk] == ["import", "inspect", "bench", "replay", "report"]
    for line in walk:
        shell.run(*shlex.split(line)[1:])
    made = {p.name for p in tmp_path.iterdir()}
    assert {"tubs.parquet", "tubs.passes.parquet", "edges.csv", "results", "record"} <= made
    assert {p.name for p in (tmp_path / "results").iterdir()} == {
        "draws.parquet", "bench.json", "tubs.svg", "tubs.setting.json",
    }  # fmt: skip


def test_the_python_example_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "datasets").symlink_to(datasets_root())
    text = next(text for language, text in BLOCKS if language == "python" and "evaluate" in text)
    exec(compile(text, "README.md", "exec"), {})
    assert "trials=" in capsys.readouterr().out


def test_the_strategy_of_twenty_lines_conforms(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = next(text for text in re.findall(r"```python\n(.*?)```", GUIDE, re.S) if "ThirdOfTheWay" in text)
    (tmp_path / "mine.py").write_text(text)
    shell.run("conform", "./mine.py:ThirdOfTheWay")


def test_cautions_are_in_readme_and_help() -> None:
    assert "Not a safety device" in README
    help_text = re.sub(r"\s+", " ", shell.invoke("--help").output)
    assert "Not a safety device" in help_text
    assert "local codes" in help_text


def test_links_of_the_documents_lead_somewhere() -> None:
    for document in ("README.md", "DEVELOPERS.md"):
        for target in re.findall(r"\]\(([^)#]+)\)", (ROOT / document).read_text(encoding="utf-8")):
            assert (ROOT / target).exists(), f"{document}: {target}"


def test_exit_codes_are_those_of_the_commands() -> None:
    told = dict(re.findall(r"(\d): (done|a\s+criterion is not met|wrong input|not enough evidence)", README))
    for code, asked in {
        "0": "plan --max-rate 0.05", "1": "plan --max-rate 0.05 --seen 100 --lost 30", "2": "inspect gone.parquet",
        "3": "plan --max-rate 0.05 --seen 10",
    }.items():  # fmt: skip
        assert shell.invoke(*asked.split()).exit_code == int(code), asked
        assert told.pop(code)
    assert not told


def test_the_page_is_short() -> None:
    assert len(README.split()) <= MOST_WORDS


def test_every_command_of_the_table_is_one() -> None:
    from teachlab.cli.commands import COMMANDS

    rows = re.findall(r"^\| .*? \| `teachlab ([a-z]+)", README, re.M)
    assert len(rows) > 15
    assert set(rows) <= set(COMMANDS)
