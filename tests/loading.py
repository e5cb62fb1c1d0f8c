"""Scripts and helpers that tests load by their path: tests and benchmarks are no packages."""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import ModuleType

import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


def script(path: Path) -> ModuleType:
    """Return the module of a file, loaded once, under a name of its own."""
    name = "_by_path_" + "_".join(path.with_suffix("").parts[-3:])
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


@contextlib.contextmanager
def scripts(folder: Path, names: Sequence[str]) -> Iterator[dict[str, ModuleType]]:
    """Give scripts that import each other by their bare names."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(folder)
        yield {name: importlib.import_module(name) for name in names}
    for name in names:
        del sys.modules[name]
