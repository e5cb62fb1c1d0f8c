"""What the recording could have shown of every recurring disturbance."""

from typing import TYPE_CHECKING

from teachlab.questions import on_demand

if TYPE_CHECKING:
    from teachlab.questions.coverage.certificate import Coverage, coverage

__all__ = ["Coverage", "coverage"]
__getattr__ = on_demand(__name__, "certificate")
