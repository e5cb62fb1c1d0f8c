"""Settings far beyond the recording act as settings just beyond it: no overflow, no other answer."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.errors import SettingError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.switching import replay

LIGHT = np.array([0, 0, 9, 9, 0, 0, 0, 9, 0, 0], np.uint16)
TRUTH = Truth.from_arrays([2, 7], [4, 8])


def found(light: np.ndarray, tolerance_ms: float = 0.0, **changes: object) -> tuple[object, ...]:
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    output = replay(recording, Setting(unit="counts", on_level=5, off_level=5, **changes))
    counts = score(output, TRUTH, rules=Rules(tolerance_ms=tolerance_ms)).as_dict()
    return output.active_at_start, output.onsets.tolist(), output.releases.tolist(), counts


@pytest.mark.parametrize("light", [LIGHT, 9 - LIGHT], ids=["starts dark", "starts light"])
@pytest.mark.parametrize("acts_on", ["output", "light"])
@pytest.mark.parametrize("polarity", ["light-on", "dark-on"])
@pytest.mark.parametrize("name", ["on_delay_ms", "off_delay_ms"])
@pytest.mark.parametrize("delay_ms", [1e9, 4e18, 1e30, 1e300])
def test_a_delay_longer_than_the_record(
    light: np.ndarray, acts_on: str, polarity: str, name: str, delay_ms: float
) -> None:
    common = {"delays_act_on": acts_on, "polarity": polarity}
    assert found(light, **{name: delay_ms}, **common) == found(light, **{name: 100.0}, **common)


@pytest.mark.parametrize("light", [LIGHT, 9 - LIGHT], ids=["starts dark", "starts light"])
@pytest.mark.parametrize("consecutive", [10**9, 2**53])
def test_a_filter_longer_than_the_record(light: np.ndarray, consecutive: int) -> None:
    assert found(light, consecutive=consecutive) == found(light, consecutive=100)


@pytest.mark.parametrize("consecutive", [2**53 + 1, 2**70, 10**400])
def test_a_filter_beyond_what_numbers_count_is_refused(consecutive: int) -> None:
    with pytest.raises(SettingError, match="consecutive"):
        found(LIGHT, consecutive=consecutive)


@pytest.mark.parametrize("tolerance_ms", [1e9, 4e18, 1e30, 1e300])
def test_a_tolerance_longer_than_the_record(tolerance_ms: float) -> None:
    assert found(LIGHT, tolerance_ms) == found(LIGHT, 100.0)


@pytest.mark.parametrize("rate", [1e-3, 1e-18, 1e-30, 1e-300])
def test_an_evaluation_rate_slower_than_the_record(rate: float) -> None:
    """One evaluation, of the first sample; the times follow the rate, the counts do not."""
    assert found(9 - LIGHT, evaluation_rate_hz=rate)[:3] == (True, [], [])


@pytest.mark.parametrize(("dtype", "level"), [("float16", 65_519.0), ("float32", 3.4028235e38)])
def test_a_level_just_above_the_largest_value_of_the_type(dtype: str, level: float) -> None:
    """No finite sample reaches it, an infinite one does, and nothing is said about it."""
    largest = np.finfo(dtype).max
    light = np.array([0, largest, 0, np.inf, largest, 0], dtype)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    output = replay(recording, Setting(unit="counts", on_level=level, off_level=level))
    assert (output.onsets.tolist(), output.releases.tolist()) == ([3], [4])
