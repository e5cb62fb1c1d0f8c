"""How much dirt, ambient light or speed a setting can bear."""

from typing import TYPE_CHECKING

from teachlab.questions import on_demand

if TYPE_CHECKING:
    from teachlab.questions.stress.answer import StressAnswer, stress

__all__ = ["StressAnswer", "stress"]
__getattr__ = on_demand(__name__, "answer")
