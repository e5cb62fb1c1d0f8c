"""More errors than before, by lots: how often it is said of lines on which nothing changed, and of those that did."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy.stats import norm

from teachlab.statistics.differences import p_more_by_lots
from teachlab.statistics.lots import quarters

LINES, SIZE, RATE, CHANCE = 400, 20, 0.05, 0.05
MOST = 35
"""Of 400 lines, each false with 5 %, more are so in fewer than 1 of 1,000 cases (binomial distribution)."""


def _lots(kind: str, lots: int, rng: np.random.Generator, rate: float = RATE) -> tuple[list[int], list[int]]:
    """Draw the errors and passes of every lot."""
    of = rng.integers(5, 2 * SIZE, lots) if kind == "unequal" else np.full(lots, SIZE)
    if kind == "independent":
        chance = np.full(lots, rate)
    elif kind == "rare bad lots":
        chance = np.where(rng.random(lots) < rate, 1.0, 0.0)
    else:
        chance = rng.beta(rate, 1 - rate, lots)  # intra-lot correlation 0.5
    return rng.binomial(of, chance).tolist(), of.tolist()


@pytest.mark.parametrize("kind", ["independent", "lots", "unequal", "rare bad lots"])
@pytest.mark.parametrize(("now", "before"), [(5, 5), (5, 20), (25, 25)])
def test_a_line_that_did_not_change_has_more_errors_by_lots_in_one_of_twenty_recordings(
    kind: str, now: int, before: int
) -> None:
    rng = np.random.default_rng(1)
    found = [p_more_by_lots(_lots(kind, now, rng), _lots(kind, before, rng)) < CHANCE for _ in range(LINES)]
    assert sum(found) <= MOST


def test_ten_times_as_many_errors_are_found_by_25_lots() -> None:
    rng = np.random.default_rng(1)
    found = [p_more_by_lots(_lots("lots", 25, rng, 0.2), _lots("lots", 25, rng, 0.02)) < CHANCE for _ in range(100)]
    assert sum(found) >= 80


@pytest.mark.parametrize("seed", range(5))
def test_the_p_is_that_of_all_divisions(seed: int) -> None:
    """Plain loop over all 462 divisions of 11 lots; the sampled p lies within 4 standard errors, and one division."""
    rng = np.random.default_rng(seed)
    (now, of_now), (before, of_before) = _lots("unequal", 5, rng, 0.3), _lots("unequal", 6, rng, 0.1)
    events, trials = np.array(now + before), np.array(of_now + of_before)
    rises = []
    for chosen in combinations(range(11), 5):
        rest = [k for k in range(11) if k not in chosen]
        chosen_rate = events[list(chosen)].sum() / trials[list(chosen)].sum()
        rises.append(chosen_rate - events[rest].sum() / trials[rest].sum())
    exact = np.mean(np.array(rises) >= rises[0] - 1e-12)
    error = 4 * (exact * (1 - exact) / 2000) ** 0.5 + 1 / 2000
    assert p_more_by_lots((now, of_now), (before, of_before)) == pytest.approx(exact, abs=error)


@pytest.mark.parametrize(("number", "most", "least"), [(10, 0.13, 0.13), (20, 0.08, 0.15), (40, 0.07, 0.15)])
def test_lots_that_drift_are_joined_to_quarters(number: int, most: float, least: float) -> None:
    """Neighbouring lots correlate by .74: what is false of lots one by one is rarer by quarters, at 2.5 % each.

    8, 6 and 4 of 100 by 10, 20 and 40 lots; one by one 17, 24 and 19.
    """
    rng, keeps = np.random.default_rng(3), np.exp(-0.3)

    def lots() -> tuple[np.ndarray, np.ndarray]:
        state = rng.normal(size=1)
        for _ in range(number - 1):
            state = np.append(state, keeps * state[-1] + (1 - keeps**2) ** 0.5 * rng.normal())
        of = np.full(number, 20.0)
        return rng.binomial(20, norm.cdf(norm.ppf(0.1) * 2**0.5 + state)).astype(float), of

    joined = plain = 0
    for _ in range(LINES):
        both = lots(), lots()
        plain += p_more_by_lots(*both) < CHANCE / 2
        part = quarters(number)
        by_quarter = [tuple(np.bincount(part, k) for k in one) for one in both]
        joined += p_more_by_lots(*by_quarter) < CHANCE / 2
    assert joined < most * LINES
    assert plain > least * LINES
