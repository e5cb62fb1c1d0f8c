"""Windows, events, rates with exact intervals, dependence, differences of settings."""

from teachlab.score.autocorrelation import autocorrelation, integrated_autocorrelation
from teachlab.score.bursts import burst_rate
from teachlab.score.dependence import dependence_of
from teachlab.score.difference import miettinen_nurminen, newcombe, p_mid, rate_ratio, tango, wilson
from teachlab.score.early import early_by_s, early_rows
from teachlab.score.intervals import count, proportion
from teachlab.score.lots import lost_rate_by_lot, lot_rate
from teachlab.score.margin import measure_margin
from teachlab.score.paired import Discordance, compare_gaps, compare_passes, holm
from teachlab.score.paired_lots import paired_lots
from teachlab.score.scoring import score

__all__ = [
    "Discordance",
    "autocorrelation",
    "burst_rate",
    "compare_gaps",
    "compare_passes",
    "count",
    "dependence_of",
    "early_by_s",
    "early_rows",
    "holm",
    "integrated_autocorrelation",
    "lost_rate_by_lot",
    "lot_rate",
    "measure_margin",
    "miettinen_nurminen",
    "newcombe",
    "p_mid",
    "paired_lots",
    "proportion",
    "rate_ratio",
    "score",
    "tango",
    "wilson",
]
