"""Teach in a process that has seen nothing before."""

from __future__ import annotations

import importlib
import importlib.util
import inspect
import json
import pickle
import subprocess
import sys
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

from teachlab.model.teaching import Strategy, TeachView

TIMEOUT_S = 120


def taught_elsewhere(strategy: Strategy, view: TeachView) -> dict[str, Any] | str:
    """Return the document of a fresh process's answer, or what went wrong there.

    Parameters
    ----------
    strategy : Strategy
        Must be picklable; its class must lie in a module or a file.
    view : TeachView
    """
    made = type(strategy)
    job = {"path": sys.path, "module": made.__module__, "file": inspect.getsourcefile(made)}
    content = pickle.dumps((job, pickle.dumps((strategy, view))))
    try:
        command = [sys.executable, "-c", f"from {__name__} import answer; answer()"]
        done = subprocess.run(command, input=content, capture_output=True, timeout=TIMEOUT_S, check=False)
    except subprocess.TimeoutExpired:
        return f"it did not answer within {TIMEOUT_S} s"
    if done.returncode != 0:
        return done.stderr.decode(errors="replace").strip().splitlines()[-1]
    if not done.stdout:
        return "it ends without an answer"
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def _import(job: dict[str, Any]) -> None:
    """Import the module of the strategy by its name, or run its file under that name."""
    sys.path[:] = job["path"]
    name, file = job["module"], job["file"]
    try:
        found = importlib.import_module(name)
    except ImportError:
        found = None
    if name != "__main__" and found is not None and _same(getattr(found, "__file__", None), file):
        return
    spec = importlib.util.spec_from_file_location(name, file)
    if spec is None or spec.loader is None:
        raise ImportError(f"{file} cannot be imported")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)


def _same(one: str | None, other: str) -> bool:
    return one is not None and Path(one).resolve() == Path(other).resolve()


def answer() -> None:
    """Read a job from standard input, teach, and write the answer to standard output."""
    from teachlab.testing.subject import ask, seeded

    job, content = pickle.loads(sys.stdin.buffer.read())
    # What a strategy prints is no answer.
    with redirect_stdout(sys.stderr):
        _import(job)
        strategy, view = pickle.loads(content)
        seeded(0)
        document = ask(strategy, view).document()
    sys.stdout.write(json.dumps(document))
