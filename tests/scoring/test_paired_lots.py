"""Paired differences by lot: the design effect by hand, coverage by simulation, lots and stretches from scores."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, norm, t

from teachlab.errors import ParameterError
from teachlab.model.score import Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.scoring.paired_lots import gaps_by_lot, paired_lots, passes_by_lot, unpaired_lots
from teachlab.scoring.pairs import compare_gaps, compare_passes
from teachlab.statistics.design_effect import inflated
from teachlab.statistics.differences import newcombe, tango
from teachlab.statistics.lots import Source, lot_rate
from teachlab.statistics.paired_tests import Discordance

HIT, MISS, EXCLUDED, QUIET, TRIPPED = (
    Outcome.HIT, Outcome.MISS, Outcome.EXCLUDED, Outcome.QUIET, Outcome.TRIPPED,
)  # fmt: skip


def test_design_effect_by_hand() -> None:
    # 4 lots of 10, lost under the first only 2 2 0 0, under the second only 0 0 1 1: δ = 0.05, squares
    # (2 − 0.5)² twice and (−1 − 0.5)² twice, times 4/3 over 40 (0.15 − 0.0025).
    found = paired_lots([2, 2, 0, 0], [0, 0, 1, 1], [10] * 4)
    measured = 4 * 1.5**2 * 4 / 3 / (40 * (0.15 - 0.05**2))
    assert found.measured == pytest.approx(measured)
    assert (found.lots_with_events, found.contributing) == (4, pytest.approx(4))
    used = inflated(measured, 4, 0.95)
    assert found.design_effect == pytest.approx(min(used, 10))
    whole = tango(4 / found.design_effect, 2 / found.design_effect, 40 / found.design_effect)
    assert found.difference == whole


def test_one_lot_alone_counts_as_one_trial() -> None:
    found = paired_lots([10] + [0] * 19, [0] * 20, [50] * 20)
    assert found.design_effect == pytest.approx(50)
    assert found.difference.low <= 0 <= found.difference.high
    nothing = paired_lots([0] * 20, [0] * 20, [50] * 20)
    assert (nothing.measured, nothing.design_effect) == (None, pytest.approx(50))


def test_never_narrower_than_of_independent_trials() -> None:
    rng = np.random.default_rng(5)
    for _ in range(60):
        of = rng.integers(5, 60, int(rng.integers(2, 30)))
        b = rng.binomial(of, rng.beta(0.4, 6, of.size))
        c = rng.binomial(of - b, 0.02)
        found, plain = paired_lots(b, c, of).difference, tango(int(b.sum()), int(c.sum()), int(of.sum()))
        assert found.low <= plain.low + 1e-9
        assert found.high >= plain.high - 1e-9


@pytest.mark.parametrize(
    ("rates", "icc", "lots"), [((0.02, 0.01), 0.2, 50), ((0.05, 0.01), 0.05, 20), ((0.01, 0.01), 0.0, 20)]
)
def test_simulated_coverage(rates: tuple[float, float], icc: float, lots: int) -> None:
    """Discordance of either kind clusters in lots, beta-binomial; differences from none to four of a hundred."""
    rng = np.random.default_rng(8)
    held = naive = 0
    of = np.full(lots, 50)
    for _ in range(600):
        b, c = (
            rng.binomial(of, rng.beta(p * (1 / icc - 1), (1 - p) * (1 / icc - 1), lots) if icc else p) for p in rates
        )
        c = np.minimum(c, of - b)
        found = paired_lots(b, c, of).difference
        plain = tango(int(b.sum()), int(c.sum()), int(of.sum()))
        held += found.low <= rates[0] - rates[1] <= found.high
        naive += plain.low <= rates[0] - rates[1] <= plain.high
    assert held >= 0.93 * 600
    if icc == 0.2:
        assert naive < 0.7 * 600


_CASES = st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30), st.integers(0, 40)), min_size=2, max_size=25)


@given(_CASES, st.floats(0.001, 0.5))
def test_the_p_value_inverts_the_interval(lots: list[tuple[int, int, int]], alpha: float) -> None:
    b, c, agree = np.array(lots).T
    of = b + c + agree
    if np.count_nonzero(of) < 2:
        return
    p = paired_lots(b, c, of).p
    assert 0 <= p <= 1
    for level in (alpha, p * 0.999, min(0.999, p * 1.001)):
        if not 1e-12 < level < 1 or abs(p - level) < 1e-9:
            continue
        found = paired_lots(b, c, of, confidence=1 - level).difference
        assert (found.low > 0 or found.high < 0) == (p < level), (p, level)


def test_the_p_value_by_hand() -> None:
    # As above, 4 and 2 discordant: z = 2 / √6, spread over four lots, so t with 3 degrees of freedom.
    found = paired_lots([2, 2, 0, 0], [0, 0, 1, 1], [10] * 4)
    raised = (found.measured or 0) * 3 / chi2.isf(0.6, 3)
    assert found.p == pytest.approx(2 * t.sf(2 / math.sqrt(6 * raised), 3))
    # One lot alone counts as one trial: z is √10 / √50.
    assert paired_lots([10] + [0] * 19, [0] * 20, [50] * 20).p == pytest.approx(2 * norm.sf(math.sqrt(10 / 50)))
    assert paired_lots([0] * 20, [0] * 20, [50] * 20).p == 1
    assert paired_lots([1, 2, 0], [2, 1, 0], [50] * 3).p == 1


@pytest.mark.parametrize(("icc", "lots", "exact_beyond"), [(0.0, 20, 0), (0.05, 20, 0.1), (0.2, 50, 0.3)])
def test_simulated_size(icc: float, lots: int, exact_beyond: float) -> None:
    """Two settings equally good, discordance of either kind beta-binomial: 5 % and three standard errors at most."""
    rng = np.random.default_rng(11)
    by_lot = exact = 0
    of = np.full(lots, 50)
    for _ in range(500):
        b, c = (rng.binomial(of, rng.beta(0.03 * (1 / icc - 1), 0.97 * (1 / icc - 1), lots) if icc else 0.03)
                for _ in range(2))  # fmt: skip
        c = np.minimum(c, of - b)
        by_lot += paired_lots(b, c, of).p < 0.05
        exact += Discordance(int(b.sum()), int(c.sum()), int(of.sum())).p_exact < 0.05
    assert by_lot <= 500 * 0.05 + 3 * (500 * 0.05 * 0.95) ** 0.5
    assert exact >= exact_beyond * 500


def _trials(passes: list[int], gaps: list[int]) -> Trials:
    n = len(passes)
    return Trials(
        passes=np.array(passes, np.int8),
        pass_onsets=np.zeros(n, np.int64),
        gaps=np.array(gaps, np.int8),
        gap_onsets=np.zeros(n + 1, np.int64),
        gap_after=np.arange(-1, n),
    )


def test_counts_are_those_of_the_comparison() -> None:
    rng = np.random.default_rng(1)
    start = np.arange(200) * 10 + 5
    lot = [f"lot {k // 20}" for k in range(200)]
    first, second = (
        _trials(
            rng.choice([HIT, MISS, EXCLUDED], 200, p=[0.8, 0.15, 0.05]).tolist(),
            rng.choice([QUIET, TRIPPED, EXCLUDED], 201, p=[0.8, 0.15, 0.05]).tolist(),
        )
        for _ in range(2)
    )
    for named in (lot, None):
        truth = Truth.from_arrays(start, start + 4, lot=named)
        for by_lot, plain in ((passes_by_lot, compare_passes), (gaps_by_lot, compare_gaps)):
            found, all_ = by_lot(truth, first, second), plain(first, second)
            assert found is not None
            assert found.source is (Source.LOTS if named else Source.BLOCKS)
            assert found.lots == 10
            assert found.difference.estimate == pytest.approx((all_.only_first - all_.only_second) / all_.trials)
    few = Truth.from_arrays(start[:3], start[:3] + 4)
    assert passes_by_lot(few, _trials([HIT] * 3, [QUIET] * 4), _trials([MISS] * 3, [QUIET] * 4)) is None


def test_unpaired_differences_take_parts_of_passes() -> None:
    parts, whole = newcombe((0.5, 10.5), (0.25, 20.0)), newcombe((0, 10), (1, 20))
    assert parts.estimate == pytest.approx(0.5 / 10.5 - 0.0125)
    assert -1 < parts.low < 0 < parts.high < 1
    assert whole.low < parts.low


@pytest.mark.parametrize(("rates", "icc"), [((0.02, 0.01), 0.2), ((0.05, 0.01), 0.05), ((0.01, 0.01), 0.0)])
def test_simulated_coverage_unpaired(rates: tuple[float, float], icc: float) -> None:
    rng = np.random.default_rng(9)
    held, of = 0, np.full(30, 50)
    for _ in range(400):
        one, other = (
            lot_rate(rng.binomial(of, rng.beta(p * (1 / icc - 1), (1 - p) * (1 / icc - 1), of.size) if icc else p), of)
            for p in rates
        )
        found = unpaired_lots(one, other)
        held += found.difference.low <= rates[0] - rates[1] <= found.difference.high
        assert found.design_effects == (one.design_effect, other.design_effect)
    assert held >= 0.94 * 400


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ParameterError, match="at least 2 lots"):
        paired_lots([1, 0], [0, 0], [10, 0])
    with pytest.raises(ParameterError, match="at most all its trials"):
        paired_lots([6, 0], [6, 0], [10, 10])
