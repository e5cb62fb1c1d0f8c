"""A strategy as a person names it: installed, or a class in a file; and the one place that runs such a file.

Names in data go to `registry.installed_class`, which cannot reach this module.

A file is imported as a module "inside" this one, under a name made of its path and its content. So pickle finds a class
in a file again in another process, which imports this module first, and with it the finder below.
"""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import inspect
import os
import re
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, SourceFileLoader
from pathlib import Path
from types import CodeType, ModuleType

from teachlab.errors import StrategyError
from teachlab.model.teaching import Strategy
from teachlab.teaching.registry import built, installed_class, strategy_in

# A module with a path is a package for the import system: the modules of files are imported as its children.
__path__: list[str] = []

_SPEC = re.compile(r"(?P<path>.+\.py)(?::(?P<name>[^:/\\]*))?", re.DOTALL)
_MODULE = re.compile(re.escape(__name__) + r"\.\w*?_(?P<digest>[0-9a-f]{16})_(?P<path>(?:[0-9a-f]{2})+)")
_folders: list[str] = []
"""Folders added to the path for loaded files, the last one first."""


def strategy_class(spec: str) -> type[Strategy]:
    """Return the class of a strategy that a person named.

    `spec`: a name, or a class in a file, which is run: ``./mine.py:MyStrategy``. Never pass a text from a file of data.

    Raises `StrategyError` if there is no such strategy, it cannot be loaded, or it does not meet the protocol.
    """
    file = _SPEC.fullmatch(spec)
    return installed_class(spec) if file is None else _class_in_file(Path(file["path"]), file["name"] or "", spec)


def resolve(spec: str, parameters: Mapping[str, object] | None = None) -> Strategy:
    """Build a strategy from its name or file and the values of its parameters.

    Parameters
    ----------
    spec : str
        As for `strategy_class`.
    parameters : mapping, optional
        Values of the parameters to set, of their types; the others keep their defaults.

    Raises
    ------
    StrategyError
        As for `strategy_class`, or if the strategy cannot be built.
    ParameterError
        If a parameter is unknown, of the wrong type, missing or outside its range.

    Examples
    --------
    >>> resolve("two-sample-midpoint", {"hysteresis_share": 0.2}).hysteresis_share
    0.2
    """
    return built(strategy_class(spec), parameters or {})


def _class_in_file(path: Path, name: str, spec: str) -> type[Strategy]:
    if not path.is_file():
        raise StrategyError(f"{spec}: there is no such file. Give a strategy in a file as ./file.py:ClassName.")
    try:
        module = importlib.import_module(_module_name(path.resolve()))
    except (Exception, SystemExit) as fault:
        raise StrategyError(f"{spec}: the file cannot be loaded: {type(fault).__name__}: {fault}") from fault
    own = [key for key, value in vars(module).items() if _is_own_strategy(value, module)]
    if name not in vars(module):
        missing = f"the file has no class '{name}'" if name else "no class is named"
        raise StrategyError(
            f"{spec}: {missing}. Give one as {path}:ClassName; strategies in it: {', '.join(own) or 'none'}."
        )
    return strategy_in(vars(module)[name], f"{spec}: the strategy")


def _is_own_strategy(value: object, module: ModuleType) -> bool:
    return inspect.isclass(value) and value.__module__ == module.__name__ and hasattr(value, "teach")


def _module_name(path: Path) -> str:
    # The digest separates two versions of one file.
    stem, digest = re.sub(r"\W", "_", path.stem), _digest(path.read_bytes())
    # The path in hex is part of a valid name for every path, and the finder reads it from there in any process.
    return f"{__name__}.{stem}_{digest}_{os.fsencode(path).hex()}"


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:16]


class _FileFinder(MetaPathFinder):
    """Finds the module of a file by its name."""

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        known = _MODULE.fullmatch(fullname)
        if known is None:
            return None
        file = os.fsdecode(bytes.fromhex(known["path"]))
        return importlib.util.spec_from_file_location(
            fullname, file, loader=_FileLoader(fullname, file, known["digest"])
        )


class _FileLoader(SourceFileLoader):
    """Runs a file whose content is that of its name; its folder is last on the path, and nothing is written into it."""

    def __init__(self, fullname: str, path: str, digest: str) -> None:
        super().__init__(fullname, path)
        self.digest = digest

    def get_code(self, fullname: str) -> CodeType:
        content = self.get_data(self.path)
        if _digest(content) != self.digest:
            raise ImportError(f"{self.path} has been changed since its strategy was loaded")
        return self.source_to_code(content, self.path)

    def exec_module(self, module: ModuleType) -> None:
        with _neighbours(str(Path(self.path).parent)):
            super().exec_module(module)


@contextmanager
def _neighbours(folder: str) -> Iterator[None]:
    """Let a file import the modules beside it; installed ones of the same name come first, other folders after it."""
    others = [other for other in _folders if other != folder]
    for file in Path(folder).glob("*.py"):
        # A module of this name came from the folder of another file: this file must get the one beside it.
        if _lies_in(sys.modules.get(file.stem), others):
            del sys.modules[file.stem]
    if folder in _folders or folder not in sys.path:
        sys.path[:] = [place for place in sys.path if place not in _folders]
        _folders[:] = [folder, *others]
        sys.path.extend(_folders)
    kept, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    try:
        yield
    finally:
        sys.dont_write_bytecode = kept


def _lies_in(module: ModuleType | None, folders: Sequence[str]) -> bool:
    file = getattr(module, "__file__", None)
    return isinstance(file, str) and str(Path(file).parent) in folders


# By name: loaded anew, this module has another class of the same name, and one finder is enough.
if not any(type(finder).__name__ == _FileFinder.__name__ for finder in sys.meta_path):
    sys.meta_path.append(_FileFinder())
