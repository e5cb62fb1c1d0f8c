"""The loss of light per day from levels that were read over days."""

import numpy as np
import pytest

from teachlab.errors import ParameterError
from teachlab.questions.stress.cleaning import observed_loss


def levels(seed: int, *, days: int = 60, cleaned: int | None = None, alike: float = 0.0) -> np.ndarray:
    """1 % a day is lost; a reading is off by 3 %, and resembles the one before; on one day all dirt is wiped off."""
    rng = np.random.default_rng(seed)
    off = rng.normal(0, 0.03, days)
    for k in range(1, days):
        off[k] = alike * off[k - 1] + np.sqrt(1 - alike**2) * off[k]
    dirty = np.arange(days) - (0 if cleaned is None else cleaned * (np.arange(days) >= cleaned))
    return np.exp(7 - 0.01 * dirty + off)


def test_levels_over_a_cleaning_are_refused_by_the_day() -> None:
    for seed in range(20):
        with pytest.raises(ParameterError, match=r"rises between day (3[6-9]|4[0-4]) and day .* as after a cleaning"):
            observed_loss(range(60), levels(seed, cleaned=40))


@pytest.mark.parametrize("alike", [0.0, 0.6])
def test_noise_is_no_cleaning(alike: float) -> None:
    inside = 0
    for seed in range(60):
        found = observed_loss(range(60), levels(seed, alike=alike))
        inside += found.low <= 0.01 <= found.high
    assert inside >= 53
    # One bright reading stays one.
    spike = levels(1)
    spike[30] *= 2
    assert observed_loss(range(60), spike).points == 60


def test_one_step_of_rounded_levels_is_no_cleaning() -> None:
    """Most of them do not change: by the usual change alone, 0, one count more was a cleaning."""
    days = np.arange(40)
    observed_loss(days, np.where(days < 20, 1000.0, 1001.0))
    exact = 900 * 0.99**days
    with pytest.raises(ParameterError, match="between day 19 and day 20"):
        observed_loss(days, np.where(days < 20, exact, exact * 1.25))
