"""Numbers out of the heads of foreign files: what they tell may lie outside of the file, or before it."""

from __future__ import annotations

import mmap
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Fields:
    """Reads fields by their place.

    `data`: bytes or mmap.
    `order`: byte order, as `struct` names it.
    """

    data: bytes | mmap.mmap
    order: str = "<"

    def at(self, place: int, layout: str) -> tuple[Any, ...]:
        """Return the fields of a layout from a place on.

        `place`: first byte.
        `layout`: as `struct` takes it, without byte order.
        Raises ValueError if they do not lie within the data.
        """
        size = struct.calcsize(f"{self.order}{layout}")
        # `struct` alone counts a negative place from the end.
        if not 0 <= place <= len(self.data) - size:
            raise ValueError(f"{size:,} bytes from byte {place:,} on lie outside the file")
        return struct.unpack_from(f"{self.order}{layout}", self.data, place)

    def rows(self, place: int, layout: str, count: int) -> Iterator[tuple[Any, ...]]:
        """Yield so many layouts, one after the other; as `at`."""
        size = struct.calcsize(f"{self.order}{layout}")
        return (self.at(place + size * k, layout) for k in range(count))

    def one(self, place: int, layout: str) -> Any:
        """Return the one field of a layout; as `at`."""
        (found,) = self.at(place, layout)
        return found
