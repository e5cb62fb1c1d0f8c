"""Sample sizes against printed tables, and against exact whole-number arithmetic."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from teachlab.statistics.planning import acceptance, plan_hours, plan_passes
from teachlab.statistics.tolerance import coverage_confidence, samples_for_coverage

CMH_95_99 = "CMH-17-1G Table 8.5.13, rank f + 1, as quoted by the tests of the R package cmstatr"
CMH_95_90 = "CMH-17-1G Table 8.5.12, rank f + 1, as quoted by the tests of the R package cmstatr"
AUDIT = "audit sampling table quoted by the tests of the R package jfa"
SUCCESS_RUN = "success-run theorem, ceil(ln(1 - C) / ln(R)); MIL-HDBK-338B section 8 (from memory)"

TABLES = [
    # confidence, good rate, passes for 0, 1, 2 … events, source
    ("0.95", "0.99", (299, 473, 628, 773, 913), CMH_95_99),
    ("0.95", "0.90", (29, 46, 61, 76, 89), CMH_95_90),
    ("0.95", "0.95", (59, 93, 124, 153), AUDIT),
]
ZERO = [
    ("0.90", "0.90", 22),
    ("0.95", "0.90", 29),
    ("0.99", "0.90", 44),
    ("0.90", "0.95", 45),
    ("0.95", "0.95", 59),
    ("0.99", "0.95", 90),
    ("0.90", "0.99", 230),
    ("0.95", "0.99", 299),
    ("0.99", "0.99", 459),
    ("0.95", "0.995", 598),
    ("0.90", "0.999", 2302),
    ("0.95", "0.999", 2995),
    ("0.99", "0.999", 4603),
    ("0.95", "0.9999", 29956),
    ("0.50", "0.90", 7),
    ("0.60", "0.90", 9),
    ("0.80", "0.90", 16),
]
# Lost passes allowed: 0, 1, 2, 5 at 95 %, and 0 at 99 %; recomputed below in whole numbers where n is small.
SMALL_RATES = [
    (1e-2, (299, 473, 628, 1049), 459),
    (1e-3, (2995, 4742, 6294, 10511), 4603),
    (1e-4, (29956, 47437, 62956, 105128), 46050),
    (1e-5, (299572, 474385, 629578, 1051301), 460515),
]


def _bad(good: str) -> float:
    return float(1 - Fraction(good))


@pytest.mark.parametrize(("confidence", "good", "passes", "source"), TABLES)
def test_passes_as_printed(confidence: str, good: str, passes: tuple[int, ...], source: str) -> None:
    found = tuple(plan_passes(_bad(good), float(confidence), events=f).passes for f in range(len(passes)))
    assert found == passes, source


@pytest.mark.parametrize(("confidence", "good", "passes"), ZERO)
def test_success_run(confidence: str, good: str, passes: int) -> None:
    assert plan_passes(_bad(good), float(confidence)).passes == passes, SUCCESS_RUN


@pytest.mark.parametrize(("rate", "passes", "at_99"), SMALL_RATES)
def test_small_rates(rate: float, passes: tuple[int, ...], at_99: int) -> None:
    assert tuple(plan_passes(rate, 0.95, events=f).passes for f in (0, 1, 2, 5)) == passes
    assert plan_passes(rate, 0.99).passes == at_99


@pytest.mark.parametrize(("best_of", "passes"), [(5, 46050), (15, 57035), (30, 63967)])
def test_the_best_of_several_costs_more(best_of: int, passes: int) -> None:
    # ceil(ln(0.05 / K) / ln(1 - 1e-4)), the Bonferroni share of the error.
    assert plan_passes(1e-4, 0.95, best_of=best_of).passes == passes
    assert math.ceil(math.log(0.05 / best_of) / math.log1p(-1e-4)) == passes


def test_lots_multiply_by_the_design_effect() -> None:
    # 1 + (50 - 1) * 0.05 = 3.45, times ln(0.05) / ln(1 - 1e-4) = 29955.8.
    plan = plan_passes(1e-4, 0.95, lot_size=50, icc=0.05)
    assert (plan.passes, plan.design_effect) == (103_348, pytest.approx(3.45))


def test_hours() -> None:
    # 2.9957 is half the 95 % quantile of chi-square with 2 degrees of freedom.
    assert plan_hours(1 / 8, 0.95) == pytest.approx(24.0, abs=0.05)
    assert plan_hours(1 / 168, 0.95) == pytest.approx(503, abs=0.5)
    assert plan_hours(1, 0.95) == pytest.approx(2.9957, abs=5e-5)
    assert plan_hours(1, 0.95, events=5) == pytest.approx(10.5130, abs=5e-5)


NIST_COVERAGE = "NIST/SEMATECH e-Handbook 7.2.6.4, table for n = 25"


@pytest.mark.parametrize(
    ("share", "confidence"),
    [(0.5, 1.000), (0.75, 0.993), (0.9, 0.729), (0.95, 0.358), (0.975, 0.129), (0.99, 0.026), (0.995, 0.007)],
)
def test_range_of_25_values(share: float, confidence: float) -> None:
    assert coverage_confidence(25, share) == pytest.approx(confidence, abs=5.1e-4), NIST_COVERAGE


@pytest.mark.parametrize(
    ("share", "confidence", "samples"),
    [
        (0.90, 0.95, 46),  # NIST/SEMATECH e-Handbook 7.2.6.4
        (0.99, 0.95, 473),  # the same
        (0.95, 0.95, 93),  # Wilks 1941 (from memory)
        (0.95, 0.99, 130),
        (0.99, 0.99, 662),
        (0.90, 0.90, 38),
        (0.95, 0.90, 77),
        (0.99, 0.90, 388),
    ],
)
def test_samples_for_a_range(share: float, confidence: float, samples: int) -> None:
    assert samples_for_coverage(share, confidence) == samples
    for n in (samples - 1, samples):
        p = Fraction(str(share))
        exactly = 1 - n * p ** (n - 1) + (n - 1) * p**n
        assert (exactly >= Fraction(str(confidence))) == (n == samples)


NIST_SAMPLING = "NIST/SEMATECH e-Handbook 6.2.3.2, single sampling plan n = 52, c = 3"


@pytest.mark.parametrize(
    ("rate", "chance"),
    [
        (0.01, 0.998),
        (0.02, 0.980),
        (0.03, 0.930),
        (0.04, 0.845),
        (0.05, 0.739),
        (0.06, 0.620),
        (0.07, 0.502),
        (0.08, 0.394),
        (0.09, 0.300),
        (0.10, 0.223),
        (0.11, 0.162),
        (0.12, 0.115),
    ],
)
def test_operating_characteristic(rate: float, chance: float) -> None:
    # The page prints 0.845 and 0.739 where the exact values are 0.8460 and 0.7384.
    tolerance = 1.3e-3 if rate in {0.04, 0.05} else 5.1e-4
    assert acceptance(52, 3, rate) == pytest.approx(chance, abs=tolerance), NIST_SAMPLING


@pytest.mark.parametrize(
    ("chance", "percent"),
    [
        (0.99, 0.550),
        (0.95, 1.030),
        (0.90, 1.385),
        (0.75, 2.163),
        (0.50, 3.329),
        (0.25, 4.842),
        (0.10, 6.516),
        (0.05, 7.661),
        (0.01, 10.095),
    ],
)
def test_a_standard_plan(chance: float, percent: float) -> None:
    # MIL-STD-105E, table X-J, code letter J, AQL 1.0: n = 80, c = 2, prints three digits (0.550 1.03 1.38 2.16
    # 3.33 4.84 6.52 7.66 10.1, from memory; its 1.38 is cut, not rounded); one digit more, recomputed with scipy.
    low, high = (acceptance(80, 2, (percent + half) / 100) for half in (0.0005, -0.0005))
    assert low <= chance <= high


@pytest.mark.parametrize(
    ("passes", "allowed", "at_95", "at_10"),
    [
        # MIL-STD-105E, tables X-E to X-M (from memory to two digits; recomputed with scipy): percent defective that is
        # accepted with a chance of 95 % and of 10 %.
        (13, 0, 0.3938, 16.2322),
        (20, 0, 0.2561, 10.8749),
        (32, 1, 1.1219, 11.6195),
        (50, 1, 0.7154, 7.5581),
        (80, 1, 0.4460, 4.7752),
        (125, 3, 1.1003, 5.2663),
        (200, 5, 1.3144, 4.5879),
        (315, 7, 1.2699, 3.7085),
        (500, 10, 1.2386, 3.0647),
    ],
)
def test_further_standard_plans(passes: int, allowed: int, at_95: float, at_10: float) -> None:
    for percent, chance in ((at_95, 0.95), (at_10, 0.10)):
        low, high = (acceptance(passes, allowed, (percent + half) / 100) for half in (0.00006, -0.00006))
        assert low <= chance <= high
    # Read backwards: so many passes with so few lost show that rate at 90 %, one pass fewer does not.
    assert plan_passes((at_10 + 0.0001) / 100, 0.90, events=allowed).passes == passes


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.9, 0.95, 0.99, 0.999])
@pytest.mark.parametrize("events", [0, 1, 2, 3, 7, 20])
def test_any_row_by_scipys_binomial(confidence: float, events: int) -> None:
    from scipy.stats import binom

    for rate in (0.3, 0.05, 0.013, 0.002, 1e-4):
        n = plan_passes(rate, confidence, events=events).passes
        assert binom.cdf(events, n, rate) <= (1 - confidence) * (1 + 1e-9)
        assert n == events + 1 or binom.cdf(events, n - 1, rate) > (1 - confidence) * (1 - 1e-9)


@pytest.mark.parametrize("events", [0, 1, 2, 5, 10])
@pytest.mark.parametrize("confidence", [0.6, 0.9, 0.95, 0.99])
def test_any_row_of_hours_by_scipys_poisson(confidence: float, events: int) -> None:
    from scipy.stats import poisson

    # NIST/SEMATECH e-Handbook 8.3.1.2 tabulates these as factors on the mean time to be shown, e.g. 2.30 (0 at 90 %),
    # 3.89 (1 at 90 %), 4.74 (1 at 95 %), from memory.
    hours = plan_hours(1.0, confidence, events=events)
    assert poisson.cdf(events, hours) == pytest.approx(1 - confidence, rel=1e-9)
    for (f, c), factor in {(0, 0.9): 2.30, (1, 0.9): 3.89, (1, 0.95): 4.74, (2, 0.9): 5.32}.items():
        assert plan_hours(1.0, c, events=f) == pytest.approx(factor, abs=5.1e-3)
