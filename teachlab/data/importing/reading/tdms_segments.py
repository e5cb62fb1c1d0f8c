"""The segments of a TDMS file, gone through before it is read: its reader leaves out what it does not reach."""

from __future__ import annotations

import mmap

from teachlab.data.importing.reading.fields import Fields
from teachlab.errors import RecordingError

HEAD_BYTES = 28
BIG_ENDIAN = 1 << 6
"""Flag of a segment's head."""
OPEN_END = 2**64 - 1
"""Length of a segment that the logger did not close."""


def check_segments(path: str) -> bool:
    """Return whether the logger closed the file.

    Raises RecordingError if a segment is cut, or no other begins where it ends.
    """
    with open(path, "rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        fields, at, size = Fields(data), 0, len(data)
        while at < size:
            if data[at : at + 4] != b"TDSm"[: size - at]:
                raise RecordingError(
                    f"{path}: not a readable TDMS file: no segment begins at byte {at:,}, where the one before ends. "
                    "Copy it again."
                )
            if at + HEAD_BYTES > size:
                break
            order = ">" if fields.one(at + 4, "I") & BIG_ENDIAN else "<"
            length = Fields(data, order).one(at + 12, "Q")
            if length == OPEN_END:
                return False
            at += HEAD_BYTES + length
    if at != size:
        raise RecordingError(
            f"{path}: not a readable TDMS file, or cut short: its last segment goes to byte {at:,}, and the file has "
            f"{size:,}. Copy it again."
        )
    return True
