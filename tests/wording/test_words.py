"""One term a thing, and no riddles: what DEVELOPERS.md says under "Words" holds for all that a user reads."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

import teachlab

ROOT = Path(teachlab.__file__).parent
REPOSITORY = ROOT.parent
SECTION = re.search(r"^## Words\n(.*?)(?=^## )", (REPOSITORY / "DEVELOPERS.md").read_text("utf-8"), re.M | re.S)
ROWS = re.findall(r"^\| ([^|]+) \| ([^|]+) \|$", SECTION[1] if SECTION else "", re.M)
BANNED = [word.strip().strip('"') for _, words in ROWS[1:] for word in words.split(",") if word.strip(' "-')]


@cache
def sentences() -> tuple[tuple[str, str], ...]:
    """Every text of the package that is no docstring, and every page that ships."""
    found = []
    for file in sorted(ROOT.rglob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        silent = {
            id(node.value)
            for node in ast.walk(tree)
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in silent:
                found.append((f"{file.relative_to(REPOSITORY)}:{node.lineno}", node.value))
    pages = [*ROOT.rglob("*.md"), *ROOT.rglob("*.j2"), REPOSITORY / "README.md", ROOT / "page/script/page.html"]
    for file in sorted(pages):
        for number, line in enumerate(file.read_text(encoding="utf-8").splitlines(), 1):
            found.append((f"{file.relative_to(REPOSITORY)}:{number}", line))
    return tuple(found)


def test_the_list_bans_something() -> None:
    assert len(BANNED) > 15


@pytest.mark.parametrize("word", BANNED)
def test_no_sentence_uses_what_the_list_bans(word: str) -> None:
    banned = re.compile(rf"(?<![\w-]){re.escape(word)}(?![\w-])", re.IGNORECASE)
    found = [f"{where}: {text.strip()[:120]}" for where, text in sentences() if banned.search(text)]
    assert not found, "\n".join(found)
