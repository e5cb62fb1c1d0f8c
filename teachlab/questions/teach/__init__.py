"""What one showing teaches, and its result on the rest of the recording."""

from teachlab.questions.teach.answer import TeachAnswer, taught_and_judged

__all__ = ["TeachAnswer", "taught_and_judged"]
