"""Recording and setting to output, bit-exact."""

from teachlab.switching.run import replay

__all__ = ["replay"]
