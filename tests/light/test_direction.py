"""The direction of objects, by hand on both sides of the required ratio."""

from __future__ import annotations

import math

import pytest

from teachlab.light.direction import Contrasts, contrasts
from teachlab.model.recording import Direction


def test_contrasts_are_medians_over_passes() -> None:
    # Above 10: 40, 42, 90, median 42. Below 10: 1, 2, 30, median 2.
    assert contrasts([50, 52, 100], [9, 8, -20], 10) == Contrasts(rise=42.0, dip=2.0)


def test_every_pass_may_have_a_background_of_its_own() -> None:
    assert contrasts([50, 60, 70], [10, 20, 30], [10, 20, 30]) == Contrasts(rise=40.0, dip=0.0)


@pytest.mark.parametrize(
    ("high", "low", "expected"),
    [
        (22.5, 0.0, Direction.RISE),  # 12.5 above 10 and 10 below: exactly the required ratio
        (22.4, 0.0, None),  # 1.24
        (20.0, -2.5, Direction.DIP),  # 12.5 below, 10 above
        (20.0, -2.4, None),
        (20.0, 0.0, None),  # alike
        (20.0, 12.0, Direction.RISE),  # never below the background
        (8.0, 0.0, Direction.DIP),  # never above it
        (10.0, 10.0, None),  # no contrast at all
    ],
)
def test_larger_contrast_decides_from_a_ratio_of_one_and_a_quarter(
    high: float, low: float, expected: Direction | None
) -> None:
    assert contrasts([high], [low], 10.0).direction is expected


def test_ratio_is_told_and_infinite_where_one_side_shows_nothing() -> None:
    assert Contrasts(rise=30.0, dip=20.0).ratio == 1.5
    assert Contrasts(rise=20.0, dip=30.0).ratio == 1.5
    assert Contrasts(rise=30.0, dip=-1.0).ratio == math.inf
    assert math.isnan(Contrasts(rise=-1.0, dip=-2.0).ratio)


def test_passes_without_a_valid_sample_are_left_out_and_none_left_is_no_direction() -> None:
    nan = float("nan")
    assert contrasts([nan, 50.0], [nan, 9.0], 10.0) == Contrasts(rise=40.0, dip=1.0)
    assert contrasts([nan], [nan], 10.0).direction is None
    assert contrasts([], [], 10.0).direction is None
    assert contrasts([50.0], [9.0], nan).direction is None
