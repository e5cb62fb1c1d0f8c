"""What one setting would have done on one recording."""

from teachlab.questions.replay.answer import ReplayAnswer, replayed

__all__ = ["ReplayAnswer", "replayed"]
