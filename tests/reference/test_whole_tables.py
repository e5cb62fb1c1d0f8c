"""Whole ranges of published tables, recomputed by a second route: exact whole numbers, or another library."""

from __future__ import annotations

import math
import warnings
from fractions import Fraction
from functools import cache

import numpy as np
import pytest

from teachlab.statistics.differences import miettinen_nurminen, newcombe, p_mid, rate_ratio, tango, wilson
from teachlab.statistics.intervals import count, proportion
from teachlab.statistics.paired_tests import Discordance
from teachlab.statistics.planning import acceptance, plan_hours, plan_passes


def poisson_at_most(events: int, mean: Fraction) -> float:
    """The chance of at most so many events, from the terms of the series; the exponential alone is rounded."""
    term, total = Fraction(1), Fraction(1)
    for k in range(1, events + 1):
        term *= mean / k
        total += term
    return float(total) * math.exp(-float(mean))


@pytest.mark.parametrize("events", [*range(0, 21), 25, 30, 40, 50, 60, 75, 90, 100])
def test_garwood_to_a_hundred_events(events: int) -> None:
    """Garwood, Biometrika 28 (1936) 437: each limit leaves 2.5 % (5 %) in its tail, summed term by term."""
    found = count(events, 1.0, 0.95)
    assert poisson_at_most(events, Fraction(found.high)) == pytest.approx(0.025, rel=1e-9)
    assert poisson_at_most(events, Fraction(found.upper)) == pytest.approx(0.05, rel=1e-9)
    if events:
        assert 1 - poisson_at_most(events - 1, Fraction(found.low)) == pytest.approx(0.025, rel=1e-9)
    assert plan_hours(1.0, 0.95, events=events) == pytest.approx(found.upper, rel=1e-12)


@pytest.mark.parametrize(("trials", "confidence"), [(1, 0.95), (7, 0.9), (20, 0.95), (31, 0.99)])
def test_clopper_pearson_of_every_count(trials: int, confidence: float) -> None:
    """Clopper & Pearson, Biometrika 26 (1934) 404: each limit leaves its share in the tail, in whole numbers."""
    alpha = Fraction(1 - confidence)

    def at_most(events: int, rate: float) -> float:
        p = Fraction(rate)
        return float(sum(math.comb(trials, k) * p**k * (1 - p) ** (trials - k) for k in range(events + 1)))

    for events in range(trials + 1):
        found = proportion(events, trials, confidence)
        if events < trials:
            assert at_most(events, found.high) == pytest.approx(float(alpha / 2), rel=1e-9)
            assert at_most(events, found.upper) == pytest.approx(float(alpha), rel=1e-9)
        if events:
            assert 1 - at_most(events - 1, found.low) == pytest.approx(float(alpha / 2), rel=1e-9)


# Figures of the trade, recomputed: 0 of 1,000; 3 of 10,000; none and two in a shift of 8 hours.
def test_a_shift_and_a_thousand_passes() -> None:
    nothing, few = proportion(0, 1000), proportion(3, 10_000)
    assert (nothing.high, nothing.upper) == pytest.approx((0.00368, 0.00299), abs=5e-6)
    assert (few.low, few.high) == pytest.approx((0.000062, 0.000876), abs=5e-7)
    quiet, two = count(0, 8.0), count(2, 8.0)
    assert quiet.high < 0.4612
    assert quiet.upper == pytest.approx(0.3745, abs=5e-5)
    assert (two.low, two.high) == pytest.approx((0.030, 0.903), abs=5e-4)


@pytest.mark.parametrize(
    ("trials", "high", "rule"),
    [
        (30, 0.0950339, 0.1),
        (100, 0.0295130, 0.03),
        (300, 0.0099361, 0.01),
        (1000, 0.00299125, 0.003),
        (3000, 0.000998079, 0.001),
    ],
)
def test_rule_of_three(trials: int, high: float, rule: float) -> None:
    """Hanley & Lippman-Hand, JAMA 249 (1983) 1743 (from memory): 0 of n, at most 3/n at one-sided 95 %."""
    found = proportion(0, trials).upper
    assert found == pytest.approx(high, rel=1e-5)
    assert found == pytest.approx(1 - 0.05 ** (1 / trials), rel=1e-12)
    assert 0 < rule - found < 0.06 * rule


# source: Newcombe, Stat. Med. 17 (1998) 857, Table I: Wilson's limits.
@pytest.mark.parametrize(
    ("events", "trials", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_as_printed(events: int, trials: int, low: float, high: float) -> None:
    from statsmodels.stats.proportion import proportion_confint

    assert wilson(events, trials) == pytest.approx((low, high), abs=5.1e-5)
    theirs = proportion_confint(events, trials, method="wilson")
    assert wilson(events, trials) == pytest.approx(theirs, abs=1e-12)


def test_one_sided_wilson_limit_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1: 26 of 200, one-sided 95 %: 0.09577 with z = 1.645 (0.0957727 with exact z)."""
    assert wilson(26, 200, 0.90)[0] == pytest.approx(0.0957727, abs=5.1e-8)


def test_coverage_at_one_percent_of_a_hundred() -> None:
    """Summed over all outcomes at n = 100, p = 0.01: Clopper–Pearson .9816, Wilson .9206 (own figures).

    Why Wilson's limits are no claim by themselves: at the rates that matter here they cover less than they say.
    """
    chance = [math.comb(100, k) * 0.01**k * 0.99 ** (100 - k) for k in range(101)]
    exact = [proportion(k, 100) for k in range(101)]
    assert sum(c for c, r in zip(chance, exact, strict=True) if r.low <= 0.01 <= r.high) == pytest.approx(
        0.9816, abs=5e-5
    )
    limits = [wilson(k, 100) for k in range(101)]
    assert sum(c for c, (a, b) in zip(chance, limits, strict=True) if a <= 0.01 <= b) == pytest.approx(0.9206, abs=5e-5)


CMH = "CMH-17-1G Tables 8.5.12 and 8.5.13: smallest n of which the r-th smallest is a 95 % bound, r = events + 1"


@cache
def tail(n: int, events: int, good: Fraction) -> bool:
    """Whether so few events in n passes have a chance of at most 5 %, in whole numbers."""
    bad, whole = (1 - good).numerator, good.denominator
    total = sum(math.comb(n, k) * bad**k * (whole - bad) ** (n - k) for k in range(events + 1))
    return 20 * total <= whole**n


@pytest.mark.parametrize("good", [Fraction(99, 100), Fraction(90, 100), Fraction(95, 100)])
def test_every_rank_up_to_a_hundred(good: Fraction) -> None:
    """Also r = 83 and 55 at 99/95, where a quotation of the table prints 9854 and 6769: true are 9845 and 6768."""
    step = 1 if good == Fraction(90, 100) else 9
    for events in (*range(0, 100, step), 54, 82, 99):
        n = plan_passes(float(1 - good), 0.95, events=events).passes
        assert tail(n, events, good), (events, n, CMH)
        assert n == events + 1 or not tail(n - 1, events, good), (events, n, CMH)
    if good == Fraction(99, 100):
        assert plan_passes(0.01, 0.95, events=82).passes == 9845
        assert plan_passes(0.01, 0.95, events=54).passes == 6768


def test_average_outgoing_quality() -> None:
    """Plan n = 52, c = 2 in lots of 5,000: AOQ = Pa·p·(N − n)/N is 1.420 % at 1.5 %, at most 2.603 % (at 4.3 %).

    As quoted from the help of a general statistics package; recomputed 1.42013 %, 2.60302 % at 4.2999 %.
    """
    rates = np.arange(0.03, 0.06, 1e-6)
    passed = np.array([acceptance(52, 2, float(p)) for p in rates[::100]])
    outgoing = passed * rates[::100] * (5000 - 52) / 5000
    assert acceptance(52, 2, 0.015) * 0.015 * (5000 - 52) / 5000 == pytest.approx(0.0142013, abs=5e-8)
    assert outgoing.max() == pytest.approx(0.0260302, abs=5e-8)
    assert rates[::100][int(np.argmax(outgoing))] == pytest.approx(0.043, abs=1e-4)


PAIRS = [((a, m), (b, n)) for m, n in ((1, 1), (2, 5), (6, 4), (10, 10)) for a in range(m + 1) for b in range(n + 1)]


def test_newcombe_of_every_small_table() -> None:
    """statsmodels has the same method under "newcomb"; its "score" interval is wrong and no witness."""
    from statsmodels.stats.proportion import confint_proportions_2indep

    for first, second in PAIRS:
        for confidence in (0.8, 0.95):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                theirs = confint_proportions_2indep(
                    *first, *second, method="newcomb", compare="diff", alpha=1 - confidence
                )
            found = newcombe(first, second, confidence)
            assert (found.low, found.high) == pytest.approx(theirs, abs=1e-9), (first, second)


def most_likely_second(first: tuple[int, int], second: tuple[int, int], delta: float) -> float:
    """The most likely second rate at a given difference, on a grid that is refined; no derivative, no cubic."""
    (x1, n1), (x2, n2) = first, second
    low, high = max(0.0, -delta), min(1.0, 1 - delta)
    for _ in range(12):
        p2 = np.linspace(low, high, 33)
        p1 = np.clip(p2 + delta, 0, 1)
        likely = np.zeros(p2.size)
        with np.errstate(divide="ignore"):
            for weight, share in ((x1, p1), (n1 - x1, 1 - p1), (x2, p2), (n2 - x2, 1 - p2)):
                if weight:
                    likely += weight * np.log(np.clip(share, 0, 1))
        best = int(np.argmax(likely))
        low, high = p2[max(0, best - 1)], p2[min(32, best + 1)]
    return float(p2[best])


@pytest.mark.parametrize("corrected", [True, False])
def test_score_limits_of_every_small_table(corrected: bool) -> None:
    """Miettinen & Nurminen 1985, Mee 1984: at its limits the statistic equals 1.96, or the limit is ±1."""
    checked = 0
    for first, second in PAIRS[::3]:
        (x1, n1), (x2, n2) = first, second
        found = miettinen_nurminen(first, second, corrected=corrected)
        mirrored = miettinen_nurminen(second, first, corrected=corrected)
        assert (found.low, found.high) == pytest.approx((-mirrored.high, -mirrored.low), abs=1e-9)
        assert -1 <= found.low <= x1 / n1 - x2 / n2 <= found.high <= 1
        for limit, z in ((found.low, 1.959964), (found.high, -1.959964)):
            if abs(limit) > 1 - 1e-9:
                continue
            p2 = most_likely_second(first, second, limit)
            p1 = p2 + limit
            variance = p1 * (1 - p1) / n1 + p2 * (1 - p2) / n2
            variance *= (n1 + n2) / (n1 + n2 - 1) if corrected else 1
            assert (x1 / n1 - x2 / n2 - limit) / math.sqrt(variance) == pytest.approx(z, abs=2e-4), (first, second)
            checked += 1
    assert checked > 50


def test_mcnemar_of_every_small_split_and_at_its_extremes() -> None:
    """Exact and mid-p in whole numbers: Fagerland, Lydersen & Laake, BMC Med. Res. Methodol. 13:91 (2013)."""
    splits = [(b, c) for b in range(13) for c in range(13)]
    for b, c in [*splits, (0, 1000), (1000, 1), (500, 500), (499, 501), (150, 86), (5, 400)]:
        n, fewer = b + c, min(b, c)
        below = sum(math.comb(n, k) for k in range(fewer + 1))
        exact = min(Fraction(1), Fraction(2 * below, 2**n))
        middle = min(Fraction(1), Fraction(2 * below - math.comb(n, fewer), 2**n)) if n else Fraction(1)
        assert Discordance(b, c, n).p_exact == pytest.approx(float(exact), rel=1e-11, abs=0), (b, c)
        assert p_mid(b, c) == pytest.approx(float(middle), rel=1e-11, abs=0), (b, c)


def test_mcnemar_as_statsmodels_and_scipy_have_it() -> None:
    from scipy.stats import binomtest
    from statsmodels.stats.contingency_tables import mcnemar

    for b, c in [(1, 7), (150, 86), (9, 3), (0, 6), (12, 12)]:
        theirs = float(mcnemar([[10, b], [c, 10]], exact=True).pvalue)
        assert Discordance(b, c, 1600).p_exact == pytest.approx(theirs, rel=1e-10)
        assert theirs == pytest.approx(binomtest(b, b + c).pvalue, rel=1e-10)


def test_tango_where_only_one_setting_ever_failed() -> None:
    """Closed form: without discordance of the second kind the restricted second rate is 0 for δ > 0.

    With b = c = 0 the limits are ±z²/(n + z²).
    """
    z2 = 1.959964**2
    for n in (1, 10, 400, 10**6):
        found = tango(0, 0, n)
        assert (found.low, found.high) == pytest.approx((-z2 / (n + z2), z2 / (n + z2)), rel=1e-6)
    for b, n in ((1, 20), (4, 60), (9, 5000)):
        # At the upper limit the restricted second rate is 0: (b − nδ)² = z² n δ (1 − δ).
        found = tango(b, 0, n)
        a2, a1, a0 = n * n + z2 * n, -(2 * b * n + z2 * n), b * b
        upper = (-a1 + math.sqrt(a1 * a1 - 4 * a2 * a0)) / (2 * a2)
        assert found.high == pytest.approx(upper, rel=1e-6)


@pytest.mark.parametrize(
    ("first", "second"),
    [((0, 1.0), (5, 2.0)), ((11, 800.0), (21, 3011.0)), ((60, 51477.5), (30, 54308.7)), ((3, 1.0), (3, 1.0))],
)
def test_conditional_test_by_summation(first: tuple[int, float], second: tuple[int, float]) -> None:
    """Przyborowski & Wilenski 1940: given all events, each falls to the first with its share of the time."""
    n = first[0] + second[0]
    share = Fraction(first[1]) / (Fraction(first[1]) + Fraction(second[1]))
    chance = [math.comb(n, k) * share**k * (1 - share) ** (n - k) for k in range(n + 1)]
    seen = chance[first[0]]
    _, p, half = rate_ratio(first, second)
    assert p == pytest.approx(float(sum(c for c in chance if c <= seen)), rel=1e-9)
    below, equal = sum(c for c in chance if c < seen), sum(c for c in chance if c == seen)
    assert half == pytest.approx(float(below + equal / 2), rel=1e-9)


def test_a_billion_trials_and_one_in_a_trillion() -> None:
    """Recomputed with mpmath at 50 digits: with n plan passes the claim holds, with one fewer it does not."""
    assert plan_passes(1e-12, 0.999999).passes == 13_815_510_557_958
    assert plan_passes(1e-12, 0.95, events=1).passes == 4_743_864_518_389
    assert plan_passes(1e-9, 0.95, events=3).passes == 7_753_656_526
    assert plan_passes(1e-6, 0.999999, events=7).passes == 29_162_184
    # The Poisson limit: the bounds of 0, 1 and 3 in a trillion are those of a count.
    for events in (0, 1, 3):
        rare, counted = proportion(events, 10**12, 0.999999), count(events, 1e12, 0.999999)
        assert (rare.low, rare.high, rare.upper) == pytest.approx((counted.low, counted.high, counted.upper), rel=1e-8)
    # Nothing lost under either in a billion: the score limits are ±z²/(n + z²).
    z2 = 1.959963984540054**2
    for first, second in (((0, 10**9), (0, 10**9)), ((10**9, 10**9), (10**9, 10**9))):
        for found in (newcombe(first, second), miettinen_nurminen(first, second, corrected=False)):
            assert (found.low, found.high) == pytest.approx((-z2 / (1e9 + z2), z2 / (1e9 + z2)), rel=1e-6)
    _, p, _ = rate_ratio((5 * 10**8, 1.0), (5 * 10**8 + 40_000, 1.0))
    # Normal limit: 40,000 over the root of 1e9 + 4e4 is 1.264886 standard deviations, two-sided 0.20591.
    assert p == pytest.approx(0.20591, abs=2e-5)
    assert count(10**9, 1.0).high == pytest.approx(1e9 + 1.959964 * math.sqrt(1e9) + 1.9, rel=1e-9)
