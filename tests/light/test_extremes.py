"""Extremes of stretches: by hand, and against a plain loop whatever the blocks."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.light.extremes import Extremes, inside


def test_touching_empty_and_invalid_stretches():
    light = np.array([5, 7, 9, 1, 4, 8], np.uint16)
    found = Extremes(np.array([0, 2, 2, 5]), np.array([2, 2, 5, 6]))
    found.push(0, light, np.array([0, 0, 0, 1, 0, 1], bool))
    assert found.valid.tolist() == [2, 0, 2, 0]
    assert np.array_equal(found.low, [5, np.nan, 4, np.nan], equal_nan=True)
    assert np.array_equal(found.high, [7, np.nan, 9, np.nan], equal_nan=True)


@st.composite
def cases(draw):
    size = draw(st.integers(1, 60))
    light = np.array(draw(st.lists(st.integers(-5, 5), min_size=size, max_size=size)), float)
    invalid = np.array(draw(st.lists(st.booleans(), min_size=size, max_size=size)))
    borders = sorted(draw(st.lists(st.integers(0, size), max_size=12)))
    borders = borders[: len(borders) // 2 * 2]
    return light, invalid, np.array(borders[0::2], np.int64), np.array(borders[1::2], np.int64)


@settings(max_examples=200, deadline=None)
@given(cases(), st.integers(1, 70))
def test_any_blocks_give_what_a_loop_gives(case, size):
    light, invalid, start, stop = case
    found = Extremes(start, stop)
    member = []
    for a in range(0, light.size, size):
        part = slice(a, a + size)
        found.push(a, light[part], invalid[part] if invalid[part].any() else None)
        member += inside(a, light[part].size, start, stop).tolist()
    for k in range(start.size):
        valid = [light[i] for i in range(start[k], stop[k]) if not invalid[i]]
        assert found.valid[k] == len(valid)
        assert np.array_equal(found.low[k], min(valid, default=np.nan), equal_nan=True)
        assert np.array_equal(found.high[k], max(valid, default=np.nan), equal_nan=True)
    assert member == [any(a <= i < b for a, b in zip(start, stop, strict=True)) for i in range(light.size)]
