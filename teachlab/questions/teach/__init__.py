"""What one showing teaches, and what the rest of the recording says of it."""

from teachlab.questions.teach.answer import TeachAnswer, taught_and_judged

__all__ = ["TeachAnswer", "taught_and_judged"]
