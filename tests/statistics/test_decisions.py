"""From how many lots, or stretches, on a decision may be made."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, binomtest, t

from teachlab.statistics.claims.decisions import MeasuredCost, decide, enough_to_decide
from teachlab.statistics.claims.orders import ORDER_LOTS, _half_of, cost_bound, lots_to_order, paired_p
from teachlab.statistics.lots import Source


@pytest.mark.parametrize(
    ("source", "lots", "enough"),
    [(Source.LOTS, 4, False), (Source.LOTS, 5, True), (Source.BLOCKS, 9, False), (Source.BLOCKS, 10, True)],
)
def test_five_named_lots_or_ten_stretches_are_enough(source: Source, lots: int, enough: bool) -> None:
    bound = cost_bound([0.0] * lots, source=source)
    assert enough_to_decide(bound) is enough
    named = lots if source is Source.LOTS else 0
    found = decide(MeasuredCost(errors=0.0, cost=bound, never=1.0, named_lots=named), [(bound, True)])
    wanted = "use" if source is Source.LOTS else "use with a limit"
    assert str(found) == (wanted if enough else "cannot be decided")


@pytest.mark.parametrize(("mean", "sd"), [(-0.1, 0.12), (-0.05, 0.15), (0.02, 0.1)])
def test_so_many_lots_as_are_told_show_the_difference_in_4_of_5_recordings(mean: float, sd: float) -> None:
    rng = np.random.default_rng(0)
    like = np.array([-1.0, 1.0] * 10)
    need = lots_to_order(mean + sd * like / like.std(ddof=1))
    assert need is not None
    drawn = rng.normal(mean, sd, (2000, need))
    shown = [paired_p(d) < 0.05 for d in drawn]
    assert 0.78 < np.mean(shown) < 0.9
    if need > ORDER_LOTS:
        fewer = [paired_p(d[: need * 3 // 4]) < 0.05 for d in drawn]
        assert np.mean(fewer) < 0.75


def test_no_number_of_lots_shows_what_is_no_difference() -> None:
    assert lots_to_order([0.0] * 8) is None
    assert lots_to_order([0.1]) is None
    assert lots_to_order([-0.1] * 8) == ORDER_LOTS
    assert lots_to_order([-0.3, 0.31] * 10) is None


def test_one_good_lot_among_bad_ones_does_not_hide_that_most_fail() -> None:
    """Five lots of six lose all: the bound with its skewness taken out falls below any share that is accepted."""
    bound = cost_bound([1, 1, 1, 1, 1, 0.35])
    # By hand: four of six lots reach 1; Clopper and Pearson's lower end of 4 of 6 at 99.5 % is 14.36 %.
    assert bound.low == pytest.approx(binomtest(4, 6).proportion_ci(0.99).low)
    assert bound.low == pytest.approx(0.1436, abs=5e-5)
    assert cost_bound([-1, 1, 1, 1, 1, 1]).low < -0.1  # a saving can be any size: half of the lots bound no mean


@pytest.mark.parametrize("icc", [0.05, 0.2, 0.5])
@pytest.mark.parametrize("lots", [20, 80])
def test_the_lower_end_lies_above_the_true_mean_at_most_as_often_as_allowed_and_students_less_often(
    lots: int, icc: float
) -> None:
    rng = np.random.default_rng([lots, round(100 * icc)])
    rates = rng.beta(0.05 * (1 / icc - 1), 0.95 * (1 / icc - 1), (2000, lots))
    drawn = rng.binomial(50, rates) / 50
    ours = np.mean([cost_bound(costs).low > 0.05 for costs in drawn])
    students = np.mean(drawn.mean(axis=1) - t.ppf(0.95, lots - 1) * drawn.std(axis=1, ddof=1) / lots**0.5 > 0.05)
    assert students < ours <= 0.05 + 3 * (0.05 * 0.95 / 2000) ** 0.5


@pytest.mark.parametrize("lots", [5, 6, 9, 14, 40])
@pytest.mark.parametrize("share", [0.01, 0.05, 0.2, 0.5, 0.9])
def test_what_half_of_the_lots_tell_fails_at_most_a_tenth_as_often_as_allowed(lots: int, share: float) -> None:
    """Lots that lose all or nothing: summed over every number of bad lots, without a simulation."""
    wrong = [k for k in range(lots + 1) if _half_of(np.array([1.0] * k + [0.0] * (lots - k)), 0.005) > share]
    assert binom.pmf(wrong, lots, share).sum() <= 0.005
