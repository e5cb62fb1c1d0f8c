"""What neighbours and lamps add to the light."""

from teachlab.questions.surroundings.answers import SurroundingsAnswer, ambient_light, lamp, other_target
from teachlab.questions.surroundings.neighbours import Neighbours, neighbour_beat, neighbours_apart

__all__ = [
    "Neighbours",
    "SurroundingsAnswer",
    "ambient_light",
    "lamp",
    "neighbour_beat",
    "neighbours_apart",
    "other_target",
]
