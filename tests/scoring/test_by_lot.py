"""Lots: the design effect by hand and by statsmodels' moments, coverage by simulation, autocorrelation."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from loading import BENCHMARKS, script

from teachlab.errors import ParameterError
from teachlab.model.score import Outcome, Trials
from teachlab.model.truth import Truth
from teachlab.scoring.by_lot import exposure, lost_rate_by_lot, lot_codes, with_lots
from teachlab.statistics.intervals import proportion_limits
from teachlab.statistics.lots import Source, blocks_of, lot_rate
from teachlab.statistics.over_time.autocorrelation import autocorrelation, integrated_autocorrelation

HIT, MISS, EXCLUDED = Outcome.HIT, Outcome.MISS, Outcome.EXCLUDED


@pytest.fixture(scope="module")
def benchmark() -> ModuleType:
    return script(BENCHMARKS / "coverages" / "lots.py")


@pytest.mark.parametrize(
    ("kind", "icc", "rate", "lots"),
    [
        ("independent", 0.0, 0.001, 50),
        ("independent", 0.0, 0.02, 20),
        ("beta-binomial", 0.05, 0.002, 50),
        ("beta-binomial", 0.05, 0.005, 20),
        ("beta-binomial", 0.2, 0.002, 200),
        ("beta-binomial", 0.2, 0.005, 200),
        ("beta-binomial", 0.2, 0.05, 20),
        ("bad lots", 0.2, 0.01, 20),
        ("unequal beta-binomial", 0.2, 0.02, 50),
        ("logit-normal", 0.2, 0.02, 50),
        ("logit-normal", 0.2, 0.05, 20),
        ("runs", 0.2, 0.02, 20),
        ("unequal logit-normal", 0.2, 0.005, 200),
        ("one big lot, logit-normal", 0.2, 0.02, 50),
    ],
)
def test_simulated_coverage(benchmark: ModuleType, kind: str, icc: float, rate: float, lots: int) -> None:
    found = benchmark.coverage(kind, icc, rate, lots, repetitions=2000, seed=7)
    for bound in ("interval", "upper", "assumed", "assumed_upper"):
        assert found[bound] >= 0.93
    if icc == 0.2 and rate >= 0.01:
        assert found["naive"] < (0.85 if kind == "runs" else 0.7)


@pytest.mark.parametrize(("icc", "rate", "lots"), [(0.05, 0.02, 50), (0.2, 0.05, 20), (0.2, 0.01, 200)])
def test_rare_bad_lots_are_held_by_the_assumption_alone(
    benchmark: ModuleType, icc: float, rate: float, lots: int
) -> None:
    found = benchmark.coverage("rare bad lots", icc, rate, lots, repetitions=1500, seed=7)
    assert found["upper"] < 0.93
    assert min(found["assumed"], found["assumed_upper"]) >= 0.93


@pytest.mark.parametrize(("icc", "rate", "lots"), [(0.05, 0.005, 20), (0.2, 0.001, 50), (0.2, 0.02, 30)])
def test_simulated_coverage_where_nobody_named_the_lots(
    benchmark: ModuleType, icc: float, rate: float, lots: int
) -> None:
    found = benchmark.unnamed("beta-binomial", icc, rate, lots, repetitions=1000, seed=7)
    assert min(found.values()) >= 0.93


def test_stored_coverage_holds_the_promise() -> None:
    import json

    stored = json.loads((Path(__file__).parents[2] / "benchmarks" / "coverages" / "lots.json").read_text())
    assert stored["repetitions"] == 4000
    assert len(stored["rows"]) == 252
    alike = [row for row in stored["rows"] if row["kind"] != "rare bad lots"]
    assert min(min(row["interval"], row["upper"]) for row in alike) >= 0.93
    assert min(min(row["assumed"], row["assumed_upper"]) for row in stored["rows"]) >= 0.93
    unnamed = [row for row in stored["rows"] if "unnamed" in row]
    assert len(unnamed) == 108
    assert min(min(row["unnamed"], row["unnamed_upper"]) for row in unnamed) >= 0.93


def test_design_effect_by_hand() -> None:
    # 4 lots of 10 with 0, 0, 2, 2 lost: p = 0.1, squares 1 1 1 1, times 4/3 over 40 * 0.09.
    assert lot_rate([0, 0, 2, 2], [10] * 4).measured == pytest.approx(4 * 4 / 3 / 3.6)


def test_lots_lost_as_a_whole_count_as_one_trial_each() -> None:
    found = lot_rate([50] + [0] * 19, [50] * 20)
    assert found.design_effect == pytest.approx(50)
    assert found.effective_trials == pytest.approx(20)
    assert found.upper == pytest.approx(proportion_limits(1, 20, 0.95)[2])


def test_no_event_and_no_hint_counts_lots() -> None:
    found = lot_rate([0] * 30, [50] * 30)
    assert found.measured is None
    assert found.upper == pytest.approx(1 - 0.05 ** (1 / 30))
    assert "every lot counts as one trial" in found.warnings[0]


def test_the_interval_is_never_narrower_than_the_naive_one() -> None:
    rng = np.random.default_rng(3)
    for _ in range(100):
        lots = int(rng.integers(2, 40))
        of = rng.integers(1, 60, lots)
        found = lot_rate(rng.binomial(of, rng.beta(0.3, 3, lots)), of)
        assert found.low <= found.naive.low + 1e-12
        assert found.high >= found.naive.high - 1e-12
        assert found.design_effect >= 1


def test_few_lots_are_named_as_such_and_one_is_refused() -> None:
    assert "Only 5 lots" in lot_rate([1, 0, 1, 0, 0], [10] * 5).warnings[0]
    with pytest.raises(ParameterError, match="at least 2 lots"):
        lot_rate([1, 0], [10, 0])
    with pytest.raises(ParameterError, match="between 0 and its trials"):
        lot_rate([11, 0], [10, 10])


def _trials(outcomes: list[int], first: int = 0) -> Trials:
    none = np.zeros(0, np.int64)
    return Trials(
        passes=np.array(outcomes, np.int8),
        pass_onsets=np.zeros(len(outcomes), np.int64),
        gaps=none.astype(np.int8),
        gap_onsets=none,
        gap_after=none,
        first_pass=first,
    )


def _truth(n: int, lot: list[str] | None = None, label: list[str] | None = None) -> Truth:
    start = np.arange(n) * 10 + 5
    return Truth.from_arrays(start, start + 4, lot=lot, label=label)


def test_lots_come_from_the_truth_and_excluded_passes_are_left_out() -> None:
    truth = _truth(8, ["a", "a", "b", "b", "c", "c", "d", "d"])
    found = lost_rate_by_lot(truth, _trials([MISS, HIT, EXCLUDED, MISS, HIT, HIT], first=2))
    assert found is not None
    assert (found.source, found.lots, found.lots_with_events) == (Source.LOTS, 3, 2)
    assert (found.naive.events, found.naive.trials) == (2, 5)


def test_without_lots_stretches_of_time_stand_in() -> None:
    outcomes = [MISS] * 20 + [HIT] * 380
    found = lost_rate_by_lot(_truth(400), _trials(outcomes))
    assert found is not None
    assert found.source is Source.BLOCKS
    assert found.lots == 10
    assert found.measured is not None
    # By hand: 2 lost in every stretch on average, 20 in the first: squares 18² and nine of 2² times 10/9, over
    # 400 · 0.05 · 0.95. The integrated autocorrelation of one run of 20 is less.
    assert found.measured == pytest.approx((18**2 + 9 * 4) * 10 / 9 / 19)
    assert lost_rate_by_lot(_truth(9), _trials([HIT] * 9)) is None


def test_a_proxy_stands_in_where_nothing_was_lost() -> None:
    rng = np.random.default_rng(5)
    lots = [f"lot {k}" for k in range(40) for _ in range(50)]
    level = np.repeat(rng.normal(0, 1, 40), 50) * 0.5 + rng.normal(0, 1, 2000)
    trials = _trials([HIT] * 2000)
    found = lost_rate_by_lot(_truth(2000, lots), trials, proxy=level)
    assert found is not None
    # Without an assumption every lot counts as one trial; the proxy is told beside it.
    assert (found.source, found.design_effect) == (Source.LOTS, 50)
    assert found.by_proxy is not None
    assert found.by_proxy.source is Source.PROXY
    # Lot levels make the weakest tenth cluster, but not as a whole.
    assert 2 < found.by_proxy.design_effect < 30
    alike = lost_rate_by_lot(_truth(2000, lots), trials, proxy=rng.normal(0, 1, 2000))
    assert alike is not None
    assert alike.by_proxy is not None
    # No likeness of levels does not show that losses are not alike: 1 + 49 · 0.2 stays.
    assert alike.by_proxy.design_effect == pytest.approx(10.8)
    trusting = lost_rate_by_lot(_truth(2000, lots), trials, proxy=rng.normal(0, 1, 2000), icc=0.0)
    assert trusting is not None
    assert trusting.by_proxy is not None
    # 1.35 times a chi-square over its 39 degrees of freedom (standard deviation 0.23): three of them above.
    assert trusting.by_proxy.design_effect < 1.35 * (1 + 3 * 0.23)


@pytest.mark.parametrize("together", [False, True])
def test_the_weakest_are_a_tenth(together: bool) -> None:
    """Ten lots of twenty: two weak passes in each tell no clustering, whatever comes next; all in one lot a whole one.

    By hand, a fifth would be 20, 4, 2 … 2 of a lot: squares 256 + 0 + 8 · 4, times 10/9, over 200 · 0.2 · 0.8 are 10.
    """
    reach = np.full((10, 20), np.nan)
    reach[:, :2] = np.arange(20).reshape(10, 2)
    # The second tenth lies in the first two lots.
    reach[0, 2:] = 20 + np.arange(18)
    reach[1, 2:4] = [38, 39]
    rest = np.isnan(reach)
    reach[rest] = 40 + np.arange(rest.sum())
    if together:
        reach = np.arange(200.0).reshape(10, 20)
    lots = [f"lot {k}" for k in range(10) for _ in range(20)]
    found = lost_rate_by_lot(_truth(200, lots), _trials([HIT] * 200), proxy=reach.ravel(), icc=0.0)
    assert found is not None
    assert found.by_proxy is not None
    assert found.by_proxy.design_effect == 20 if together else found.by_proxy.design_effect < 2


def test_what_is_assumed_where_too_few_lots_hold_an_event() -> None:
    named = lot_rate([0] * 30, [50] * 30).by_proxy
    assert named is not None
    assert named.basis == "an assumed intra-lot correlation of 0.2"
    # 1 + 49 · 0.2 = 10.8 passes are worth one: no event in 1500 / 10.8 trials.
    assert (named.design_effect, named.assumed_icc) == (pytest.approx(10.8), 0.2)
    assert named.upper == pytest.approx(1 - 0.05 ** (10.8 / 1500))
    # Losses seen together count, and so do weakest passes that are alike; lots of one pass cannot cluster.
    together = lot_rate([30] + [0] * 29, [50] * 30).by_proxy
    assert together is not None
    assert together.design_effect == pytest.approx(together.measured)
    assert together.basis == "the losses seen"
    assert lot_rate([0] * 30, [50] * 30, weakest=17.0).by_proxy.design_effect == 17  # type: ignore[union-attr]
    assert lot_rate([0] * 30, [50] * 30, weakest=99.0).by_proxy.design_effect == 50  # type: ignore[union-attr]
    assert lot_rate([0] * 30, [1] * 30).by_proxy.design_effect == 1  # type: ignore[union-attr]
    # Stretches of 7 passes are no lots: lots of 50 are assumed all the same.
    stretches = lot_rate([0] * 10, [7] * 10, source=Source.BLOCKS).by_proxy
    assert stretches is not None
    assert stretches.design_effect == pytest.approx(10.8)
    assert lot_rate([1, 1] + [0] * 28, [50] * 30).by_proxy is None
    with pytest.raises(ParameterError, match="icc must lie"):
        lot_rate([0] * 30, [50] * 30, icc=1.5)


def test_the_assumption_stands_beside_losses_that_come_singly() -> None:
    # 20 of 60 lots with one loss each: less alike than chance, and 10.8 passes worth one where a bad lot was not seen.
    found = lot_rate([1] * 20 + [0] * 40, [50] * 60)
    assert found.measured is not None
    assert found.measured < 1
    assert found.design_effect < 2
    assert "A rare bad one that was not recorded is not covered" in found.holds
    assert "a rare bad one is not covered" in found.warnings[0]
    assert found.by_proxy is not None
    assert found.by_proxy.design_effect == pytest.approx(10.8)
    assert found.by_proxy.upper == pytest.approx(proportion_limits(20 / 10.8, 3000 / 10.8, 0.95)[2])
    assert found.by_proxy.holds == "Valid if losses of one lot correlate by at most 0.2"
    # Nothing to add where more was measured, or where independence is assumed.
    assert lot_rate([20, 15, 25, 12, 18] + [0] * 55, [50] * 60).by_proxy is None
    assert lot_rate([1] * 20 + [0] * 40, [50] * 60, icc=0.0).by_proxy is None


def test_the_largest_lot_weighs_in_how_many_carry_the_spread() -> None:
    # One lot deviates by 20, forty by 1 or less: the spread is known from hardly more than one lot.
    found = lot_rate([22] + [1, 0] * 20, [50] * 41)
    assert found.lots_with_events == 21
    assert found.contributing < 2
    assert found.design_effect == pytest.approx(50)
    even = lot_rate([2] * 40, [50] * 40)
    assert (even.measured, even.contributing) == (0, 40)
    assert even.design_effect < 1.2


def test_without_lots_short_runs_count_by_their_autocorrelation() -> None:
    # One in ten stretches of 400 passes loses 8 in a row: more alike within a run than the counts of stretches show.
    outcomes = ([MISS] * 8 + [HIT] * 392) * 10
    found = lost_rate_by_lot(_truth(4000), _trials(outcomes))
    assert found is not None
    assert found.source is Source.BLOCKS
    assert found.measured == pytest.approx(integrated_autocorrelation([x == MISS for x in outcomes]))
    assert found.design_effect > found.measured


def test_the_proxy_covers_where_level_and_losses_cluster_alike() -> None:
    """Level and losses of one normal population with lot effects; rates below what shows in two lots."""
    from scipy.special import ndtri

    rng = np.random.default_rng(2)
    rate, held = 0.001, 0
    truth = _truth(1000, [f"lot {k // 50}" for k in range(1000)])
    for _ in range(200):
        level = np.repeat(rng.normal(size=20), 50) * np.sqrt(0.2) + rng.normal(size=1000) * np.sqrt(0.8)
        found = lost_rate_by_lot(truth, _trials([MISS if x < ndtri(rate) else HIT for x in level]), proxy=level)
        assert found is not None
        bound = found.upper if found.by_proxy is None else found.by_proxy.upper
        held += rate <= bound
    assert held >= 0.93 * 200


def test_exposure_counts_lots_on_both_sides() -> None:
    truth = _truth(6, ["a", "a", "b", "b", "c", "c"], ["x"] * 6)
    found = exposure(truth, 3, _trials([HIT, MISS, HIT], first=3))
    assert found == {"label x": (3, 3), "lot a": (2, 0), "lot b": (1, 1), "lot c": (0, 2)}


def test_blocks_keep_every_event() -> None:
    rng = np.random.default_rng(1)
    for n in (1, 4, 5, 9, 57, 200, 1003):
        lost = rng.random(n) < 0.2
        events, trials = blocks_of(lost)
        assert (events.sum(), trials.sum()) == (lost.sum(), n)
        assert trials.min() >= min(5, n)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.8])
def test_integrated_autocorrelation_of_a_first_order_series(phi: float) -> None:
    rng = np.random.default_rng(11)
    noise = rng.normal(size=60_000)
    series = np.empty_like(noise)
    series[0] = noise[0]
    for k in range(1, noise.size):
        series[k] = phi * series[k - 1] + noise[k]
    # 1 + 2 (phi + phi² + …) = (1 + phi) / (1 − phi); the estimate's relative error is some percent here.
    assert integrated_autocorrelation(series) == pytest.approx((1 + phi) / (1 - phi), rel=0.12)


def test_autocorrelation_equals_its_definition() -> None:
    y = np.random.default_rng(2).normal(5, 1, 50)
    d = y - y.mean()
    assert autocorrelation(y, 3) == pytest.approx(sum(d[k] * d[k + 3] for k in range(47)) / sum(d**2))
    assert autocorrelation([4.0, 4.0, 4.0]) is None
    assert integrated_autocorrelation([4.0] * 9) is None


def test_two_lots_are_enough_for_a_rate_by_lot_and_one_pass_is_not() -> None:
    outcomes = [MISS if k % 10 == 0 else HIT for k in range(40)]
    found = lost_rate_by_lot(_truth(40, ["a"] * 20 + ["b"] * 20), _trials(outcomes), confidence=0.95)
    assert found is not None
    assert (found.source, found.lots) == (Source.LOTS, 2)
    assert lost_rate_by_lot(_truth(1), _trials([HIT]), confidence=0.95) is None


@pytest.mark.parametrize(("lost", "hinted"), [([10, 0], True), ([5, 5], False)])
def test_the_weakest_passes_count_where_fewer_than_two_lots_lost_any(lost: list[int], hinted: bool) -> None:
    found = lot_rate([*lost, *[0] * 18], [50] * 20, weakest=45.0).by_proxy
    governed = "" if found is None else found.governed_by
    assert (governed == "the weakest tenth of the passes") is hinted


def test_a_pass_to_be_ignored_without_a_lot_has_that_of_the_pass_before() -> None:
    start, detect = 20 * np.arange(1, 13), np.tile([True, False, True], 4)
    lot = np.where(detect, np.repeat(["", "B", "C", "D"], 3), "").astype(object)
    lot[:3] = ["A", "", "A"]
    truth = Truth.from_arrays(start, start + 10, detect=detect, lot=lot)
    code, source = lot_codes(truth, np.arange(12))
    assert source is Source.LOTS
    assert code.tolist() == np.repeat([0, 1, 2, 3], 3).tolist()
    lot[5] = ""  # one to be detected
    assert lot_codes(replace(truth, lot=lot), np.arange(12))[1] is Source.BLOCKS


@given(st.lists(st.tuples(st.sampled_from(["", "a", "b"]), st.booleans()), max_size=12))
def test_passes_that_need_no_lot_have_that_of_a_neighbour_as_in_a_plain_loop(passes: list[tuple[str, bool]]) -> None:
    names, free = [name for name, _ in passes], [one for _, one in passes]
    found = with_lots(np.array(names, object), np.array(free, bool)).tolist()
    for k in range(1, len(names)):
        if free[k] and not names[k]:
            names[k] = names[k - 1]
    for k in reversed(range(len(names) - 1)):
        if free[k] and not names[k]:
            names[k] = names[k + 1]
    assert found == names
