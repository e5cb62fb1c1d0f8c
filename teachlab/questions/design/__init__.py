"""A setting whose levels, filter and delays are chosen together, with its reasons and reserves."""

from teachlab.questions.design.answer import DesignAnswer, designed_and_judged

__all__ = ["DesignAnswer", "designed_and_judged"]
