"""What a recording is worth: its quality, how its passes lie, and whether any pair of fixed levels works."""

from teachlab.questions.quality.answer import InspectAnswer, inspected

__all__ = ["InspectAnswer", "inspected"]
