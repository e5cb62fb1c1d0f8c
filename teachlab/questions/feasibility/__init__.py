"""Whether any setting can work on this light, and what would make one work."""

from typing import TYPE_CHECKING

from teachlab.questions import on_demand

if TYPE_CHECKING:
    from teachlab.questions.feasibility.answer import Feasibility, feasibility

__all__ = ["Feasibility", "feasibility"]
__getattr__ = on_demand(__name__, "answer")
