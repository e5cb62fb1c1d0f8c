"""Functions compiled by numba, of the extra ``fast``: imported by modules alone that are loaded where it is of use."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

Function = TypeVar("Function", bound=Callable[..., Any])


def compiled(function: Function) -> Function:
    """Return a function compiled when it is first called, and kept on disk where there is a place for it.

    Arithmetic is that of NumPy, without fused operations; other threads go on meanwhile.
    """
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    try:
        return cast(Function, njit(cache=True, **options)(function))
    except RuntimeError:
        # Neither the folder of the package nor that of the user can be written: compiled anew in every process.
        return cast(Function, njit(**options)(function))


def inlined(function: Function) -> Function:
    """Return a part of compiled functions: a call would cost as much as the few lines that it stands for."""
    return cast(Function, njit(inline="always")(function))
