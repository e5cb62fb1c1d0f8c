"""Differences and paired tests against printed tables and other programs."""

from __future__ import annotations

import math
import warnings

import pytest
from scipy.optimize import minimize_scalar

from teachlab.statistics.differences import miettinen_nurminen, newcombe, p_mid, rate_ratio, tango
from teachlab.statistics.paired_tests import Discordance

NEWCOMBE = "Newcombe, Stat. Med. 17 (1998) 873, Table II"
TABLE_II = [
    # first, second, method 10 (hybrid), method 6 (Miettinen–Nurminen), method 5 (Mee)
    ((56, 70), (48, 80), (0.0524, 0.3339), (0.0528, 0.3382), (0.0533, 0.3377)),
    ((9, 10), (3, 10), (0.1705, 0.8090), (0.1700, 0.8406), (0.1821, 0.8370)),
    ((6, 7), (2, 7), (0.0582, 0.8062), (0.0342, 0.8534), (0.0544, 0.8478)),
    ((84, 101), (89, 105), (-0.1177, 0.0851), (-0.1191, 0.0860), (-0.1188, 0.0857)),
]
# Contrasts with empty and full cells: the hybrid's limits from memory of the same table.
EDGES = [
    ((5, 56), (0, 29), (-0.0381, 0.1926)),
    ((0, 10), (0, 20), (-0.1611, 0.2775)),
    ((0, 10), (0, 10), (-0.2775, 0.2775)),
    ((10, 10), (0, 20), (0.6791, 1.0)),
    ((10, 10), (0, 10), (0.6075, 1.0)),
]


@pytest.mark.parametrize(("first", "second", "hybrid", "mn", "mee"), TABLE_II)
def test_independent_rates_as_printed(
    first: tuple[int, int],
    second: tuple[int, int],
    hybrid: tuple[float, float],
    mn: tuple[float, float],
    mee: tuple[float, float],
) -> None:
    for found, printed in (
        (newcombe(first, second), hybrid),
        (miettinen_nurminen(first, second), mn),
        (miettinen_nurminen(first, second, corrected=False), mee),
    ):
        assert (found.low, found.high) == pytest.approx(printed, abs=5.1e-5), (NEWCOMBE, found.method)


@pytest.mark.parametrize(("first", "second", "hybrid"), EDGES)
def test_empty_and_full_cells(first: tuple[int, int], second: tuple[int, int], hybrid: tuple[float, float]) -> None:
    found = newcombe(first, second)
    assert (found.low, found.high) == pytest.approx(hybrid, abs=5.1e-5), NEWCOMBE


@pytest.mark.parametrize(("first", "second"), [row[:2] for row in TABLE_II + EDGES])
def test_newcombe_equals_statsmodels(first: tuple[int, int], second: tuple[int, int]) -> None:
    from statsmodels.stats.proportion import confint_proportions_2indep

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = confint_proportions_2indep(*first, *second, method="newcomb", compare="diff")
    found = newcombe(first, second)
    assert (found.low, found.high) == pytest.approx(theirs, abs=1e-9)


def test_miettinen_nurminen_as_another_program_prints_it() -> None:
    # R package PropCIs, diffscoreci(7, 34, 1, 34); statsmodels' score interval has a fault in its cubic here.
    found = miettinen_nurminen((7, 34), (1, 34))
    assert (found.low, found.high) == pytest.approx((0.0270416, 0.3452912), abs=5.1e-8)
    mee = miettinen_nurminen((7, 34), (1, 34), corrected=False)
    assert (mee.low, mee.high) == pytest.approx((0.028371, 0.343940), abs=1e-6)


def _likelihood_statistic(first: tuple[int, int], second: tuple[int, int], delta: float) -> float:
    """The score statistic with the restricted rates found by a numerical search, not by the cubic."""
    (x1, n1), (x2, n2) = first, second

    def cost(p2: float) -> float:
        p1, total = p2 + delta, 0.0
        for x, n, p in ((x1, n1, p1), (x2, n2, p2)):
            total -= (x * math.log(max(p, 1e-300)) if x else 0) + (
                (n - x) * math.log(max(1 - p, 1e-300)) if n - x else 0
            )
        return total

    p2 = minimize_scalar(cost, bounds=(max(0, -delta), min(1, 1 - delta)), method="bounded", options={"xatol": 1e-12}).x
    p1 = p2 + delta
    variance = (p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2) * (n1 + n2) / (n1 + n2 - 1)
    return (x1 / n1 - x2 / n2 - delta) / math.sqrt(variance)


@pytest.mark.parametrize(("first", "second"), [*(row[:2] for row in TABLE_II + EDGES), ((1, 40), (0, 33))])
def test_score_limits_by_a_numerical_search(first: tuple[int, int], second: tuple[int, int]) -> None:
    found = miettinen_nurminen(first, second)
    for limit, z in ((found.low, 1.959964), (found.high, -1.959964)):
        if abs(limit) < 1:
            assert _likelihood_statistic(first, second, limit) == pytest.approx(z, abs=2e-4)


FAGERLAND = "Fagerland, Lydersen and Laake, BMC Med. Res. Methodol. 13:91 (2013)"


def test_mcnemar_as_printed() -> None:
    # 1 and 7 discordant: prints .070 and .039.
    assert Discordance(1, 7, 21).p_exact == pytest.approx(0.0703125), FAGERLAND
    assert p_mid(1, 7) == pytest.approx(0.0390625), FAGERLAND
    # Agresti, Categorical Data Analysis, approval of the prime minister: 150 and 86.
    assert Discordance(150, 86, 1600).p_exact == pytest.approx(3.71594e-5, rel=2e-6)


@pytest.mark.parametrize(("b", "c", "p"), [(5, 15, 0.0413895), (2, 8, 0.109375), (6, 0, 0.03125), (5, 0, 0.0625)])
def test_sign_test(b: int, c: int, p: float) -> None:
    assert Discordance(b, c, 50).p_exact == pytest.approx(p, abs=5e-8)


def test_tango_as_printed() -> None:
    found = tango(9, 3, 32)  # Tango 1998, section 6.2
    assert (found.low, found.high) == pytest.approx((-0.027090, 0.389697), abs=1e-6)


@pytest.mark.parametrize(("b", "c", "n"), [(0, 0, 10), (10, 0, 10), (3, 0, 40), (4, 9, 1000), (1, 1, 2)])
def test_tango_mirrors_and_holds_its_estimate(b: int, c: int, n: int) -> None:
    one, other = tango(b, c, n), tango(c, b, n)
    assert (one.low, one.high) == pytest.approx((-other.high, -other.low), abs=1e-9)
    assert -1 <= one.low <= (b - c) / n <= one.high <= 1


def test_rate_ratio_as_printed() -> None:
    # R's help page of poisson.test: 11 in 800 against 21 in 3011.
    ratio, p, _ = rate_ratio((11, 800), (21, 3011))
    assert ratio.estimate == pytest.approx(1.971488, abs=5e-7)
    assert (ratio.low, ratio.high) == pytest.approx((0.8584264, 4.2772659), abs=1e-7)
    assert p == pytest.approx(0.0796686, abs=5e-8)
    # Gu et al. 2008, as used by statsmodels: 60 in 51477.5 against 30 in 54308.7.
    _, p, p_half = rate_ratio((60, 51477.5), (30, 54308.7))
    assert (p, p_half) == pytest.approx((0.000675183, 0.000557262), abs=5e-10)


def test_rates_without_events_or_trials() -> None:
    ratio, p, p_half = rate_ratio((0, 3.0), (0, 5.0))
    assert (ratio.estimate, ratio.low, ratio.high, p, p_half) == (None, 0.0, math.inf, 1.0, 1.0)
    assert rate_ratio((2, 3.0), (0, 5.0))[0].high == math.inf
    assert (newcombe((0, 0), (1, 2)).low, miettinen_nurminen((1, 2), (0, 0)).high) == (-1.0, 1.0)
    assert tango(0, 0, 0).estimate is None
