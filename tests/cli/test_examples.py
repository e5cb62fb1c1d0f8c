"""Every command shows an example in its help, and all examples run as they stand there, one after the other."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import shell

from teachlab.cli import command_of, commands
from teachlab.cli.commands import COMMANDS
from teachlab.data.shipped import datasets_root

EXAMPLES = [line for listed in COMMANDS.values() for line in listed.examples]


def names() -> list[str]:
    found = []
    for name in COMMANDS:
        inner = getattr(command_of(name), "commands", None)
        found += [name] if inner is None else [f"{name} {one}" for one in inner]
    return found


def flowing(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("name", names())
def test_help_ends_with_its_examples(name: str) -> None:
    done = shell.run(*name.split(), "--help", env={"COLUMNS": "100", "TERMINAL_WIDTH": "100"})
    own = [line for line in EXAMPLES if shlex.split(line)[: 1 + len(name.split())] == ["teachlab", *name.split()]]
    assert flowing(done.output).count("Example: ") == len(own) > 0
    for line in own:
        assert f"Example: {line}" in flowing(done.output)


@pytest.mark.parametrize("name", ["", *names()])
def test_help_says_in_words_what_an_option_takes(name: str) -> None:
    told = shell.invoke(*name.split(), "--help", env={"COLUMNS": "80", "TERMINAL_WIDTH": "80"}).output
    assert not re.search(r"<(str|int|float|bool|list)|list\[", told)
    assert re.search(r"--help +Show this message", told)


def test_no_choice_is_broken_in_help() -> None:
    told = shell.invoke("import", "--help", env={"COLUMNS": "80", "TERMINAL_WIDTH": "80"}).output
    for word in (" FILE ", " NUMBER ", "retroreflective|", "background-suppressed|", "self-labelled|", " rise|dip "):
        assert word in told


@pytest.mark.parametrize("name", COMMANDS)
def test_the_table_says_of_a_command_what_its_module_says(name: str) -> None:
    command = command_of(name)
    assert COMMANDS[name].line == (command.help or "").split("\n\n")[0]
    assert command.name == name


def test_every_module_with_a_command_is_in_the_table() -> None:
    here = Path(commands.__file__).parent
    made = {
        file.stem for file in here.glob("*.py") if re.search(r"^(def )?\w+_command( = \{|\()", file.read_text(), re.M)
    }
    assert made == {listed.module for listed in COMMANDS.values()}


def test_help_groups_the_commands_by_the_path() -> None:
    told = shell.invoke("--help", env={"COLUMNS": "100", "TERMINAL_WIDTH": "100"}).output
    where = [told.index(f"─ {part} ─") for part in ("Bring light in", "Teach and try", "Ask", "Prove")]
    assert where == sorted(where)
    for name, listed in COMMANDS.items():
        row = told.index(f"│ {name} ")
        assert told.rindex(f"─ {listed.part} ─", 0, row) == max(w for w in where if w < row)
    assert max(map(len, told.splitlines())) <= 100


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("benhc", "there is no command 'benhc'. Did you mean 'bench'? See: teachlab --help"),
        ("bench", "bench needs recordings (FILE). See: teachlab bench --help"),
        ("replay r.parquet", "replay needs --setting (FILE). See: teachlab replay --help"),
        ("plan --max-rate", "--max-rate needs a value."),
        ("plan --json=3", "--json takes no value."),
        (
            "plan --max-rat 3",
            "plan has no option --max-rat. Did you mean --max-rate or --true-rate? See: teachlab plan --help",
        ),
        ("--nothing", "teachlab has no option --nothing. See: teachlab --help"),
        ("inspect a b", "too many arguments: b. See: teachlab inspect --help"),
        (
            "surroundings lamp",
            "surroundings lamp needs --evaluation-rate-hz (NUMBER). See: teachlab surroundings lamp --help",
        ),
        ("surroundings lam", "there is no command 'lam'. Did you mean 'lamp'? See: teachlab surroundings --help"),
    ],
)
def test_a_command_line_that_cannot_be_read_is_told_as_other_refusals(words: str, told: str) -> None:
    done = shell.run(*words.split(), code=2, env={"COLUMNS": "60", "TERMINAL_WIDTH": "60"})
    assert done.stdout == ""
    assert done.stderr == f"teachlab: {told}\n"


@pytest.mark.parametrize("words", [[], ["surroundings"]])
def test_without_arguments_help_is_printed(words: list[str]) -> None:
    done = shell.run(*words, code=2)
    assert "Usage:" in done.output
    assert "teachlab:" not in done.stderr


def test_an_example_stands_in_the_row_of_its_command() -> None:
    for name, listed in COMMANDS.items():
        assert {shlex.split(line)[1] for line in listed.examples} == {name}


def test_paragraphs_of_help_flow_with_the_width() -> None:
    wide = shell.invoke("counterfactual", "--help", env={"COLUMNS": "80", "TERMINAL_WIDTH": "80"}).output
    lines = [line.strip() for line in wide.splitlines()]
    begins = next(k for k, line in enumerate(lines) if line.startswith("Margin: half"))
    ends = next(k for k, line in enumerate(lines) if line.endswith("promises nothing."))
    assert min(map(len, lines[begins:ends])) > 60


def test_the_examples_run_one_after_the_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "datasets").symlink_to(datasets_root())
    for line in EXAMPLES:
        words = shlex.split(line)[1:]
        if words[0] == "demo":  # runs elsewhere
            words = ["demo", "--draws", "2"]
        shell.run(*words)
    made = {"jars.parquet", "light.svg", "proposed.csv", "spread.svg", "surface.svg", "speed.svg", "seen.svg", "record"}
    assert made <= {path.name for path in tmp_path.iterdir()}
