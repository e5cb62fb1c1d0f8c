"""The kinds of stretches of the timeline."""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Kinds = NDArray[np.int8]


class Kind(IntEnum):
    """What an onset in a span counts as."""

    DETECT = 0
    GAP = 1
    IGNORE = 2
    UNCOUNTED = 3
    """Excluded, or before the first scored pass."""


TOUCHING = 4
"""Added to the kind of a pass to be detected that begins where the pass before it ends: its merge is no error."""
OWN = 3
"""The bits of a kind without that mark."""
