"""Strategies, one per file, and what they may be shown."""

from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_once
from teachlab.teaching.parameters import parameters_of, parse_assignments
from teachlab.teaching.registry import listings, resolve, source_fingerprint, strategy_class

__all__ = [
    "TeachBlock",
    "listings",
    "parameters_of",
    "parse_assignments",
    "resolve",
    "source_fingerprint",
    "strategy_class",
    "teach_once",
]
