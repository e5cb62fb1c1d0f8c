"""How much dirt, ambient light or speed a setting bears."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from teachlab.questions.stress.answer import StressAnswer, stress

__all__ = ["StressAnswer", "stress"]


def __getattr__(name: str) -> Any:
    """Load the answer where it is first asked for: other questions use single files of this room."""
    if name in __all__:
        return getattr(import_module("teachlab.questions.stress.answer"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
