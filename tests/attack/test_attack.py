"""A short sitting of the attack on every command, and kills at random moments: a few seconds each."""

import importlib
import os
import sys
from pathlib import Path
from types import ModuleType

import pytest

from teachlab.cli import command_of
from teachlab.cli.commands import COMMANDS

FOLDER = Path(__file__).parents[2] / "benchmarks"

pytestmark = [
    pytest.mark.skipif(not (FOLDER / "attack.py").is_file(), reason="the benchmarks are not beside the tests"),
    pytest.mark.skipif(os.name != "posix", reason="alarms and forks of POSIX"),
]


@pytest.fixture
def script(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(FOLDER)
    monkeypatch.delitem(sys.modules, request.param, raising=False)
    return importlib.import_module(request.param)


@pytest.mark.parametrize("script", ["attack"], indirect=True)
def test_a_short_sitting_finds_nothing_and_comes_past_parsing(script: ModuleType) -> None:
    lines = len(script.all_lines())
    tally = script.sitting(20, seconds=600, runs=lines + 20)  # ended by the runs, not by a busy machine
    assert [(finding.what, finding.words, finding.more) for finding in tally.findings] == []
    looked, deep = sum(tally.looked.values()), sum(tally.deep.values())
    assert set(tally.runs) == set(COMMANDS)
    assert {words[1] for words in script.all_lines() if words[0] == "surroundings"} == set(
        command_of("surroundings").commands
    )
    assert deep >= looked / 2


@pytest.mark.parametrize("script", ["attack"], indirect=True)
def test_the_attack_sees_what_is_planted(script: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """An attack that finds nothing must have been able to find something."""
    import teachlab.model.memory as memory

    def broken(*given: object, **more: object) -> object:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(memory, "need_memory", broken)
    line = "surface a.parquet --levels 5:50:4 --strategy single-sample --draws 3"
    monkeypatch.setattr(script, "all_lines", lambda: [line.split()])
    monkeypatch.setattr(script, "make_files", lambda folder: (folder / "a.parquet").write_bytes(b"PAR1"))
    tally = script.sitting(1, seconds=30, runs=3)
    assert any("ZeroDivisionError: planted" in finding.what for finding in tally.findings)


@pytest.mark.parametrize("script", ["kills"], indirect=True)
def test_kills_leave_the_old_result_or_the_new_one(script: ModuleType) -> None:
    seen, wrong = script.kills(4, 7, commands=("synth", "import", "teach", "label"))
    assert wrong == []
    assert seen.total() == 4
