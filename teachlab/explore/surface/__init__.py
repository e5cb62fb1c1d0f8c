"""The operating surface: what every pair of levels would have done, exactly and at once."""

from teachlab.explore.surface.levels import stated_levels
from teachlab.explore.surface.pairs import PairCounts, score_pairs
from teachlab.explore.surface.run import surface, surface_of
from teachlab.explore.surface.table import Surface

__all__ = ["PairCounts", "Surface", "score_pairs", "stated_levels", "surface", "surface_of"]
