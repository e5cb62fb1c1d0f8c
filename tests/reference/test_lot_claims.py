"""Bounds by lots, cost bounds and orders against scipy, statsmodels and printed sample sizes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta, ttest_1samp
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from teachlab.statistics.claims.lot_claims import Assumption, claim_by_lots, lots_needed
from teachlab.statistics.claims.orders import cost_bound, orders

WILKS = "Wilks, Annals of Mathematical Statistics 12 (1941) 91-96, first-order one-sided sample sizes (from memory)"


@pytest.mark.parametrize(
    ("max_rate", "confidence", "lots", "source"),
    [(0.05, 0.95, 59, WILKS), (0.01, 0.95, 299, WILKS), (0.01, 0.99, 459, WILKS), (0.10, 0.95, 29, WILKS)],
)
def test_lots_needed_without_losses_are_the_printed_sample_sizes(
    max_rate: float, confidence: float, lots: int, source: str
) -> None:
    assert lots_needed(max_rate, confidence) == lots, source


@pytest.mark.parametrize(("whole", "lots"), [(0, 20), (1, 20), (3, 12), (12, 12)])
def test_lots_lost_as_a_whole_are_trials_of_a_binomial(whole: int, lots: int) -> None:
    """statsmodels' Clopper-Pearson ("beta"): its two-sided interval at 90 % has the one-sided bounds at 95 %."""
    found = claim_by_lots([40] * whole + [0] * (lots - whole), [40] * lots)
    low, high = proportion_confint(whole, lots, alpha=0.1, method="beta")
    assert (found.low, found.upper) == pytest.approx((low, high), rel=1e-9)


def test_lots_lost_in_part_follow_scipys_beta() -> None:
    rates = np.array([0.1, 0.0, 0.25, 0.5, 0.0, 0.05])
    found = claim_by_lots(rates * 20, [20] * 6, confidence=0.9)
    assert found.upper == pytest.approx(beta.ppf(0.9, 0.9 + 1, 6 - 0.9), rel=1e-9)
    assert found.low == pytest.approx(beta.ppf(0.1, 0.9, 6 - 0.9 + 1), rel=1e-9)


def test_assumed_independence_is_clopper_pearson_on_all_passes() -> None:
    found = claim_by_lots([1, 0, 2], [50, 70, 30], assumption=Assumption(0.0))
    assert found.upper == pytest.approx(beta.ppf(0.95, 4, 147), rel=1e-9)
    # Kish's design effect by hand: m = (50² + 70² + 30²) / 150 = 8300 / 150, deff = 1 + (m − 1) · 0.1.
    effect = 1 + (8300 / 150 - 1) * 0.1
    held = claim_by_lots([1, 0, 2], [50, 70, 30], assumption=Assumption(0.1))
    assert held.upper == pytest.approx(beta.ppf(0.95, 3 / effect + 1, (150 - 3) / effect), rel=1e-9)


def test_cost_bound_is_scipys_one_sided_t_interval() -> None:
    costs = np.array([0.0, 0.02, 0.1, 0.0, 0.04, 0.0, 0.3])
    found = cost_bound(costs, confidence=0.95)
    upper = ttest_1samp(costs, 0.0, alternative="less").confidence_interval(0.95).high
    low = ttest_1samp(costs, 0.0, alternative="greater").confidence_interval(0.95).low
    assert (found.low, found.upper) == pytest.approx((low, upper), rel=1e-12)


def test_orders_are_t_tests_corrected_by_holm() -> None:
    rng = np.random.default_rng(7)
    pairs = [rng.normal(mean, 0.05, 30) for mean in (-0.1, -0.02, 0.0)]
    plain = [ttest_1samp(d, 0.0).pvalue for d in pairs]
    adverse = [ttest_1samp(np.append(d, -np.sign(d.mean())), 0.0).pvalue for d in pairs]
    found = orders(pairs)
    assert [o.p for o in found] == pytest.approx(multipletests(plain, method="holm")[1].tolist(), rel=1e-9)
    assert [o.p_adverse for o in found] == pytest.approx(multipletests(adverse, method="holm")[1].tolist(), rel=1e-9)
