"""The blocks of an MDF file, gone through before they are read: where they lead in a circle a reader never ends.

ASAM MDF 4 and the older MDF 3: every block names the next one of its kind by its place in the file.
"""

from __future__ import annotations

import mmap
import zlib
from collections.abc import Callable, Iterator

import pyarrow as pa

from teachlab.data.importing.reading.fields import Fields
from teachlab.data.importing.reading.unpacked_size import PIECE, SHORTER, inflated
from teachlab.errors import RecordingError
from teachlab.model.memory import allowed_memory, need_memory

BLOCK_TIMES = 3.0
"""A packed block while it is read, for each byte that it unpacks to."""
VIRTUAL = (3, 6)
"""Channels of MDF 4 that are counted, not stored."""
MARKED = 2
"""Flag of a channel whose samples may be marked invalid."""
MOST_PACKED = 1 << 15
"""No byte unpacks to more, whatever the packing (Zstandard by RFC 8878: 128 KiB from 4 bytes)."""


def need_for_blocks(path: str) -> None:
    """Refuse an MDF file whose blocks go in a circle, tell of more rows than there are, or unpack to too much.

    Raises ParameterError with the figure, if a block unpacks to more than may be used.
    Raises RecordingError if blocks lead in a circle or out of the file, or rows are told of that are not there.
    """
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        walk = _Walk(path, data)
        try:
            (walk.version_4 if walk.fields.one(28, "H") >= 400 else walk.version_3)()
        except ValueError:
            raise RecordingError(
                f"{path}: not a readable MDF file, or cut short: a block lies outside the file. Copy it again."
            ) from None


class _Walk:
    def __init__(self, path: str, data: mmap.mmap) -> None:
        self._path, self._data, self.fields, self._seen = path, data, Fields(data), set[int]()

    def version_4(self) -> None:
        for group in self._chain(self._links(64)[0]):
            links = self._links(group)
            rows = 0
            number_size = self.fields.one(group + 24 + 8 * len(links), "B")
            for channels in self._chain(links[1]):
                of_group = self._links(channels)
                _, told, flags, _, _, size, more = self.fields.at(channels + 24 + 8 * len(of_group), "QQHHIII")
                if not flags & 1 or of_group[1]:  # else a row has the length that it tells
                    rows += told * max(1, number_size + size + more)
                self._channels(of_group[1], 8 * size, 8 * more)
            held = sum(self._held(block) for block in self._data_blocks(links[2]))
            self._need_rows(rows, held)

    def version_3(self) -> None:
        """Only where the blocks lead: the rows of one group number less than 2^32, of at most 64 KiB."""
        fields = Fields(self._data, ">" if self._data[24:26] != b"\0\0" else "<")

        def links(at: int, count: int) -> tuple[int, ...]:
            return fields.at(at + 4, f"{count}I")

        def chain(at: int) -> Iterator[int]:
            return self._chain(at, lambda block: links(block, 1)[0])

        for group in chain(links(64, 1)[0]):
            held = len(self._data) - links(group, 4)[3]
            for channels in chain(links(group, 2)[1]):
                size, told = fields.at(channels + 20, "HI")
                self._need_rows(told * max(1, size), held)
                for channel in chain(links(channels, 2)[1]):
                    first, count = fields.at(channel + 186, "HH")
                    more = fields.one(channel + 226, "H") if fields.one(channel + 2, "H") >= 228 else 0
                    self._need_inside(8 * more + first + count, 8 * size)

    def _need_inside(self, end: int, bits: int) -> None:
        """Refuse a channel that ends outside of its row: its reader looks there and ends with the whole process."""
        if end > bits:
            raise RecordingError(
                f"{self._path}: not a readable MDF file: a channel reaches to bit {end:,} of a row of {bits:,}. Copy "
                "it again."
            )

    def _need_rows(self, told: int, held: int) -> None:
        if told > held:
            raise RecordingError(
                f"{self._path}: its rows take {told:,} bytes by what the file tells, and {held:,} are there. The file "
                "is damaged or cut short; copy it again."
            )

    def _links(self, at: int) -> tuple[int, ...]:
        mark, _, count = self.fields.at(at, "4s4xQQ")
        if mark[:2] != b"##" or 8 * count > len(self._data):
            raise ValueError("it is no block, or links lead out of the file")
        return self.fields.at(at + 24, f"{count}Q")

    def _chain(self, at: int, following: Callable[[int], int] | None = None) -> Iterator[int]:
        """Yield a block and what follows it; each is met once in a file."""
        while at:
            yield self._once(at)
            at = self._links(at)[0] if following is None else following(at)

    def _once(self, at: int) -> int:
        if at in self._seen:
            raise RecordingError(f"{self._path}: not a readable MDF file: its blocks lead in a circle. Copy it again.")
        self._seen.add(at)
        return at

    def _channels(self, at: int, bits: int, invalid_bits: int) -> None:
        """Go through channels whose rows have so many bits, and behind them so many that mark samples as invalid."""
        waiting = [at]
        while waiting:
            for channel in self._chain(waiting.pop()):
                links = self._links(channel)
                kind, first, byte, count, flags, mark = self.fields.at(channel + 24 + 8 * len(links), "B2xBIIII")
                if kind not in VIRTUAL:
                    self._need_inside(8 * byte + first + count, bits)
                if flags & MARKED:
                    self._need_inside(mark + 1, invalid_bits)
                waiting += [link for link in links[1:2] if link and self._data[link : link + 4] == b"##CN"]
                for block in self._data_blocks(*links[5:6]):  # samples of free length lie beside the rows
                    self._held(block)

    def _data_blocks(self, at: int = 0) -> Iterator[int]:
        """Yield the blocks that hold rows, through lists of them."""
        if at and self._data[at : at + 4] == b"##HL":
            at = self._links(at)[0]
        if at and self._data[at : at + 4] in (b"##DL", b"##LD"):
            for part in self._chain(at):
                yield from (self._once(link) for link in self._links(part)[1:] if link)
        elif at:
            yield self._once(at)

    def _held(self, at: int) -> int:
        """Return the bytes of a block's rows; of a packed one what it tells, once it is found not to be more."""
        mark, length = self.fields.at(at, "4s4xQ")
        if mark != b"##DZ":
            there = len(self._data) - at
            # Of a file that was never closed the last block has no length yet.
            return there if self._data[:2] == b"Un" else min(length, there) - 24
        packing, told, packed = self.fields.at(at, "26xB5xQQ")
        what = f"{self._path}: a block of this file"
        need_memory(BLOCK_TIMES * told, what, SHORTER)
        if BLOCK_TIMES * MOST_PACKED * packed > allowed_memory():
            for size in _unpacked(self._data[at + 48 : at + 48 + packed], packing):
                need_memory(BLOCK_TIMES * size, what, SHORTER)
        return int(told)


def _unpacked(block: bytes, packing: int) -> Iterator[int]:
    """Yield how many bytes have come of a packed block so far; each piece is let go."""
    if packing < 2:
        yield from inflated(zlib.decompressobj(), block)
        return
    size = 0
    with pa.CompressedInputStream(pa.BufferReader(block), "zstd" if packing < 4 else "lz4") as part:
        while piece := part.read(PIECE):
            size += len(piece)
            yield size
