"""Scoring of an output: windows, events, rates with exact intervals, dependence, differences of settings."""

from teachlab.scoring.by_lot import lost_rate_by_lot
from teachlab.scoring.dependence import dependence_of
from teachlab.scoring.early import early_by_s, early_rows
from teachlab.scoring.margin import measure_margin
from teachlab.scoring.paired_lots import paired_lots
from teachlab.scoring.pairs import compare_gaps, compare_passes
from teachlab.scoring.scoring import score
from teachlab.statistics.bursts import burst_rate
from teachlab.statistics.differences import miettinen_nurminen, newcombe, p_mid, rate_ratio, tango, wilson
from teachlab.statistics.intervals import count, proportion
from teachlab.statistics.lots import lot_rate
from teachlab.statistics.over_time.autocorrelation import autocorrelation, integrated_autocorrelation
from teachlab.statistics.paired_tests import Discordance, holm

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
