"""Runs the commands of the guide's pages, in order, and puts what they print and draw into the pages.

``python tests/guide.py`` renews the shipped pages: read the difference before it is committed.
"""

from __future__ import annotations

import contextlib
import io
import math
import os
import re
import runpy
import shlex
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

from typer.testing import CliRunner

from teachlab.cli import app
from teachlab.data.shipped import datasets_root
from teachlab.guide import FOLDER, ORDER

BLOCK = re.compile(r"^```(console|(?:python|toml) \S+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
FOLLOWS = " \\"
"""Ends a line of a command that the next line goes on with."""


def renewed_pages() -> Iterator[tuple[str, str, Path]]:
    """Yield each page's name, its text as its commands now make it, and the folder in which its figures lie."""
    before, columns = Path.cwd(), os.environ.get("COLUMNS")
    with tempfile.TemporaryDirectory() as made:
        os.environ["COLUMNS"] = "100"
        os.chdir(made)
        try:
            Path("datasets").symlink_to(datasets_root())
            for name in ORDER:
                text = (FOLDER / "pages" / f"{name}.md").read_text(encoding="utf-8")
                yield name, BLOCK.sub(_renewed, text), Path(made)
        finally:
            os.chdir(before)
            os.environ.pop("COLUMNS") if columns is None else os.environ.update(COLUMNS=columns)


def _renewed(block: re.Match[str]) -> str:
    kind, body = block.groups()
    if kind != "console":
        Path(kind.split()[1]).write_text(body, encoding="utf-8")
        return block[0]
    return f"```{kind}\n" + "".join(f"$ {line}\n{printed(line)}" for line in commands(body)) + "```"


def commands(body: str) -> list[str]:
    """Return the commands of a block, each with the line breaks that it was typed with."""
    found: list[str] = []
    going_on = False
    for line in body.splitlines():
        if line.startswith("$ "):
            found.append(line[2:])
        elif going_on:
            found[-1] += "\n" + line
        going_on = (line.startswith("$ ") or going_on) and line.endswith(FOLLOWS)
    return found


def printed(line: str) -> str:
    """Run one command and return what it prints on both streams."""
    words = shlex.split(line.replace("\\\n", " "))
    if words[0] == "teachlab":
        # What a slow machine would add, of time left and of what takes long, is no part of a page.
        with patch.multiple("teachlab.cli.console", FIRST_WORD_S=math.inf, LONG_S=math.inf):
            done = CliRunner().invoke(app, words[1:])
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        text, code = done.output, done.exit_code
    elif words[0] == "python":
        caught = io.StringIO()
        with contextlib.redirect_stdout(caught):
            runpy.run_path(words[1], run_name="__main__")
        text, code = caught.getvalue(), 0
    else:
        raise ValueError(f"a page may run teachlab and python alone: {line}")
    text = "".join(f"{one.rstrip()}\n" for one in text.splitlines())
    return text + (f"(exit code {code})\n" if code else "")


def renew() -> None:
    """Write pages and figures as their commands now make them."""
    from teachlab.guide import guide_page

    for name, text, folder in renewed_pages():
        (FOLDER / "pages" / f"{name}.md").write_text(text, encoding="utf-8")
        for figure in guide_page(name).figures:
            shutil.copyfile(folder / figure, FOLDER / "figures" / figure)


if __name__ == "__main__":
    renew()
