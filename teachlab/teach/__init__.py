"""Strategies, one per file, and what they may be shown."""

from teachlab.teach.evidence import TeachBlock
from teachlab.teach.once import teach_once
from teachlab.teach.parameters import parameters_of, parse_assignments
from teachlab.teach.registry import listings, resolve, source_fingerprint, strategy_class

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
