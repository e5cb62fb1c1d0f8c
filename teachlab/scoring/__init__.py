"""Scoring of an output: windows, events, rates with exact intervals, dependence, differences of settings."""

from teachlab.scoring.early import early_by_s, early_rows
from teachlab.scoring.paired_lots import paired_lots
from teachlab.scoring.pairs import compare_passes
from teachlab.scoring.scoring import score
from teachlab.statistics.bursts import burst_rate
from teachlab.statistics.differences import miettinen_nurminen, newcombe, rate_ratio, tango
from teachlab.statistics.intervals import count, proportion
from teachlab.statistics.lots import lot_rate
from teachlab.statistics.over_time.autocorrelation import autocorrelation
from teachlab.statistics.paired_tests import Discordance, holm

__all__ = [
    "Discordance",
    "autocorrelation",
    "burst_rate",
    "compare_passes",
    "count",
    "early_by_s",
    "early_rows",
    "holm",
    "lot_rate",
    "miettinen_nurminen",
    "newcombe",
    "paired_lots",
    "proportion",
    "rate_ratio",
    "score",
    "tango",
]
