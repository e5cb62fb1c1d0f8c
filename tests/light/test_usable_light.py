"""Light that cannot be reckoned with: counted as the largest number, or refused."""

import numpy as np
import pytest

from teachlab.errors import RecordingError, UnmeasurableError
from teachlab.light.usable_light import LARGEST, bounded, bounded_recording
from teachlab.model.recording import Block, Recording, RecordingInfo

INFO = RecordingInfo(sample_rate_hz=1000, unit="counts")


@pytest.mark.parametrize(
    ("dtype", "most"),
    [(np.float64, LARGEST), (np.float32, float(np.finfo(np.float32).max)), (np.float16, 65504.0)],
)
def test_infinite_light_is_the_largest_of_its_type(dtype: type, most: float) -> None:
    light = np.array([1, np.inf, np.nan, -np.inf, -7], dtype)
    found = bounded(Block(3, light), "log")
    np.testing.assert_array_equal(found.light, np.array([1, most, np.nan, -most, -7], dtype))
    assert found.light.dtype == light.dtype
    assert found.start == 3
    np.testing.assert_array_equal(light, np.array([1, np.inf, np.nan, -np.inf, -7], dtype))


@pytest.mark.parametrize("wrong", [np.nextafter(LARGEST, np.inf), -1.7e308])
def test_finite_light_beyond_is_refused_with_its_place(wrong: float) -> None:
    with pytest.raises(UnmeasurableError, match=r"^log: column 'light', sample 12: .* got .*Import the log in a"):
        bounded(Block(10, np.array([np.inf, 1.0, wrong, 2 * LARGEST])), "log")
    assert issubclass(UnmeasurableError, RecordingError)


def test_what_an_invalid_sample_holds_means_nothing() -> None:
    invalid = np.array([False, True, True, False])
    block = Block(0, np.array([1.0, 1e300, np.inf, -np.inf]), invalid)
    assert bounded(block, "log").light.tolist() == [1.0, 1e300, np.inf, -LARGEST]


@pytest.mark.parametrize("light", [np.array([LARGEST, -LARGEST]), np.array([0.0, np.nan]), np.empty(0)])
def test_light_within_is_handed_on_untouched(light: np.ndarray) -> None:
    block = Block(0, light)
    assert bounded(block, "log") is block


def test_a_recording_of_whole_numbers_stays_itself_and_one_of_floats_is_bounded_wherever_it_is_read() -> None:
    whole = Recording.from_array(np.array([2**63 - 1, 0]), INFO)
    assert bounded_recording(whole) is whole
    light = np.arange(10.0)
    light[[3, 8]] = np.inf, -np.inf
    found = bounded_recording(Recording.from_array(light, INFO))
    assert bounded_recording(found) is found
    expected = np.where(np.isinf(light), np.copysign(LARGEST, light), light)
    np.testing.assert_array_equal(found.read(2, 9).light, expected[2:9])
    np.testing.assert_array_equal(np.concatenate([b.light for b in found.blocks(size=3)]), expected)
    assert (found.samples, found.dtype) == (10, light.dtype)


def test_extremes_known_beforehand_are_not_told_of_bounded_light() -> None:
    found = bounded_recording(Recording.from_array(np.array([1.0, np.inf]), INFO))
    assert [(c.start, c.stop, c.low, c.high) for c in found.source.chunks()] == [(0, 2, None, None)]
