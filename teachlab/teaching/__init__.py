"""Strategies, one per file, and what they may be shown."""

from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import teach_once
from teachlab.teaching.registry import listings, source_fingerprint
from teachlab.teaching.strategy_files import resolve

__all__ = ["TeachBlock", "listings", "resolve", "source_fingerprint", "teach_once"]
