"""Quality of a recording, position of its passes, and whether any pair of fixed levels works."""

from teachlab.questions.quality.answer import InspectAnswer, inspected

__all__ = ["InspectAnswer", "inspected"]
