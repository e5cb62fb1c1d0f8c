"""The operating surface: the result of every pair of levels, exactly and in one count."""

from typing import TYPE_CHECKING

from teachlab.questions import on_demand

if TYPE_CHECKING:
    from teachlab.questions.surface.answer import SurfaceAnswer, operating_surface

__all__ = ["SurfaceAnswer", "operating_surface"]
__getattr__ = on_demand(__name__, "answer")
