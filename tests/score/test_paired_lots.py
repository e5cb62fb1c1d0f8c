"""Paired differences by lot: the design effect by hand, coverage by simulation, lots and stretches from scores."""

from __future__ import annotations

import numpy as np
import pytest

from teachlab.errors import ParameterError
from teachlab.model.score import Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.score.difference import newcombe, tango
from teachlab.score.effect import inflated
from teachlab.score.lots import Source
from teachlab.score.paired import compare_gaps, compare_passes
from teachlab.score.paired_lots import gaps_by_lot, paired_lots, passes_by_lot

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


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ParameterError, match="at least 2 lots"):
        paired_lots([1, 0], [0, 0], [10, 0])
    with pytest.raises(ParameterError, match="at most all its trials"):
        paired_lots([6, 0], [6, 0], [10, 10])
