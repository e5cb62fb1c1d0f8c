"""Windows, events, exact intervals and rates."""

from teachlab.score.intervals import count, proportion
from teachlab.score.lots import lost_rate_by_lot, lot_rate
from teachlab.score.margin import measure_margin
from teachlab.score.paired import Discordance, compare_gaps, compare_passes, holm
from teachlab.score.scoring import score

__all__ = [
    "Discordance",
    "compare_gaps",
    "compare_passes",
    "count",
    "holm",
    "lost_rate_by_lot",
    "lot_rate",
    "measure_margin",
    "proportion",
    "score",
]
