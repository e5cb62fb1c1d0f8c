"""How deep modules of the package stand on one another: a reader who follows one import comes to an end."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import teachlab

ROOT = Path(teachlab.__file__).parent
LONGEST = 16
"""Modules in a row, each imported by the one before it; imports for annotations alone do not count."""


def name_of(file: Path) -> str:
    parts = file.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {name_of(file): file for file in ROOT.rglob("*.py")}


def imported_by(file: Path) -> set[str]:
    """Modules of the package that a file imports, also within functions."""
    found = set()
    tree = ast.parse(file.read_text(encoding="utf-8"))
    for block in ast.walk(tree):
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING":
            block.body = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            found |= {f"{node.module}.{alias.name}" for alias in node.names} | {str(node.module)}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    own = set()
    for name in found:
        while name and name not in FILES:
            name = name.rpartition(".")[0]
        own.add(name)
    return own - {"", "teachlab", name_of(file)}


GRAPH = {name: imported_by(file) for name, file in FILES.items()}
UNDER_WAY: list[str] = []


@cache
def chain(name: str) -> tuple[str, ...]:
    """Return the longest row of modules from one on; an import that closes a circle ends it."""
    UNDER_WAY.append(name)
    below = [chain(other) for other in sorted(GRAPH[name]) if other not in UNDER_WAY]
    UNDER_WAY.pop()
    return (name, *max(below, key=len, default=()))


def test_no_chain_of_imports_is_longer() -> None:
    longest = max((chain(name) for name in FILES), key=len)
    assert len(longest) <= LONGEST, " <- ".join(longest)


def test_no_module_comes_back_to_itself() -> None:
    """Every import of a walk from each module on leads away from it."""
    reached: dict[str, set[str]] = {}
    for start in FILES:
        seen, todo = set(), list(GRAPH[start])
        while todo:
            name = todo.pop()
            if name not in seen:
                seen.add(name)
                todo += GRAPH[name]
        reached[start] = seen
    assert [name for name in FILES if name in reached[name]] == []
