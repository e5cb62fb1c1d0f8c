"""Recording and setting to output, bit-exact."""

from teachlab.switching.family import replay_family
from teachlab.switching.run import check_unit, replay, switch

__all__ = ["check_unit", "replay", "replay_family", "switch"]
