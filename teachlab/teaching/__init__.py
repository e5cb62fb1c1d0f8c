"""Strategies, one per file, and what they may be shown."""

from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_once
from teachlab.teaching.parameters import parameters_of, parse_assignments, parse_parameters
from teachlab.teaching.registry import installed_class, listings, source_fingerprint
from teachlab.teaching.strategy_files import resolve, strategy_class

__all__ = [
    "TeachBlock",
    "installed_class",
    "listings",
    "parameters_of",
    "parse_assignments",
    "parse_parameters",
    "resolve",
    "source_fingerprint",
    "strategy_class",
    "teach_once",
]
