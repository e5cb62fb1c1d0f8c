"""Products of two kinds whose times mean different places: no drift and no jump of the clock."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.data.alignment import measure_alignment
from teachlab.data.alignment.answer import Alignment
from teachlab.data.alignment.finding import finding
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth

EARLY = 5.0


def measured(seed: int, passes: int, by: float, second: np.ndarray, *, jump: float = 0.0) -> tuple[Alignment, float]:
    """Return what is told where passes of the second kind come later, and the largest error of a moved border."""
    rng = np.random.default_rng([seed, passes])
    length, gap = rng.uniform(60, 110, passes), rng.uniform(90, 220, passes + 1)
    start = np.cumsum(gap[:-1]) + np.concatenate(([0], np.cumsum(length[:-1])))
    end = start + length
    at = np.arange(int(end[-1] + gap[-1])) + 0.5
    corners = np.stack([start - 2, start + 2, end - 2, end + 2], 1).ravel()
    light = 1000 + np.interp(at, corners, np.tile([0.0, 800, 800, 0], passes)) + rng.normal(0, 10, at.size)
    late = np.where(second, by, 0.0) + np.where(np.arange(passes) >= passes // 2, jump, 0.0) - EARLY
    sides = [np.rint(side + late + rng.normal(0, 0.5, passes)).astype(int) for side in (start, end)]
    truth = Truth.from_arrays(*sides, label=np.where(second, "can", "jar"), uncertainty_samples=1)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    found = measure_alignment(Recording.from_array(light, info), truth)
    assert found is not None
    moved = [found.lags.shift.of(side) for side in sides]
    return found, float(np.max(np.abs([moved[0] - start, moved[1] - end])))


def turns(passes: int, of: int) -> np.ndarray:
    return np.asarray(np.arange(passes) // of % 2 == 1)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("passes", "of", "by"), [(20, 5, 12), (20, 10, 3), (60, 7, 12), (60, 30, 3), (200, 1, 12)])
def test_kinds_that_lag_differently_are_no_clock_that_drifts_or_jumps(seed: int, passes: int, of: int, by: int) -> None:
    """Of 20 passes in turns of 5, five of five were a jump; of halves, five of five a clock that drifts."""
    found, error = measured(seed, passes, by, turns(passes, of))
    assert found.parted is None
    assert not found.drifts
    assert found.belongs
    assert error <= found.doubt_after
    assert finding(found)[-1].startswith("Passes of kind 'can' lie ")
    assert found.kinds is not None
    assert found.kinds[0].middle - found.kinds[1].middle == pytest.approx(by, abs=1)


@pytest.mark.parametrize("seed", range(4))
def test_a_kind_that_comes_more_often_does_not_hide_the_doubt_of_the_other(seed: int) -> None:
    """The doubt was ±7 ms, and 45 of 100 borders lay 12 ms off."""
    found, error = measured(seed, 60, 12, np.random.default_rng(seed).random(60) < 0.4)
    assert error <= found.doubt_after


def test_a_jump_where_the_kind_changes_may_be_either() -> None:
    found, _ = measured(0, 60, 12, turns(60, 30))
    assert found.parted is not None
    assert found.as_dict()["parted"]["of_kind"] is True
    assert finding(found)[0].startswith(
        "Passes 30 to 59 lie 12 ms later against this light than the others. The kind of product changes there: their "
        "times mean another place of it, or the clock of the table jumped. One shift cannot mend that."
    )


@pytest.mark.parametrize("of", [1, 3, 50])
@pytest.mark.parametrize("by", [0, 4])
def test_a_jump_among_kinds_in_turns_is_still_a_jump(of: int, by: int) -> None:
    found, _ = measured(1, 60, by, turns(60, of), jump=25)
    assert found.parted is not None
    assert not found.parted.of_kind
    assert found.parted.first == 30 or found.parted.last == 29


@pytest.mark.parametrize("seed", range(10))
def test_kinds_that_lag_alike_are_not_told_apart(seed: int) -> None:
    found, _ = measured(seed, 40, 0, turns(40, 2))
    assert found.kinds is None


@pytest.mark.parametrize("kinds", [1, 2, 6, 12, 60])
def test_a_clock_that_drifts_through_kinds_one_after_the_other_is_told(kinds: int) -> None:
    """Kinds of few passes each would follow any drift."""
    rng = np.random.default_rng(kinds)
    start = 300 + np.cumsum(rng.uniform(200, 400, 60))
    at = np.arange(int(start[-1]) + 500) + 0.5
    corners = np.stack([start - 2, start + 2, start + 78, start + 82], 1).ravel()
    light = 1000 + np.interp(at, corners, np.tile([0.0, 800, 800, 0], 60)) + rng.normal(0, 10, at.size)
    clock = start - 1e-3 * (start - at.size / 2)
    label = [f"kind {k * kinds // 60}" for k in range(60)]
    truth = Truth.from_arrays(np.rint(clock), np.rint(clock + 80), label=label, uncertainty_samples=1)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction=Direction.RISE)
    found = measure_alignment(Recording.from_array(light, info), truth)
    assert found is not None
    assert 1e6 * found.lags.shift.rate == pytest.approx(1000, rel=0.05)
