"""Which of several settings goes wrong less often, on the same passes or on two recordings."""

from teachlab.questions.compare.answer import CompareAnswer, compare

__all__ = ["CompareAnswer", "compare"]
