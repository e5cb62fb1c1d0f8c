"""Whole published tables of intervals for one rate, two independent and two paired ones, with empty and full cells."""

from __future__ import annotations

import math

import numpy as np
import pytest

from teachlab.statistics.differences import miettinen_nurminen, newcombe, p_mid, rate_ratio, tango, wilson
from teachlab.statistics.intervals import count, proportion
from teachlab.statistics.paired_tests import Discordance

NEWCOMBE = "Newcombe, Stat. Med. 17 (1998) 873, Table II, as quoted by the tests of the package diff-binom-confint"
BOOK = (
    "Fagerland, Lydersen and Laake, Statistical Analysis of Contingency Tables (2017), as quoted by the tests of the R "
    "package contingencytables"
)
TABLE_II = [
    # first, second, hybrid score (method 10), Miettinen–Nurminen (6), Mee (5)
    ((56, 70), (48, 80), (0.0524, 0.3339), (0.0528, 0.3382), (0.0533, 0.3377)),
    ((9, 10), (3, 10), (0.1705, 0.8090), (0.1700, 0.8406), (0.1821, 0.8370)),
    ((6, 7), (2, 7), (0.0582, 0.8062), (0.0342, 0.8534), (0.0544, 0.8478)),
    ((5, 56), (0, 29), (-0.0381, 0.1926), (-0.0326, 0.1933), (-0.0313, 0.1926)),
    ((0, 10), (0, 20), (-0.1611, 0.2775), (-0.1658, 0.2844), (-0.1611, 0.2775)),
    ((0, 10), (0, 10), (-0.2775, 0.2775), (-0.2879, 0.2879), (-0.2775, 0.2775)),
    ((10, 10), (0, 20), (0.6791, 1.0), (0.7156, 1.0), (0.7225, 1.0)),
    # The quotation prints 0.6777 for Mee's last limit, which is that of two other methods of the same table. With no
    # success missing, δ stands at z² = 2 n (1 − δ) / (1 + δ): 0.6777 as well.
    ((10, 10), (0, 10), (0.6075, 1.0), (0.6636, 1.0), (0.6777, 1.0)),
]


@pytest.mark.parametrize(("first", "second", "hybrid", "mn", "mee"), TABLE_II)
def test_every_contrast_of_the_table(
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
    for method in (newcombe, miettinen_nurminen):
        turned, straight = method(second, first), method(first, second)
        assert (turned.low, turned.high) == pytest.approx((-straight.high, -straight.low), abs=1e-9)


def test_two_trials_of_the_book() -> None:
    high_dose, standard = (7, 34), (1, 34)
    found = newcombe(high_dose, standard)
    assert (found.low, found.high) == pytest.approx((0.0189, 0.3404), abs=5.1e-5), BOOK
    found = miettinen_nurminen(high_dose, standard, corrected=False)
    assert (found.low, found.high) == pytest.approx((0.0284, 0.3439), abs=5.1e-5), BOOK
    # An empty cell: 0 of 16 against 15 of 72.
    found = miettinen_nurminen((0, 16), (15, 72))
    assert found.estimate == pytest.approx(-0.2083, abs=5.1e-5)
    assert (found.low, found.high) == pytest.approx((-0.3164, -0.0056), abs=5.1e-5), BOOK


def test_one_rate_of_the_book() -> None:
    found = proportion(13, 16)
    assert found.estimate == pytest.approx(0.8125)
    assert (found.low, found.high) == pytest.approx((0.5435, 0.9595), abs=5.1e-5), BOOK
    assert wilson(13, 16) == pytest.approx((0.5699, 0.9341), abs=5.1e-5), BOOK
    # The exact test of one half, 0.02127, is the sign test of 13 against 3, and its mid-p value is 0.01273.
    assert Discordance(13, 3, 16).p_exact == pytest.approx(0.02127, abs=5.1e-6), BOOK
    assert p_mid(13, 3) == pytest.approx(0.01273, abs=5.1e-6), BOOK


def test_paired_trials_of_the_book() -> None:
    """59, 6, 16, 80 (complete response before and after): McNemar's exact p .0525, mid-p .0347, from memory.

    Recomputed: 2 P(X ≤ 6 | 22, ½) = 0.052479, less the chance of 6 (0.017788) = 0.034690.
    """
    found = Discordance(6, 16, 161)
    assert found.p_exact == pytest.approx(0.0525, abs=5.1e-5), BOOK
    assert p_mid(6, 16) == pytest.approx(0.0347, abs=5.1e-5), BOOK


def _restricted_by_search(b: int, c: int, n: int, delta: float) -> float:
    """The most likely chance of the second kind of discordance at a given difference, by a refined grid."""
    low, high = max(0.0, -delta), (1 - delta) / 2
    for _ in range(14):
        q = np.linspace(low, high, 41)
        with np.errstate(divide="ignore", invalid="ignore"):
            terms = [
                weight * np.log(np.clip(share, 0, 1))
                for weight, share in ((b, q + delta), (c, q), (n - b - c, 1 - 2 * q - delta))
                if weight
            ]
        likely = np.sum(terms, axis=0)
        best = int(np.nanargmax(likely))
        low, high = q[max(0, best - 1)], q[min(40, best + 1)]
    return float(q[best])


@pytest.mark.parametrize("n", [1, 2, 5, 9, 44])
def test_tango_of_every_small_table(n: int) -> None:
    """Tango, Stat. Med. 17 (1998) 891: at its limits the score statistic equals 1.96, searched without his cubic."""
    checked = 0
    for b in range(n + 1):
        for c in range(0, n + 1 - b, 1 if n < 10 else 7):
            found = tango(b, c, n)
            assert -1 <= found.low <= (b - c) / n <= found.high <= 1
            for limit, z in ((found.low, 1.959964), (found.high, -1.959964)):
                if abs(limit) > 1 - 1e-9:
                    continue
                q = _restricted_by_search(b, c, n, limit)
                variance = n * (2 * q + limit * (1 - limit))
                assert (b - c - n * limit) / math.sqrt(variance) == pytest.approx(z, abs=2e-4), (b, c, n)
                checked += 1
    assert checked > 2


@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.99])
def test_tango_at_other_confidences(confidence: float) -> None:
    from scipy.stats import norm

    for b, c, n in ((9, 3, 32), (0, 1, 44), (5, 0, 7), (150, 86, 1600)):
        found = tango(b, c, n, confidence)
        for limit, z in ((found.low, norm.isf((1 - confidence) / 2)), (found.high, norm.ppf((1 - confidence) / 2))):
            if abs(limit) < 1 - 1e-9:
                q = _restricted_by_search(b, c, n, limit)
                assert (b - c - n * limit) / math.sqrt(n * (2 * q + limit * (1 - limit))) == pytest.approx(z, abs=2e-4)


# Ulm, Am. J. Epidemiol. 131 (1990) 373 (from memory): standardised mortality ratio 11 observed, 16.6 expected at 95 %:
# 0.33 to 1.19. Garwood's limits of 11 are 5.4912 and 19.6820.
def test_a_standardised_ratio() -> None:
    found = count(11, 16.6)
    assert (found.low, found.high) == pytest.approx((0.33, 1.19), abs=5.1e-3)
    assert (found.low * 16.6, found.high * 16.6) == pytest.approx((5.4912, 19.6820), abs=5.1e-5)


@pytest.mark.parametrize(
    ("events", "confidence", "low", "high"),
    [
        # Pearson & Hartley, Biometrika Tables for Statisticians, Table 40 (from memory; recomputed with scipy's chi2).
        (1, 0.90, 0.0513, 4.744),
        (2, 0.90, 0.355, 6.296),
        (3, 0.90, 0.818, 7.754),
        (10, 0.90, 5.43, 16.96),
        (0, 0.99, 0.0, 5.298),
        (1, 0.99, 0.0050, 7.430),
        (2, 0.99, 0.103, 9.274),
        (10, 0.99, 3.72, 21.40),
        (30, 0.95, 20.24, 42.83),
        (30, 0.99, 17.77, 47.21),
    ],
)
def test_poisson_limits_at_other_confidences(events: int, confidence: float, low: float, high: float) -> None:
    found = count(events, 1.0, confidence)
    assert found.low == pytest.approx(low, abs=5.1e-5 if low < 0.1 else 5.1e-4 if low < 1 else 5.1e-3)
    assert found.high == pytest.approx(high, abs=5.1e-4 if high < 10 else 5.1e-3)


@pytest.mark.parametrize("failures", [1, 2, 3, 5, 10, 30, 100])
@pytest.mark.parametrize("confidence", [0.6, 0.8, 0.9, 0.95])
def test_factors_of_the_handbook(failures: int, confidence: float) -> None:
    """NIST/SEMATECH e-Handbook 8.4.5.1: factors on the estimated mean time, 2r / χ² with 2r + 2 and 2r degrees."""
    from scipy.stats import chi2

    found = count(failures, 1000.0, confidence)
    assert found.estimate is not None
    low = 2 * failures / float(chi2.ppf((1 + confidence) / 2, 2 * failures + 2))
    high = 2 * failures / float(chi2.ppf((1 - confidence) / 2, 2 * failures))
    assert (found.estimate / found.high, found.estimate / found.low) == pytest.approx((low, high), rel=1e-10)


@pytest.mark.parametrize("first", [(0, 10.0), (1, 10.0), (5, 2.5), (12, 100.0)])
@pytest.mark.parametrize("second", [(0, 10.0), (3, 40.0), (12, 100.0)])
def test_ratio_limits_by_statsmodels_and_by_clopper_pearson(
    first: tuple[int, float], second: tuple[int, float]
) -> None:
    """Given all events, the first count is binomial: its exact limits, turned into a ratio of rates."""
    from scipy.stats import binomtest

    (x, s), (y, t) = first, second
    found, p, _ = rate_ratio(first, second)
    if x + y == 0:
        assert (found.low, found.high, p) == (0.0, math.inf, 1.0)
        return
    limits = binomtest(x, x + y).proportion_ci(0.95, method="exact")
    low, high = (math.inf if v == 1 else v / (1 - v) * t / s for v in (limits.low, limits.high))
    assert found.low == pytest.approx(low, rel=1e-6)
    assert found.high == pytest.approx(high, rel=1e-6)
    assert p == pytest.approx(binomtest(x, x + y, s / (s + t)).pvalue, rel=1e-9)
