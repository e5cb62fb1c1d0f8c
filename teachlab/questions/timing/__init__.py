"""Whether a sensor is fast enough for a line."""

from typing import TYPE_CHECKING

from teachlab.questions import on_demand

if TYPE_CHECKING:
    from teachlab.questions.timing.answer import TimingAnswer, time_budget

__all__ = ["TimingAnswer", "time_budget"]
__getattr__ = on_demand(__name__, "answer")
