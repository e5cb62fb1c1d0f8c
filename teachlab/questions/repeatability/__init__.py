"""What repeated teaching would have given."""

from typing import TYPE_CHECKING

from teachlab.questions import on_demand

if TYPE_CHECKING:
    from teachlab.questions.repeatability.study import RepeatabilityAnswer, repeatability

__all__ = ["RepeatabilityAnswer", "repeatability"]
__getattr__ = on_demand(__name__, "study")
