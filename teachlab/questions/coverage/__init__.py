"""What the recording could have shown of every nuisance that comes back."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from teachlab.questions.coverage.certificate import Coverage, coverage

__all__ = ["Coverage", "coverage"]


def __getattr__(name: str) -> Any:
    """Load the answer where it is first asked for: other questions use single files of this room."""
    if name in __all__:
        return getattr(import_module("teachlab.questions.coverage.certificate"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
