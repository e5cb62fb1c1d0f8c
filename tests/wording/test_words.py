"""One term for a thing: what DEVELOPERS.md says under "Words" holds for all that users and developers read."""

from __future__ import annotations

import ast
import re
import tokenize
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
    """Every text, docstring and comment of the package, and every page that ships, with line breaks as spaces."""
    found = []
    for file in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.append((f"{file.relative_to(REPOSITORY)}:{node.lineno}", " ".join(node.value.split())))
        with tokenize.open(file) as lines:
            for token in tokenize.generate_tokens(lines.readline):
                if token.type == tokenize.COMMENT:
                    found.append((f"{file.relative_to(REPOSITORY)}:{token.start[0]}", token.string))
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
