"""Which of several settings makes fewer errors, on the same passes or on two recordings."""

from teachlab.questions.compare.answer import CompareAnswer, compare

__all__ = ["CompareAnswer", "compare"]
