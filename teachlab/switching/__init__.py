"""Recording and setting to output, bit-exact."""

from teachlab.switching.family import replay_family
from teachlab.switching.run import replay

__all__ = ["replay", "replay_family"]
