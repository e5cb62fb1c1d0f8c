"""The fingerprint of the code that makes a number: the modules it rests on, and the libraries that compute."""

from __future__ import annotations

import functools
import hashlib
import re
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

LIBRARIES = ("numpy", "scipy", "scikit-learn", "pyarrow")
_IMPORT = re.compile(r"^\s*(?:from (teachlab[\w.]*) import ([^#\n(]*|\([^)]*\))|import (teachlab[\w.]*))", re.MULTILINE)


@functools.cache
def code_fingerprint(module: str) -> str:
    """Return the SHA-256 of a module of this package with all that it imports from it, and of the libraries' versions.

    What is imported for annotations alone counts too: a change there may compute anew what it need not, never the
    other way round.

    Parameters
    ----------
    module : str
        Its full name. Modules that are loaded by name, such as strategies, have fingerprints of their own.

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


def _closure(module: str) -> dict[str, bytes]:
    found: dict[str, bytes] = {}
    todo = [module]
    while todo:
        name = todo.pop()
        if name in found or (file := _file(name)) is None:
            continue
        found[name] = file.read_bytes().replace(b"\r\n", b"\n")
        todo += _imported(found[name].decode())
        # A package is run before what lies in it.
        todo += [name.rpartition(".")[0]] if "." in name else []
    return found


def _imported(text: str) -> Iterator[str]:
    for source, names, whole in _IMPORT.findall(text):
        yield source or whole
        for name in re.findall(r"\w+", names):
            yield f"{source}.{name}"


def _file(module: str) -> Path | None:
    place = Path(__file__).parents[1].joinpath(*module.split(".")[1:])
    # The front door names everything, and computes nothing.
    if module == "teachlab":
        return None
    return next((f for f in (place.with_suffix(".py"), place / "__init__.py") if f.is_file()), None)
