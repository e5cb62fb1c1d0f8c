"""Which code made a row of results: hashes of the sources that decide it, without docstrings and comments.

A hash covers a file and whatever of the package it imports, directly or not. Two Pythons may write the same code
differently; that makes a row look older than it is, never newer.
"""

from __future__ import annotations

import ast
import hashlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path

import teachlab

PACKAGE = Path(teachlab.__file__).parent
DIGITS = 12


def source_file(module: str) -> Path:
    """Return where a module of the package is written."""
    path = PACKAGE.parent.joinpath(*module.split("."))
    return path / "__init__.py" if path.is_dir() else path.with_suffix(".py")


@cache
def names_in(source: str) -> frozenset[str]:
    """Return every name that a source imports, or imports from, wherever it does so."""
    named: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            named |= {node.module, *(f"{node.module}.{one.name}" for one in node.names)}
        elif isinstance(node, ast.Import):
            named |= {one.name for one in node.names}
    return frozenset(named)


def imported(source: str) -> list[str]:
    """Return the modules of the package that a source imports."""
    own = [name for name in names_in(source) if name.startswith(f"{PACKAGE.name}.")]
    return [name for name in own if source_file(name).is_file()]


def closure(modules: Iterable[str]) -> list[str]:
    """Return modules of the package and all that they import of it, in order of their names."""
    seen: set[str] = set()
    left = list(modules)
    while left:
        module = left.pop()
        if module not in seen:
            seen.add(module)
            left += imported(source_file(module).read_text(encoding="utf-8"))
    return sorted(seen)


@cache
def bare(source: str) -> str:
    """Return a source as it runs: no comments, no docstrings, no free strings, one layout."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef):
            kept = [s for s in node.body if not (isinstance(s, ast.Expr) and isinstance(s.value, ast.Constant))]
            node.body = kept or [ast.Pass()]
    return ast.unparse(tree)


def short_hash(texts: Iterable[str]) -> str:
    """Return the first digits of the SHA-256 of texts, each with its length."""
    made = hashlib.sha256()
    for text in texts:
        content = text.encode()
        made.update(f"{len(content)}\n".encode() + content)
    return made.hexdigest()[:DIGITS]


def code_hash(modules: Iterable[str], *further: str) -> str:
    """Return the hash of modules with all that they import, and of further texts."""
    files = [(name, bare(source_file(name).read_text(encoding="utf-8"))) for name in closure(modules)]
    return short_hash([text for pair in files for text in pair] + list(further))
