"""The operating surface: what every pair of levels would have done, exactly and at once."""

from typing import TYPE_CHECKING

from teachlab.questions import on_demand

if TYPE_CHECKING:
    from teachlab.questions.surface.answer import SurfaceAnswer, operating_surface

__all__ = ["SurfaceAnswer", "operating_surface"]
__getattr__ = on_demand(__name__, "answer")
