"""Vectors and matrices of a MAT file (level 5, MATLAB 5 to 7), each found by its head and read when it is asked for.

"MAT-File Format", The MathWorks, chapter 1: elements of a tag and data; a packed element is one variable. Every size in
the file may lie, so that none is believed before the bytes are there; SciPy's reader follows some into a fault of the
process.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np

from teachlab.data.importing.reading.fields import Fields
from teachlab.data.importing.reading.unpacked_size import PIECE, SHORTER
from teachlab.errors import RecordingError
from teachlab.model.memory import need_memory

MATRIX, PACKED = 14, 15
TYPES = {1: "i1", 2: "u1", 3: "i2", 4: "u2", 5: "i4", 6: "u4", 7: "f4", 9: "f8", 12: "i8", 13: "u8"}
NUMERIC = range(6, 16)
"""Classes of arrays of numbers, from double to unsigned 64-bit."""
COMPLEX = 0x800
HEAD = 1 << 12
"""Bytes in which flags, sizes and the name of a variable lie; names have at most 63 letters, sizes few numbers."""
TIMES_HELD = 2.0


@dataclass(frozen=True, slots=True)
class Variable:
    """Where an array of numbers lies: at a place of the file, or of what a packed element unpacks to."""

    name: str
    shape: tuple[int, ...]
    dtype: np.dtype[Any]
    place: int
    packed: tuple[int, int] | None

    def read(self, path: str) -> np.ndarray[Any, Any]:
        """Return the array; one that is not packed is mapped.

        Raises ParameterError if it takes more memory than may be used.
        """
        size = math.prod(self.shape) * self.dtype.itemsize
        if self.packed is None:
            flat: Any = np.memmap(path, self.dtype, "r", self.place, (math.prod(self.shape),))
        else:
            need_memory(TIMES_HELD * size, f"{path}: variable '{self.name}'", SHORTER)
            with open(path, "rb") as file:
                content = _start(file, *self.packed, self.place + size)
            flat = np.frombuffer(content, self.dtype, offset=self.place)
        return np.asarray(flat.reshape(self.shape, order="F"))


def variables_of(path: str) -> list[Variable]:
    """Find the arrays of real numbers in a MAT file.

    Raises RecordingError if an element does not hold what its tag tells.
    """
    try:
        with open(path, "rb") as file:
            return list(_variables(file))
    except (ValueError, zlib.error) as fault:
        raise RecordingError(f"{path}: not a readable MAT file, or cut short: {fault}.") from None


def _variables(file: BinaryIO) -> Iterator[Variable]:
    order = "<" if file.read(128)[126:128] == b"IM" else ">"
    at, end = 128, file.seek(0, 2)
    while at + 8 <= end:
        file.seek(at)
        kind, length = Fields(file.read(8), order).at(0, "II")
        if at + 8 + length > end:
            raise ValueError(f"a variable of {length:,} bytes goes beyond the end of the file")
        inside = (at + 8, length)
        if kind == PACKED:
            head = _start(file, *inside, HEAD)
            kind, inner = Fields(head, order).at(0, "II")
            found = _variable(Fields(head, order), 8, inner, 0, inside) if kind == MATRIX else None
        else:
            found = None
            if kind == MATRIX:
                found = _variable(Fields(file.read(min(length, HEAD)), order), 0, length, at + 8, None)
        if found is not None:
            yield found
        at += 8 + length


def _start(file: BinaryIO, at: int, length: int, most: int) -> bytes:
    """Return the first bytes that a packed element unpacks to."""
    file.seek(at)
    part, out = zlib.decompressobj(), bytearray()
    while len(out) < most and length > 0 and (piece := file.read(min(length, PIECE))):
        length -= len(piece)
        while piece and len(out) < most:
            out += part.decompress(piece, min(PIECE, most - len(out)))
            piece = part.unconsumed_tail
    return bytes(out)


def _variable(head: Fields, at: int, length: int, base: int, packed: tuple[int, int] | None) -> Variable | None:
    """Return the variable whose head this is; None if it is none of real numbers."""
    end = at + length

    def element() -> tuple[int, int, int]:
        nonlocal at
        kind = head.one(at, "I")
        if kind >> 16:  # up to four bytes beside their tag
            found = kind & 0xFFFF, at + 4, kind >> 16
            at += 8
        else:
            found = kind, at + 8, head.one(at + 4, "I")
            at += 8 + -(-found[2] // 8) * 8
        return found

    if length == 0:
        return None
    _, place, _ = element()
    flags = head.one(place, "I")
    if flags & 0xFF not in NUMERIC or flags & COMPLEX:
        return None
    _, place, size = element()
    shape = head.at(place, f"{min(size, len(head.data)) // 4}i")
    _, place, size = element()
    name = head.data[place : place + size].decode("utf-8", "replace")
    kind, place, size = element()
    dtype = np.dtype(head.order + TYPES.get(kind, "V1"))
    if dtype.kind == "V" or min(shape, default=-1) < 0:
        raise ValueError(f"variable '{name[:60]}' has no numbers")
    if size != math.prod(shape) * dtype.itemsize or place + size > end:
        raise ValueError(
            f"variable '{name[:60]}' holds {size:,} bytes, which are no {' × '.join(map(str, shape))} numbers"
        )
    return Variable(name, shape, dtype, base + place, packed)
