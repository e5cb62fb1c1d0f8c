"""One room per question: what a setting, a light or a line would have done, asked and answered with evidence."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any


def on_demand(room: str, file: str) -> Callable[[str], Any]:
    """Return the `__getattr__` of a room, which loads the file of its answer when it is first needed.

    Other questions use single files of the room: they need not load everything that its answer needs, and make no
    import circle.
    """

    def load(name: str) -> Any:
        if name in import_module(room).__all__:
            return getattr(import_module(f"{room}.{file}"), name)
        raise AttributeError(f"module {room!r} has no attribute {name!r}")

    return load
