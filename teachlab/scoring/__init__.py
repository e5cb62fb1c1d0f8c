"""Scoring of an output: windows, events, rates with exact intervals, dependence, differences of settings."""

from teachlab.scoring.paired_lots import paired_lots
from teachlab.scoring.pairs import compare_passes
from teachlab.scoring.scoring import score

__all__ = ["compare_passes", "paired_lots", "score"]
