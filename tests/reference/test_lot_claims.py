"""Bounds by lots, cost bounds and orders against scipy, statsmodels and printed sample sizes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta, t, ttest_1samp
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


def test_cost_bound_is_scipys_one_sided_t_interval_where_the_sample_is_even() -> None:
    for costs in (np.array([0.0, 0.02, 0.1, 0.0, 0.04, 0.0, 0.3]), np.array([0.0, 0.1, 0.2, 0.3, 0.4])):
        found = cost_bound(costs, confidence=0.95)
        upper = ttest_1samp(costs, 0.0, alternative="less").confidence_interval(0.95).high
        assert found.upper == pytest.approx(upper, rel=1e-12)
    low = ttest_1samp(costs, 0.0, alternative="greater").confidence_interval(0.95).low
    assert found.low == pytest.approx(low, rel=1e-12)


@pytest.mark.parametrize(
    "costs", [[0.0, 0.02, 0.1, 0.0, 0.04, 0.0, 0.3], [0.2, 0.2, 0.2, 0.15, 0.2], [0.0] * 9 + [1.0]]
)
def test_the_lower_end_meets_halls_statistic(costs: list[float]) -> None:
    """Hall 1992, the third-degree transformation (from memory): at the bound it equals the t quantile."""
    x = np.array(costs)
    n, sd, skewness = x.size, x.std(ddof=1), (((x - x.mean()) / x.std(ddof=1)) ** 3).mean()
    s = (x.mean() - cost_bound(x).low) / sd
    statistic = n**0.5 * (s + skewness * s**2 / 3 + skewness**2 * s**3 / 27 + skewness / (6 * n))
    assert statistic == pytest.approx(t.ppf(0.95, n - 1), rel=1e-9)


def test_the_lower_end_lies_above_the_truth_in_at_most_one_of_twenty_where_lots_are_unlike() -> None:
    """Lots at 5 %, intra-lot correlation .5: Student's lower end finds half as many lines of twice the errors."""
    rng = np.random.default_rng(11)
    found = {}
    for rate in (0.05, 0.1):
        lost = rng.binomial(50, rng.beta(rate, 1 - rate, (1500, 40))) / 50
        student = lost.mean(1) - t.ppf(0.95, 39) * lost.std(1, ddof=1) / 40**0.5
        found[rate] = np.mean([cost_bound(row).low > 0.05 for row in lost]), (student > 0.05).mean()
    assert found[0.05][0] <= 0.05
    assert found[0.1][0] >= found[0.1][1] + 0.1


def test_orders_are_t_tests_corrected_by_holm() -> None:
    rng = np.random.default_rng(7)
    pairs = [rng.normal(mean, 0.05, 30) for mean in (-0.1, -0.02, 0.0)]
    plain = [ttest_1samp(d, 0.0).pvalue for d in pairs]
    adverse = [ttest_1samp(np.append(d, -np.sign(d.mean())), 0.0).pvalue for d in pairs]
    found = orders(pairs)
    assert [o.p for o in found] == pytest.approx(multipletests(plain, method="holm")[1].tolist(), rel=1e-9)
    assert [o.p_adverse for o in found] == pytest.approx(multipletests(adverse, method="holm")[1].tolist(), rel=1e-9)
