"""The public face: every name loads, nothing heavy loads before it is used."""

from __future__ import annotations

import subprocess
import sys

import teachlab

HEAVY = ("scipy", "sklearn", "pandas", "pyarrow", "matplotlib")


def test_every_public_name_loads_and_is_no_module() -> None:
    for name in teachlab.__all__:
        assert type(getattr(teachlab, name)).__name__ != "module", name
    assert teachlab.__all__ == sorted(teachlab.__all__)
    assert {name for name in teachlab.__all__ if name not in teachlab._MODULE_OF} == set()


def test_unknown_names_are_refused() -> None:
    assert not hasattr(teachlab, "treshold")


def test_help_and_import_load_nothing_heavy() -> None:
    script = (
        "import sys, teachlab\n"
        "from teachlab.cli import app\n"
        "try:\n    app(['--help'])\nexcept SystemExit as end:\n    assert not end.code\n"
        f"print('loaded:', sorted(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert "bench" in done.stdout
    assert done.stderr.strip() == "loaded: []"
