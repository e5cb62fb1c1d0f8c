"""Events in bursts: the spread by hand, coverage by simulation, lots and stretches from a score."""

from __future__ import annotations

import json
import math
from types import ModuleType

import numpy as np
import pytest
from loading import BENCHMARKS, script

from teachlab.errors import ParameterError
from teachlab.model.score import Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.scoring.by_lot import false_trips_by_lot, gaps_tripped_by_lot, onsets_by_lot
from teachlab.statistics.bursts import burst_rate
from teachlab.statistics.design_effect import contributing, inflated
from teachlab.statistics.intervals import count, count_limits
from teachlab.statistics.lots import Source

QUIET, TRIPPED, HIT, EXCLUDED = Outcome.QUIET, Outcome.TRIPPED, Outcome.HIT, Outcome.EXCLUDED


@pytest.fixture(scope="module")
def benchmark() -> ModuleType:
    return script(BENCHMARKS / "coverages" / "bursts.py")


def test_variance_over_mean_by_hand() -> None:
    # 4 hours with 0, 4, 0, 4: mean 2, squares 4 each, times 4/3 over 8 events.
    found = burst_rate([0, 4, 0, 4], [1.0] * 4)
    assert found.measured == pytest.approx(16 * 4 / 3 / 8)
    # Four lots of equal deviation carry the spread, two of them hold events.
    assert (found.lots_with_events, found.contributing) == (2, 2.0)
    assert found.design_effect == pytest.approx(inflated(16 * 4 / 3 / 8, 2.0, 0.95))


def test_counts_at_no_burst_are_those_of_garwood() -> None:
    for events, exposure in ((0, 8.0), (1, 2.5), (137, 24.19893)):
        plain = count(events, exposure, 0.9)
        assert count_limits(events, exposure, 0.9) == pytest.approx((plain.low, plain.high, plain.upper), rel=1e-12)


def test_one_burst_bounds_nothing() -> None:
    for events in ([0] * 20, [7] + [0] * 19):
        found = burst_rate(events, [1.0] * 20)
        assert (found.design_effect, found.low, found.high, found.upper) == (None, 0.0, math.inf, math.inf)
        assert "no bound" in found.warnings[0]
        assert found.as_dict()["upper"] is None
        assert found.naive.upper < math.inf


def test_never_narrower_than_one_by_one() -> None:
    rng = np.random.default_rng(4)
    for _ in range(200):
        exposure = rng.uniform(0.1, 3, int(rng.integers(2, 40)))
        found = burst_rate(rng.poisson(exposure * rng.gamma(0.5, 2, exposure.size)), exposure)
        assert found.low <= found.naive.low + 1e-12
        assert found.high >= found.naive.high - 1e-12


def test_how_many_carry_a_spread() -> None:
    assert contributing(np.array([3.0, 3.0, 3.0, 0.0]), 4) == pytest.approx(3)
    assert contributing(np.array([1e6, 1.0, 1.0]), 3) == pytest.approx(1, abs=1e-5)
    # Counts that are all alike deviate nowhere: all of them tell so.
    assert contributing(np.zeros(5), 5) == 5


@pytest.mark.parametrize(
    ("kind", "ratio", "mean", "lots"),
    [
        ("one by one", 1.0, 0.1, 20),
        ("one by one", 1.0, 1.0, 20),
        ("gamma", 5.0, 0.5, 50),
        ("gamma", 2.0, 1.0, 20),
        ("bursts", 5.0, 0.2, 200),
        ("states", 5.0, 5.0, 200),
        ("unequal, gamma", 5.0, 1.0, 20),
    ],
)
def test_simulated_coverage(benchmark: ModuleType, kind: str, ratio: float, mean: float, lots: int) -> None:
    found = benchmark.coverage(kind, ratio, mean, lots, repetitions=1500, seed=7)
    assert min(found["interval"], found["upper"]) >= 0.93


def test_stored_coverage_holds_the_promise() -> None:
    stored = json.loads((BENCHMARKS / "coverages" / "bursts.json").read_text())
    assert stored["repetitions"] == 4000
    rows = [row for row in stored["rows"] if row["kind"] != "rare states"]
    assert len(rows) == 162
    assert min(min(row["interval"], row["upper"]) for row in rows) >= 0.93

    assert min(row["naive"] for row in rows) < 0.65
    assert min(row["interval"] for row in stored["rows"]) < 0.93


def _line(lots: list[str] | None, onsets: list[int], gap_onsets: list[int]) -> tuple[Truth, Trials]:
    """Passes of 4 samples every 10; the gap before the first pass comes first."""
    n = len(onsets)
    start = np.arange(n) * 10 + 5
    trials = Trials(
        passes=np.full(n, HIT, np.int8),
        pass_onsets=np.array(onsets),
        gaps=np.array([TRIPPED if k else QUIET for k in gap_onsets], np.int8),
        gap_onsets=np.array(gap_onsets),
        gap_after=np.arange(-1, n),
    )
    return Truth.from_arrays(start, start + 4, lot=lots), trials


def test_gaps_belong_to_the_lot_of_the_pass_before() -> None:
    truth, trials = _line(["a", "a", "b", "b", "c"], [1, 3, 1, 1, 1], [0, 0, 2, 1, 0, 4])
    found = false_trips_by_lot(truth, trials, 0.5, per="running hour")
    assert found is not None
    # Lengths in samples: 5 before the first pass, then 6 each, and 5.8 for the last, whose end the truth does not hold.
    assert found.source is Source.LOTS
    assert (found.naive.events, found.naive.exposure, found.lots) == (7, pytest.approx(0.5), 3)
    assert found.lots_with_events == 3
    share = np.array([17, 12, 5.8]) / 34.8
    squares = (np.array([2, 1, 4]) - 7 * share) ** 2
    assert found.measured == pytest.approx(squares.sum() * 3 / 2 / 7)
    shares = gaps_tripped_by_lot(truth, trials)
    assert shares is not None
    assert (shares.naive.events, shares.naive.trials, shares.lots) == (3, 6, 3)
    extra = onsets_by_lot(truth, trials, ignored=False, per="detect pass")
    assert extra is not None
    assert (extra.naive.events, extra.naive.exposure, extra.lots_with_events) == (2, 5, 1)
    assert onsets_by_lot(truth, trials, ignored=True, per="ignore pass") is None


def test_stretches_stand_in_for_lots() -> None:
    truth, trials = _line(None, [1] * 400, [3 if 80 <= k < 90 else 0 for k in range(401)])
    found = false_trips_by_lot(truth, trials, 2.0, per="running hour")
    assert found is not None
    assert (found.source, found.lots, found.lots_with_events) == (Source.BLOCKS, 10, 1 + (80 // 40 != 89 // 40))
    assert "stretches" in found.warnings[-1]
    assert false_trips_by_lot(*_line(None, [1] * 3, [0] * 4), 2.0, per="running hour") is None


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ParameterError, match="no event without exposure"):
        burst_rate([1, 0], [0.0, 1.0])
    with pytest.raises(ParameterError, match="at least 2 lots"):
        burst_rate([1, 0], [1.0, 0.0])
    with pytest.raises(ParameterError, match="confidence"):
        burst_rate([1, 0], [1.0, 1.0], confidence=95)


@pytest.mark.parametrize(("lots", "warned"), [(19, True), (20, False)])
def test_fewer_than_twenty_lots_are_warned_of(lots: int, warned: bool) -> None:
    found = burst_rate(np.resize([0, 3], lots), np.ones(lots))
    assert any(text.startswith(f"Only {lots} lots") for text in found.warnings) is warned


def test_the_unit_of_the_exposure_is_said() -> None:
    assert burst_rate([0, 3, 1], [10.0, 10.0, 10.0], per="pass").naive.per == "pass"
    assert burst_rate([0, 3, 1], [10.0, 10.0, 10.0]).naive.per == "hour"
