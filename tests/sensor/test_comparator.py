"""The comparator by hand: levels, first state, types."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.sensor.comparator import Comparator, compares_exactly, level_in


def edges(light: np.ndarray, on: float, off: float) -> tuple[bool | None, list[int]]:
    comparator = Comparator(on, off, light.dtype)
    comparator.push(light)
    return comparator.first, comparator.light_state().edges.tolist()


def test_light_begins_at_the_on_level_and_ends_below_the_off_level() -> None:
    assert edges(np.array([0, 50, 40, 39, 49, 50]), 50, 40) == (False, [1, 3, 5])


def test_first_evaluation_between_the_levels_is_dark() -> None:
    assert edges(np.array([45, 60, 45]), 50, 40) == (False, [1])


def test_starts_light_without_an_edge() -> None:
    assert edges(np.array([50, 45, 10]), 50, 40) == (True, [2])


def test_a_start_in_the_light_sees_the_dark_after_it() -> None:
    """The state is set by the first sample, so the shortcut must look at the minimum from there on."""
    assert edges(np.array([90.0, 91, 92, 10, 90]), 50, 40) == (True, [3, 4])


def test_levels_are_never_narrowed() -> None:
    below = np.float32(0.45)
    above = np.nextafter(below, np.float32(1))
    assert float(below) < 0.45 < float(above)
    assert edges(np.array([0, above, below], np.float32), 0.45, 0.45) == (False, [1, 2])
    assert edges(np.array([0, 511, 512], np.uint16), 511.5, 511.5) == (False, [2])


@pytest.mark.parametrize("level", [1e39, -1e39, 3.5e38, 0.1, -0.1, 1e-46, 0.0])
def test_level_in_is_the_smallest_value_not_below(level: float) -> None:
    near = level_in(np.dtype("float32"), level)
    assert float(near) >= level
    with np.errstate(over="ignore"):
        assert float(np.nextafter(near, np.float32(-np.inf))) < level


def test_types_that_float64_holds_are_compared_as_they_are() -> None:
    exact = {name: compares_exactly(np.dtype(name)) for name in ("uint8", "int32", "int64", "float32", "float64")}
    assert exact == {"uint8": True, "int32": True, "int64": False, "float32": True, "float64": True}
    assert not compares_exactly(np.dtype("complex64"))
    assert not compares_exactly(np.dtype("bool"))
