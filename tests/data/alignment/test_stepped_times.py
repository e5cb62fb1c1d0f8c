"""Passes whose times come in steps: a controller stamps once a scan, or a table has few decimals."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.data.alignment import measure_alignment
from teachlab.data.alignment.answer import Alignment
from teachlab.data.alignment.finding import finding
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.wording.alignment import figures


def measured(
    pitch: float, passes: int, step: int, *, length: float = 83.0, ppm: float = 0.0, doubt: float = 1.0
) -> tuple[Alignment, float]:
    """Return what is told of a belt whose passes were stamped in steps, and the largest error of its moved borders."""
    rng = np.random.default_rng([passes, step])
    start = 400 + rng.uniform(0, 50) + pitch * np.arange(passes)
    end = start + length
    at = np.arange(end[-1] + 400) + 0.5
    corners = np.stack([start - 2, start + 2, end - 2, end + 2], 1).ravel()
    light = 1000 + np.interp(at, corners, np.tile([0.0, 800, 800, 0], passes)) + rng.normal(0, 10, at.size)
    clock = [side - 1e-6 * ppm * (side - at.size / 2) for side in (start, end)]
    sides = [step * np.floor(side / step) for side in clock]
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    found = measure_alignment(Recording.from_array(light, info), Truth.from_arrays(*sides, uncertainty_samples=doubt))
    assert found is not None
    moved = [found.lags.shift.of(side) for side in sides]
    return found, float(np.max(np.abs([moved[0] - start, moved[1] - end])))


@pytest.mark.parametrize(
    ("pitch", "passes", "step"), [(300.3, 40, 10), (300.05, 150, 10), (250.6, 30, 20), (300.3, 120, 50)]
)
def test_times_in_steps_are_no_clock_that_drifts_or_jumps(pitch: float, passes: int, step: int) -> None:
    """They run ahead by some hundredths of a step a pass and fall back: that was a clock some hundred ppm slow."""
    found, error = measured(pitch, passes, step, length=83.0 if step < 50 else 131.0)
    assert found.step == step
    assert not found.drifts
    assert found.parted is None
    assert error < step


@pytest.mark.parametrize("ppm", [-900, 900])
def test_a_clock_that_drifts_by_more_than_its_steps_is_told(ppm: float) -> None:
    found, _ = measured(303.7, 300, 10, ppm=ppm)
    assert found.step == 10
    assert found.drifts
    assert 1e6 * found.lags.shift.rate == pytest.approx(ppm, rel=0.05)


def test_steps_are_named() -> None:
    found, _ = measured(300.3, 40, 10)
    assert "Their times come in steps of 10 ms." in finding(found)
    assert found.as_dict()["step_ms"] == 10
    assert not any("ppm slow" in line for line in finding(found))
    untold, _ = measured(300.3, 30, 10)
    assert "less than the times' steps of 10 ms" in " ".join(figures(untold))


def test_times_too_coarse_for_the_passes_are_named() -> None:
    """They were asked whether they belong to this recording."""
    found, _ = measured(563.0, 120, 100, length=237.0)
    assert not found.belongs
    assert finding(found) == [
        "The times of your passes come in steps of 100 ms, where half of all passes and gaps are shorter than 201 ms: "
        "too coarse to lie against this light. Take closer times. Trust no count below before that is settled."
    ]
    stated, _ = measured(337.0, 9, 100, length=131.0, doubt=100.0)
    assert not stated.belongs
    assert "are exact to ±100 ms only" in finding(stated)[0]


def test_times_of_a_single_step_are_not_stepped() -> None:
    found, _ = measured(303.7, 60, 1)
    assert found.step == 1
    assert found.as_dict()["step_ms"] == 1
