"""The operating surface: what every pair of levels would have done, exactly and at once."""

from teachlab.questions.surface.count import surface, surface_of
from teachlab.questions.surface.given_settings.pairs import PairCounts, score_pairs
from teachlab.questions.surface.values.levels import stated_levels
from teachlab.questions.surface.values.table import Surface

__all__ = ["PairCounts", "Surface", "score_pairs", "stated_levels", "surface", "surface_of"]
