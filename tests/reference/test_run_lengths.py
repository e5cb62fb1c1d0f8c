"""Run lengths of the one-sided cumulative sum: printed tables, and Brook and Evans' chain as a second route."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import ndtr

from teachlab.statistics.over_time.cumulative_sums import run_length, threshold_for

TABLE = (
    "Lucas and Crosier, Technometrics 24 (1982) 199; Montgomery, Introduction to Statistical Quality Control (memory)"
)
PRINTED = [
    # Shift in standard deviations, run length at k = 0.5 for h = 4 and h = 5.
    (0.0, 336, 930),
    (0.5, 26.6, 38.0),
    (0.75, 13.3, 17.0),
    (1.0, 8.38, 10.4),
    (1.5, 4.75, 5.75),
    (2.0, 3.34, 4.01),
    (2.5, 2.62, 3.11),
    (3.0, 2.19, 2.57),
    (4.0, 1.71, 2.01),
]


@pytest.mark.parametrize(("shift", "at_4", "at_5"), PRINTED)
def test_run_lengths_as_printed(shift: float, at_4: float, at_5: float) -> None:
    # Chains of some tens of states, as tables were computed by, are off in the third digit for long run lengths.
    assert run_length(1.0, 4.0, drift_sd=shift) == pytest.approx(at_4, rel=4e-3), TABLE
    assert run_length(1.0, 5.0, drift_sd=shift) == pytest.approx(at_5, rel=4e-3), TABLE


# Printed for pairs of sums on either side: each side alone has twice the run length where nothing changes.
# Hawkins, Journal of Quality Technology 25 (1993) 248 (from memory): h for a two-sided run length of 370.
@pytest.mark.parametrize(("k", "h"), [(0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1.0, 2.52), (1.25, 1.99), (1.5, 1.61)])
def test_thresholds_for_370_on_both_sides(k: float, h: float) -> None:
    low, high = (run_length(2 * k, h + half) / 2 for half in (-0.006, 0.006))
    assert low <= 370 <= high


def _chain(k: float, h: float, drift: float, states: int) -> float:
    """Brook and Evans, Biometrika 59 (1972) 539: a chain on the midpoints of equal cells, absorbed above h."""
    width = 2 * h / (2 * states - 1)
    centre = np.arange(states) * width
    edge = centre[None, :] - centre[:, None] - (drift - k)
    step = ndtr(edge + width / 2) - ndtr(edge - width / 2)
    step[:, 0] = ndtr(edge[:, 0] + width / 2)
    return float(np.linalg.solve(np.eye(states) - step, np.ones(states))[0])


@pytest.mark.parametrize(
    ("shift_sd", "threshold", "drift"), [(1.0, 3.0, 0.0), (0.5, 6.0, 0.1), (2.0, 2.0, 0.5), (1.0, 5.0, 1.0)]
)
def test_run_lengths_by_a_chain(shift_sd: float, threshold: float, drift: float) -> None:
    coarse, fine = (_chain(shift_sd / 2, threshold, drift, states) for states in (60, 120))
    # The chain's error falls with the square of the width of its cells.
    expected = fine + (fine - coarse) / 3
    assert run_length(shift_sd, threshold, drift_sd=drift) == pytest.approx(expected, rel=2e-4)


def test_beyond_what_is_solved_nothing_jumps() -> None:
    for drift in (0.0, 0.4, 0.5, 0.8, 3.0):
        lengths = [run_length(1.0, h, drift_sd=drift) for h in np.arange(8.0, 30.0, 0.25)]
        growth = np.diff(np.log(lengths))
        assert (growth > 0).all()
        assert (np.abs(np.diff(growth)) < 0.01).all()


@pytest.mark.parametrize(("watched", "baseline"), [(2000, 10**6), (10**5, 400), (10**7, 10**6)])
def test_thresholds_answer_run_lengths(watched: int, baseline: int) -> None:
    threshold = threshold_for(watched, baseline)
    assert run_length(1.0, threshold, drift_sd=2 / baseline**0.5) == pytest.approx(watched / 0.05, rel=1e-6)
