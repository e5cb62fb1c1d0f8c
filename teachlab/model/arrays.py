"""Types of arrays, for signatures that say in words what an array holds."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Where = NDArray[np.intp]
"""Places in an array."""
