"""Arrays as text of a page: differences, byte planes, gzip, base64."""

from __future__ import annotations

import base64
import gzip
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class PackedArray:
    """One array, as the page holds it.

    `dtype`: kind and bytes of a number, little-endian: u2, i4, f8 …
    `differences`: along how many axes, the last first, numbers are differences to the one before.
    `text`: Base64.
    """

    dtype: str
    shape: tuple[int, ...]
    differences: int
    text: str

    @classmethod
    def of(cls, values: NDArray[Any], *, differences: int = 0) -> PackedArray:
        """Pack an array of one or two axes; integers only may be differences."""
        array = np.asarray(values)
        small = array.astype(array.dtype.newbyteorder("<"))
        for axis in range(-1, -1 - differences, -1):
            # Wraps around on purpose, and so do the sums that undo it.
            small = np.diff(small, axis=axis, prepend=small.dtype.type(0))
        planes = np.ascontiguousarray(small).reshape(-1).view(np.uint8).reshape(-1, small.dtype.itemsize).T
        packed = gzip.compress(planes.tobytes(), compresslevel=6, mtime=0)
        name = f"{small.dtype.kind}{small.dtype.itemsize}"
        return cls(name, array.shape, differences, base64.b64encode(packed).decode())

    def as_dict(self) -> dict[str, Any]:
        """Return what the page must know to unpack it."""
        return {"dtype": self.dtype, "shape": list(self.shape), "differences": self.differences}


def whole_numbers(values: NDArray[Any]) -> NDArray[Any]:
    """Return sample positions in the smallest type of a page that holds them: int32, or float64 from 2**31 on."""
    array = np.asarray(values, np.int64)
    return array.astype(np.int32 if array.size == 0 or int(array.max()) < 2**31 else np.float64)


def shortest(values: NDArray[Any]) -> NDArray[Any]:
    """Return numbers as float32 where that loses nothing, else as they are."""
    with np.errstate(over="ignore"):  # infinite then, and not equal
        small = values.astype(np.float32)
    return small if np.array_equal(small, values, equal_nan=True) else values
