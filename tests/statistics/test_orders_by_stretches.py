"""An order by stretches, where the lots are not named and may be longer than a stretch."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from teachlab.statistics.claims.orders import OrderStanding, orders, paired_p
from teachlab.statistics.lots import Source, blocks_of


def differences(lots: int, size: int, gap: float, rng: np.random.Generator) -> np.ndarray:
    """Errors of two settings by stretches; each loses its own share of every lot, on average 0.1 and 0.1 + gap."""
    lost = [rng.random((lots, size)) < rng.beta(4 * m, 4 * (1 - m), lots)[:, None] for m in (0.1, 0.1 + gap)]
    apart = (lost[0].astype(int) - lost[1]).reshape(-1)[rng.integers(size) :]
    cuts = np.concatenate(([0], np.cumsum(blocks_of(np.zeros(apart.size))[1])))
    return np.add.reduceat(apart, cuts[:-1]) / np.diff(cuts)


def share(lots: int, size: int, gap: float = 0.0) -> float:
    """Return how often an order is told."""
    rng = np.random.default_rng([lots, size])
    drawn = [differences(lots, size, gap, rng) for _ in range(400)]
    told = [orders([d], source=Source.BLOCKS)[0].standing is OrderStanding.HERE for d in drawn]
    return float(np.mean(told))


@pytest.mark.parametrize(("lots", "size", "most"), [(4, 60, 0.08), (6, 100, 0.05), (12, 20, 0.05), (20, 40, 0.05)])
def test_settings_that_cost_the_same_are_seldom_ordered(lots: int, size: int, most: float) -> None:
    """An order was told in up to a quarter of such lines: stretches that share a lot are no trials of their own.

    Four lots are fewer than the five pairs of stretches: 8 of 100 are left.
    """
    # And 2.5 standard deviations of 400 draws.
    assert share(lots, size) <= most + 2.5 * (most * (1 - most) / 400) ** 0.5


def test_a_large_difference_is_still_seen() -> None:
    assert share(20, 40, 0.4) > 0.9


def test_quarters_are_tested_too() -> None:
    """11 stretches make quarters of 3, 3, 3 and 2."""
    d = np.array([0.9, 0.9, 0.6, 0.2, 0.4, 0.0, 0.1, 0.3, 0.2, 0.3, 0.1])
    means = np.array([0.8, 0.2, 0.2, 0.2])
    assert orders([d], source=Source.BLOCKS)[0].p == pytest.approx(paired_p(means))
    assert paired_p(d) < paired_p(means)


def drifting(lots: int, passes: int, returns: float, rng: np.random.Generator) -> np.ndarray:
    """Draw the errors of two settings by lots: one loses where the light is low, the other trips where it is high."""
    keeps = np.exp(-1 / (returns * passes))
    light = lfilter([(1 - keeps**2) ** 0.5], [1.0, -keeps], rng.normal(size=passes + 5000))[5000:]
    first, second = (rng.random(passes) < 1 / (1 + np.exp(3.5 - 1.5 * way * light)) for way in (1, -1))
    return (first.astype(float) - second).reshape(lots, -1).mean(axis=1)


@pytest.mark.parametrize(("stretches", "returns", "most"), [(10, 0.1, 0.06), (10, 0.2, 0.1), (40, 0.2, 0.105)])
def test_settings_that_cost_the_same_on_a_line_that_drifts_are_seldom_ordered(
    stretches: int, returns: float, most: float
) -> None:
    """The light returns after such a share of the recording."""
    rng = np.random.default_rng([stretches, round(100 * returns)])
    drawn = [drifting(stretches, 50 * stretches, returns, rng) for _ in range(400)]
    found = np.mean([orders([d], source=Source.BLOCKS)[0].standing is not OrderStanding.OPEN for d in drawn])
    assert found <= most + 2.5 * (most * (1 - most) / 400) ** 0.5
