"""Truth and light: where the light crosses near the borders of passes, and how their clocks differ."""

from teachlab.data.alignment.answer import NOT_MEASURED, AlignAnswer, Alignment
from teachlab.data.alignment.measure import measure_alignment
from teachlab.data.alignment.room import aligned_truth, alignment_of, with_room

__all__ = [
    "NOT_MEASURED",
    "AlignAnswer",
    "Alignment",
    "aligned_truth",
    "alignment_of",
    "measure_alignment",
    "with_room",
]
