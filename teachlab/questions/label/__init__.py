"""Which passes the light shows, and which of them need a second look."""

from teachlab.questions.label.answer import LabelAnswer, label

__all__ = ["LabelAnswer", "label"]
