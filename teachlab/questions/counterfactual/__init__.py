"""What another sensor would have given on this light."""

from typing import TYPE_CHECKING

from teachlab.questions import on_demand

if TYPE_CHECKING:
    from teachlab.questions.counterfactual.answer import Counterfactual, counterfactual

__all__ = ["Counterfactual", "counterfactual"]
__getattr__ = on_demand(__name__, "answer")
