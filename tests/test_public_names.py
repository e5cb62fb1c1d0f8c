"""The public face: every name loads, nothing heavy loads before it is used."""

from __future__ import annotations

import subprocess
import sys

import teachlab
from teachlab.cli.commands import COMMANDS

HEAVY = ("numpy", "scipy", "sklearn", "pandas", "pyarrow", "matplotlib", "pydantic", "jinja2", "joblib")


def test_every_public_name_loads_and_is_no_module() -> None:
    for name in teachlab.__all__:
        assert type(getattr(teachlab, name)).__name__ != "module", name
    assert teachlab.__all__ == sorted(teachlab.__all__)
    assert {name for name in teachlab.__all__ if name not in teachlab._MODULE_OF} == set()


def test_unknown_names_are_refused() -> None:
    assert not hasattr(teachlab, "treshold")


def test_help_loads_nothing_heavy_and_no_command() -> None:
    words = [sys.executable, "-X", "importtime", "-m", "teachlab", "--help"]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert "bench" in done.stdout
    loaded = {line.rpartition("|")[2].strip() for line in done.stderr.splitlines() if line.startswith("import time:")}
    assert "typer" in loaded
    assert not {name.partition(".")[0] for name in loaded} & set(HEAVY)
    commands = {f"teachlab.cli.{listed.module}" for listed in COMMANDS.values()}
    assert not loaded & (commands | {"teachlab.cli.frame", "teachlab.cli.console", "teachlab.verbs"})
    ours = {name for name in loaded if name.startswith("teachlab")}
    assert len(ours) < 10, ours
