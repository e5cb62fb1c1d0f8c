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


@pytest.mark.parametrize(("kind", "least"), [("wanders", 27), ("falls in steps", 25), ("weeks", 31)])
def test_what_wanders_beside_scatter_is_allowed_for(kind: str, least: int) -> None:
    """60 days, 1 % lost a day, 3 % of scatter; of 32 each, neighbouring days alone held it in 17, 19 and 27."""
    held = 0
    for seed in range(32):
        rng = np.random.default_rng([seed, 60])
        dirt = 0.01 * np.arange(60.0)
        if kind == "wanders":
            dirt += np.cumsum(rng.normal(0, 0.02, 60))
        elif kind == "falls in steps":
            dirt = 0.1 * np.cumsum(rng.poisson(0.1, 60))
        else:
            warm = rng.normal(0, 0.06, 60)
            for k in range(1, 60):
                warm[k] = 0.95 * warm[k - 1] + np.sqrt(1 - 0.95**2) * warm[k]
            dirt += warm
        found = observed_loss(range(60), np.exp(7 - dirt + rng.normal(0, 0.03, 60)))
        held += found.low <= 0.01 <= found.high
    assert held >= least


def test_a_steady_loss_is_not_told_by_halves() -> None:
    found = [observed_loss(range(60), levels(seed)) for seed in range(40)]
    assert sum(one.halves is not None for one in found) <= 1


def test_one_step_of_rounded_levels_is_no_cleaning() -> None:
    """Most of them do not change: by the usual change alone, 0, one count more was a cleaning."""
    days = np.arange(40)
    observed_loss(days, np.where(days < 20, 1000.0, 1001.0))
    exact = 900 * 0.99**days
    with pytest.raises(ParameterError, match="between day 19 and day 20"):
        observed_loss(days, np.where(days < 20, exact, exact * 1.25))
