"""A strictly regular line whose ends lie in the log: an empty pass at one end tells whole passes off."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.data.alignment import measure_alignment
from teachlab.data.alignment.whole_periods import OtherFit, fuller
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth

PITCH, PASSES = 240, 60


def told(seed: int, off: int, *, jitter: float, missing: float = 0.0, unseen: float = 0.0) -> int:
    """Return what is told of passes that are so many pitches early, some of them or of the products missing."""
    rng = np.random.default_rng(seed)
    start = 4 * PITCH + PITCH * np.arange(PASSES)
    light = rng.normal(1000, 10, int(start[-1]) + 4 * PITCH)
    for a in start:
        light[a : a + 80] += 500 * (rng.random() >= unseen)
    kept = rng.random(PASSES) >= missing
    sides = (
        np.rint(side + rng.normal(0, jitter, PASSES) - off * PITCH).astype(int)[kept] for side in (start, start + 80)
    )
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV", direction=Direction.RISE)
    found = measure_alignment(Recording.from_array(light, info), Truth.from_arrays(*sides, uncertainty_samples=2))
    assert found is not None
    assert found.ambiguous
    assert found.belongs
    assert abs(found.lags.shift.shift) < 2
    assert found.as_dict()["fuller"] == found.fuller
    return found.fuller


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(("missing", "unseen"), [(0, 0), (0.1, 0), (0, 0.1)])
def test_right_passes_are_not_sent_away(seed: int, missing: float, unseen: float) -> None:
    for jitter in (0.5, 4):
        assert told(seed, 0, jitter=jitter, missing=missing, unseen=unseen) == 0


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("off", [-2, -1, 1, 2])
def test_whole_passes_off_are_told(seed: int, off: int) -> None:
    for jitter in (0.5, 4):
        assert told(seed, off, jitter=jitter) == off


def test_a_shift_that_fits_clearly_worse_is_not_told() -> None:
    own = OtherFit(0, 0.0, 0.9, 0.95, 114)
    assert fuller([own, OtherFit(1, 240.0, 0.95, 1.0, 115)]) == 1
    assert fuller([own, OtherFit(1, 240.0, 0.6, 1.0, 115)]) == 0
    assert fuller([own, OtherFit(1, 240.0, 0.95, 1.0, 114)]) == 0  # passes without an edge were moved out at an end
