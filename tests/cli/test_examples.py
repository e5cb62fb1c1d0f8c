"""Every command shows an example in its help, and all examples run as they stand there, one after the other."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from teachlab.cli import app
from teachlab.cli.examples import EXAMPLES
from teachlab.data.shipped import datasets_root


def names(of: typer.Typer, prefix: str = "") -> list[str]:
    found = [f"{prefix}{command.name}" for command in of.registered_commands]
    for group in of.registered_groups:
        assert group.typer_instance is not None
        found += names(group.typer_instance, f"{prefix}{group.name} ")
    return found


def flowing(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("name", names(app))
def test_help_ends_with_its_examples(name: str) -> None:
    done = CliRunner().invoke(app, [*name.split(), "--help"], env={"COLUMNS": "100", "TERMINAL_WIDTH": "100"})
    assert done.exit_code == 0
    for line in EXAMPLES[name]:
        assert shlex.split(line)[: 1 + len(name.split())] == ["teachlab", *name.split()]
        assert f"Example: {line}" in flowing(done.output)


def test_no_example_is_of_no_command() -> None:
    assert sorted(EXAMPLES) == sorted(names(app))


def test_paragraphs_of_help_flow_with_the_width() -> None:
    wide = CliRunner().invoke(app, ["counterfactual", "--help"], env={"COLUMNS": "80", "TERMINAL_WIDTH": "80"}).output
    lines = [line.strip() for line in wide.splitlines()]
    begins = next(k for k, line in enumerate(lines) if line.startswith("Margin: half"))
    ends = next(k for k, line in enumerate(lines) if line.endswith("promises nothing."))
    assert min(map(len, lines[begins:ends])) > 60


def test_the_examples_run_one_after_the_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "datasets").symlink_to(datasets_root())
    for name, lines in EXAMPLES.items():
        for line in lines:
            words = shlex.split(line)[1:]
            if name == "demo":  # runs elsewhere
                words = ["demo", "--draws", "2"]
            done = CliRunner().invoke(app, words)
            assert done.exit_code == 0, f"{line}\n{done.output}"
    made = {"jars.parquet", "light.svg", "proposed.csv", "spread.svg", "surface.svg", "speed.svg", "seen.svg", "record"}
    assert made <= {path.name for path in tmp_path.iterdir()}
