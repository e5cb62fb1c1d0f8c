"""Passes that are longer or shorter than the light shows them: which borders are wrong, and by how much."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from teachlab.data.alignment import Alignment, measure_alignment
from teachlab.data.alignment.finding import finding
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.questions.quality import inspected

INFO = RecordingInfo(sample_rate_hz=2000.0, unit="mV")
NARROW = "Products narrower than the beam are seen longer than they are: if these are not, correct the lengths."


def line(
    direction: Direction, *, length: float, begin: float = 0.0, end: float = 0.0, doubt: float = 2, varies: float = 0.0
) -> tuple[Recording, Truth]:
    """Return light of products of a length, and passes whose borders are this much later, ms."""
    rng = np.random.default_rng(3)
    start = np.cumsum(np.full(80, 120.0) + rng.uniform(-20, 20, 80))
    lengths = length * (1 + varies * rng.uniform(-1, 1, 80))
    at = (np.arange(int(2 * (start[-1] + 250))) + 0.5) / 2
    light = rng.normal(1000, 3, at.size)
    for a, b in zip(start, start + lengths, strict=True):
        light[(at >= a) & (at < b)] += 500 if direction is Direction.RISE else -500
    borders = [np.rint(2 * side).astype(int) for side in (start + begin, start + lengths + end)]
    recording = Recording.from_array(light, replace(INFO, direction=direction))
    return recording, Truth.from_arrays(*borders, uncertainty_samples=doubt)


def measured(direction: Direction, **how: float) -> Alignment:
    found = measure_alignment(*line(direction, **how))  # type: ignore[arg-type]
    assert found is not None
    return found


@pytest.mark.parametrize("direction", Direction)
@pytest.mark.parametrize(("doubt", "within"), [(1, ""), (2, ""), (16, ", within their doubt of ±8 ms")])
def test_passes_shorter_than_the_beam_is_wide(direction: Direction, doubt: int, within: str) -> None:
    """Passes of 3 ms in light of 10 ms were called too coarse; how exact they are stated says nothing of that."""
    found = measured(direction, length=10, begin=3.5, end=-3.5, doubt=doubt)
    assert found.belongs
    assert finding(found) == [
        f"Your passes are 7 ms shorter than the light shows{within}. No shift mends that. {NARROW}"
    ]
    assert found.short is (doubt < 7)
    # The doubt that align gives them reaches over the light: 3.5 ms are 7 samples.
    assert found.short is False or 7 <= found.doubt_after <= 9.5


@pytest.mark.parametrize("direction", Direction)
@pytest.mark.parametrize(
    ("begin", "end", "told"),
    [
        (0, -25, "25 ms shorter than the light shows: their starts agree with it, their ends come too early. No shift "
         "mends that. Correct the ends."),
        (25, 0, "25 ms shorter than the light shows: their ends agree with it, their starts come too late. No shift "
         "mends that. Correct the starts."),
        (0, 25, "25 ms longer than the light shows: their starts agree with it, their ends come too late. No shift "
         "mends that. If all of a product is seen, correct the ends."),
        (-25, 0, "25 ms longer than the light shows: their ends agree with it, their starts come too early. No shift "
         "mends that. If all of a product is seen, correct the starts."),
        (12.5, -12.5, f"25 ms shorter than the light shows. No shift mends that. {NARROW}"),
        (-12.5, 12.5, "25 ms longer than the light shows. No shift mends that. If all of a product is seen, correct "
         "the lengths."),
    ],
)  # fmt: skip
def test_which_borders_are_wrong_is_said_and_right_ones_are_not_moved(
    direction: Direction, begin: float, end: float, told: str
) -> None:
    """Passes with right starts were said to lead the light by half of what their ends lack, and were moved."""
    found = measured(direction, length=50, begin=begin, end=end)
    assert finding(found) == [f"Your passes are {told}"]
    assert not found.moves
    assert abs(found.shift.shift) < 0.6
    lights = max(2 * begin, -2 * end, 0)
    assert found.outside == pytest.approx(lights, abs=0.6)
    if lights:
        assert lights < found.doubt_after < lights + 4


@pytest.mark.parametrize("direction", Direction)
def test_passes_of_wrong_length_that_lag_as_well_are_moved(direction: Direction) -> None:
    found = measured(direction, length=50, begin=-20, end=-40)
    assert found.moves
    assert found.ms(found.shift.shift) == pytest.approx(30, abs=0.4)
    assert [text.partition(".")[0] for text in finding(found)][
        -1
    ] == "Your passes are 20 ms shorter than the light shows"


@pytest.mark.parametrize("direction", Direction)
def test_marks_inside_products_are_not_taken_for_products_that_no_level_detects(direction: Direction) -> None:
    """A mark of 1 ms in a product of 60 ms has no edge: `no fixed level works here` condemned the line."""
    found = inspected(*line(direction, length=60, begin=29.5, end=-29.5))
    assert found.alignment is None
    assert found.verdict.decision == "find the right passes"
    assert found.verdict.reasons[0].text.startswith(
        "Fewer than three passes have an edge of the light near their begin"
    )
    assert "hold whole products" in found.verdict.reasons[0].text


@pytest.mark.parametrize("direction", Direction)
def test_marks_inside_products_do_not_turn_the_direction(direction: Direction) -> None:
    """Products of 85 ms that nearly touch: the gaps turned over are the only edges near a mark, and too far away."""
    for mark in (5, 10, 20):
        beside = (85 - mark) / 2
        found = measure_alignment(*line(direction, length=85, begin=beside, end=-beside))
        assert found is None or not (found.turned or found.contrary)
