"""Windows, events, exact intervals and rates."""

from teachlab.score.intervals import count, proportion
from teachlab.score.scoring import score

__all__ = ["count", "proportion", "score"]
