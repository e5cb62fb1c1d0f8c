"""Fields of foreign heads: bytes by hand in both orders; nothing is read before or behind the data."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from teachlab.data.importing.reading.fields import Fields

HEAD = bytes.fromhex("0102 00000003 ff")


def test_fields_by_hand() -> None:
    assert Fields(HEAD, ">").at(0, "BBIB") == (1, 2, 3, 255)
    assert Fields(HEAD, "<").one(0, "H") == 0x0201
    assert list(Fields(HEAD, ">").rows(2, "H", 2)) == [(0,), (3,)]


@given(st.binary(max_size=12), st.integers(-(2**70), 2**70), st.sampled_from(["B", "H", "I", "Q", "H4xB", "3Q"]))
def test_a_field_lies_within_the_data_or_is_refused(data: bytes, place: int, layout: str) -> None:
    size = struct.calcsize(f"<{layout}")
    if place >= 0 and place + size <= len(data):
        assert Fields(data).at(place, layout) == struct.unpack(f"<{layout}", data[place : place + size])
    else:
        with pytest.raises(ValueError, match="outside the file"):
            Fields(data).at(place, layout)


def test_rows_that_are_told_beyond_the_end_are_refused_when_they_are_reached() -> None:
    rows = Fields(HEAD).rows(0, "H", 2**40)
    assert [next(rows) for _ in range(3)] == [(0x0201,), (0,), (0x0300,)]
    with pytest.raises(ValueError, match="outside the file"):
        next(rows)
