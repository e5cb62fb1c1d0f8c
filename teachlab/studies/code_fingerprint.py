"""The fingerprint of the code behind a number: its modules, and the libraries that compute."""

from __future__ import annotations

import functools
import hashlib
import re
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

LIBRARIES = ("numpy", "scipy", "scikit-learn", "pyarrow")
_IMPORT = re.compile(r"^\s*(?:from (teachlab[\w.]*) import ([^#\n(]*|\([^)]*\))|import (teachlab[\w.]*))", re.MULTILINE)

_ANY_IMPORT = re.compile(r"^\s*(?:from|import)\b([^\n(]*(?:\([^)]*\))?)", re.MULTILINE)


@functools.cache
def code_fingerprint(module: str) -> str:
    """Return the SHA-256 of a module of this package with everything that it imports, and of the libraries' versions.

    Imports for annotations count too: a change there may cause an unnecessary computation, but never a missing one.

    `module`: its full name. Modules that are loaded by name, such as strategies, have their own fingerprints.

    Examples
    --------
    >>> code_fingerprint("teachlab.model.draws") == code_fingerprint("teachlab.model.score")
    False
    """
    digest = hashlib.sha256()
    for name in LIBRARIES:
        digest.update(f"{name} {metadata.version(name)}\n".encode())
    for name, content in sorted(_closure(module).items()):
        digest.update(f"{name} {len(content)}\n".encode() + content)
    return digest.hexdigest()


def file_fingerprint(file: Path) -> str:
    """Return the SHA-256 of a Python file with all files beside it that it imports, directly or through each other.

    `file`: of a strategy that does not ship with the package.
    """
    found: dict[str, bytes] = {}
    todo = [file]
    while todo:
        place = todo.pop()
        name = place.relative_to(file.parent).as_posix()
        if name in found:
            continue
        found[name] = place.read_bytes()
        for words in _ANY_IMPORT.findall(found[name].decode(errors="replace")):
            for word in re.findall(r"\w+", words):
                todo += [p for p in (file.parent / f"{word}.py",) if p.is_file()]
                todo += (file.parent / word).rglob("*.py") if (file.parent / word / "__init__.py").is_file() else []
    digest = hashlib.sha256()
    for name, content in sorted(found.items()):
        digest.update(f"{name if name != file.name else ''} {len(content)}\n".encode() + content)
    return digest.hexdigest()


def _closure(module: str) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    todo = [module]
    while todo:
        name = todo.pop()
        if name in found or (file := _file(name)) is None:
            continue
        found[name] = file.read_bytes().replace(b"\r\n", b"\n")
        todo += _imported(found[name].decode())
        # A package is run before its modules.
        todo += [name.rpartition(".")[0]] if "." in name else []
    return found


def _imported(text: str) -> Iterator[str]:
    for source, names, whole in _IMPORT.findall(text):
        yield source or whole
        for name in re.findall(r"\w+", names):
            yield f"{source}.{name}"


def _file(module: str) -> Path | None:
    place = Path(__file__).parents[1].joinpath(*module.split(".")[1:])
    # The package's top level names everything and computes nothing.
    if module == "teachlab":
        return None
    return next((f for f in (place.with_suffix(".py"), place / "__init__.py") if f.is_file()), None)
