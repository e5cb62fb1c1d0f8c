"""How much memory may be used, and the refusal of work that would need more."""

from __future__ import annotations

import ctypes
import gc
import math
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path

from teachlab.errors import ParameterError
from teachlab.model.printable_text import in_figures

_allowed: ContextVar[float | None] = ContextVar("teachlab_memory", default=None)
LIBRARY_BYTES, DRAW_BYTES = 0.3e9, 3000
"""Memory of the libraries with the blocks of a recording, and of a draw with its setting and measures."""
ASSUMED_FREE = 4e9
"""Bytes that are assumed to be free if the system does not say."""


@contextmanager
def memory_of(size: float | None) -> Iterator[None]:
    """Allow this many bytes in the block; None allows half of the free memory."""
    token = _allowed.set(size)
    try:
        yield
    finally:
        _allowed.reset(token)


def allowed_memory() -> float:
    """Return how many bytes may be used: the allowed number, otherwise half of the free memory."""
    told = _allowed.get()
    return free_memory() / 2 if told is None else told


def need_memory(size: float, what: str, instead: str) -> None:
    """Refuse work that needs more memory than may be used.

    `size` (bytes): estimate of the largest amount that is held at a time.
    `what`: what needs it, as the subject of a sentence: "a surface of 5,000 levels".
    `instead`: what to do, as a sentence.

    Raises `ParameterError` with both figures, if more is needed.

    Examples
    --------
    >>> with memory_of(1e9):
    ...     need_memory(2.5e9, "a surface of 9,000 levels", "Ask for fewer levels.")
    Traceback (most recent call last):
        ...
    teachlab.errors.ParameterError: a surface of 9,000 levels needs about 2.5 GB of memory; 1 GB may be used. \
Ask for fewer levels. Or allow more with --memory, in GB.
    """
    most = allowed_memory()
    if not size <= most:
        needed = f"about {in_figures(size / 1e9, 2)} GB" if math.isfinite(size) else "more than any computer has"
        raise ParameterError(
            f"{what} needs {needed} of memory; {in_figures(most / 1e9, 2)} GB may be used. {instead} "
            "Or allow more with --memory, in GB."
        )


def return_freed_memory() -> None:
    """Return to the system what is no longer used: cycles of objects, and what the GNU allocator keeps for new arrays.

    Other allocators are not affected. Worth it after work that needed much more memory than what follows; compare
    `teachlab.model.recording.keep_freed_memory`.

    References
    ----------
    `malloc_trim(3)` of the Linux manual.
    """
    gc.collect()
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def free_memory() -> float:
    """Return the bytes that a process may still use: of the computer, or of its container if that has less."""
    free = ASSUMED_FREE
    try:
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                free = 1024.0 * float(line.split()[1])
    except (OSError, ValueError):
        if hasattr(os, "sysconf") and "SC_AVPHYS_PAGES" in os.sysconf_names:
            free = float(os.sysconf("SC_AVPHYS_PAGES")) * os.sysconf("SC_PAGE_SIZE")
    try:
        group = Path("/sys/fs/cgroup")
        most = (group / "memory.max").read_text(encoding="ascii").strip()
        used = (group / "memory.current").read_text(encoding="ascii").strip()
        free = free if most == "max" else min(free, max(0.0, float(most) - float(used)))
    except (OSError, ValueError):
        pass
    return free
