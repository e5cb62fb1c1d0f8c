"""Whether a setting that was good is still good."""

from typing import TYPE_CHECKING

from teachlab.questions import on_demand

if TYPE_CHECKING:
    from teachlab.questions.stale.answer import Staleness, staleness

__all__ = ["Staleness", "staleness"]
__getattr__ = on_demand(__name__, "answer")
