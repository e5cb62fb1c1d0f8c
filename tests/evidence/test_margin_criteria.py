"""Criteria on margins and reserves: a tolerance limit over lots, by hand and against the tables of such limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.stats import binom
from scoring.margins import measure_margin

from teachlab.evidence.criteria import Criteria, Judged, Judgement, judge
from teachlab.evidence.sections.margin_criteria import judged_kept
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring.claimable import claimable
from teachlab.scoring.clearance import worst_by_unit
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

LEVEL = Setting(unit="mV", on_level=50.0, off_level=40.0)
MET, NOT_MET, OPEN = Judgement.MET, Judgement.NOT_MET, Judgement.NOT_ENOUGH


def line(lots: int, *, weak: Mapping[int, float] | None = None, size: int = 6) -> tuple[Recording, Truth]:
    """Trays of 100 mV on a belt of 10, in lots of six; the first tray of a weak lot reaches less."""
    passes = size * max(lots, 1)
    light = np.random.default_rng(4).normal(10, 1.0, 40 * passes + 40)
    start = 20 + 40 * np.arange(passes)
    for k, a in enumerate(start.tolist()):
        light[a : a + 20] += ((weak or {}).get(k // size, 100.0) if k % size == 0 else 100.0) - 10.0
    lot = [f"tray lot {k // size}" for k in range(passes)] if lots else None
    info = RecordingInfo(sample_rate_hz=1000.0, unit="mV")
    return Recording.from_array(light, info), Truth.from_arrays(start, start + 20, lot=lot)


def judged(pair: tuple[Recording, Truth], reserves: Mapping[str, float] | None = None, **row: Any) -> Judged:
    recording, truth = pair
    output = replay(recording, LEVEL)
    result = score(output, truth)
    margin = measure_margin(recording, output, truth, result.trials)
    found = claimable(recording, truth, LEVEL, result)
    asked = Criteria.model_validate({"criterion": [row]})
    return judge(asked, result, margin, truth, found, reserves=reserves, setting=LEVEL)[0]


def margin_of(least: float, **more: Any) -> dict[str, Any]:
    return {"measure": "margin_to_noise", "min": least, **more}


def test_one_weak_lot_fails_a_margin_that_the_quantile_of_all_passes_would_meet() -> None:
    # One pass of 240 reaches 55: 5 mV above the level, 5 of the noise of 1; the 1 % quantile lies 50 above it.
    weak, even = line(40, weak={7: 55.0}), line(40)
    assert judged(weak, **margin_of(15.0)).verdict is NOT_MET
    assert "1 of 40 lots keep less" in judged(weak, **margin_of(15.0)).because
    assert judged(even, **margin_of(15.0)).verdict is MET
    assert judged(weak, **margin_of(3.0)).verdict is MET


def test_what_is_met_says_what_share_of_lots_it_holds_for() -> None:
    found = judged(line(20), **margin_of(10.0))
    assert found.verdict is MET
    assert found.because == "at 95 % confidence 86 % of lots to come keep as much, if lots are independent"
    assert "worst of 20 lots" in found.measured


@pytest.mark.parametrize(("lots", "verdict"), [(5, MET), (4, OPEN), (0, OPEN)])
def test_a_margin_needs_five_named_lots(lots: int, verdict: Judgement) -> None:
    assert judged(line(lots), **margin_of(10.0)).verdict is verdict
    assert judged(line(lots), {"contamination_reserve": 0.4}, measure="contamination_reserve", min=0.3).verdict is (
        verdict
    )


def test_passes_taken_as_independent_are_so_only_where_the_criterion_says_so() -> None:
    # 299 passes show 99 % at 95 % (Wilks 1941; common tables of non-parametric tolerance limits).
    found = judged(line(50), **margin_of(10.0, assume="independent"))
    assert (found.verdict, "if passes are independent" in found.because) == (MET, True)
    fewer = judged(line(49), **margin_of(10.0, assume="independent"))
    assert fewer.verdict is OPEN
    assert "299 passes are needed" in fewer.because


def test_a_content_asks_for_lots_and_forgives_as_many_as_it_may() -> None:
    # 59 lots show 95 % without one that keeps less, 93 with one (the same tables: 59, 93, 124).
    for lots, weak, verdict in ((59, {}, MET), (58, {}, OPEN), (93, {7: 55.0}, MET), (92, {7: 55.0}, OPEN)):
        assert judged(line(lots, weak=weak), **margin_of(15.0, content=0.95)).verdict is verdict
    half = judged(line(20, weak=dict.fromkeys(range(10), 55.0)), **margin_of(15.0, content=0.95))
    assert half.verdict is NOT_MET


def test_a_share_that_falls_short_is_bounded_by_the_binomial_itself() -> None:
    """Met exactly where so few would be seen in at most 5 % of recordings if the content did not hold."""
    for n in (10, 37, 90):
        for below in range(4):
            kept = np.array([1.0] * below + [5.0] * (n - below))
            met = judged_kept(2.0, kept, lots=True, content=0.9, confidence=0.95)[1] == "met"
            assert met is bool(binom.cdf(below, n, 0.1) <= 0.05)


@pytest.mark.parametrize("measure", ["margin_to_noise", "population", "excess_gain"])
def test_every_lot_has_the_figure_that_its_own_light_gives(measure: str) -> None:
    """By a plain loop: a lot cut out, with the noise of the whole, has the figure that it is given."""
    recording, truth = line(6, weak={2: 60.0})
    output = replay(recording, LEVEL)
    trials = score(output, truth).trials
    margin = measure_margin(recording, output, truth, trials)
    found = worst_by_unit(measure, truth, LEVEL, margin, trials, dark_level=0.0, lots=True)
    peak, top, valley, hold = margin.peak_of_pass, margin.gap_top, margin.gap_valley, margin.hold_of_pass
    assert peak is not None
    assert top is not None
    assert valley is not None
    assert hold is not None
    sigma, background = margin.noise_object, margin.noise_background
    assert sigma is not None
    assert background is not None
    for k in range(6):
        rows = slice(6 * k, 6 * k + 6)
        least = {
            "margin_to_noise": min(
                (peak[rows].min() - 50) / sigma, (50 - top[rows].max()) / background,
                (40 - valley[rows].max()) / background, (hold[rows].min() - 40) / sigma,
            ),
            "population": min(
                (peak[rows].mean() - 50) / peak[rows].std(ddof=1), (50 - top[rows].mean()) / top[rows].std(ddof=1)
            ),
            "excess_gain": min(peak[rows].min() / 50, 50 / top[rows].max()),
        }[measure]  # fmt: skip
        assert found[k] == pytest.approx(least)


def test_the_population_of_clipped_passes_is_that_of_the_gaps_alone() -> None:
    """Where passes are clipped, the release, which lies nearer to its level here, does not stand in for them."""
    recording, truth = line(6)
    output = replay(recording, LEVEL)
    trials = score(output, truth).trials
    margin = measure_margin(recording, output, truth, trials)
    found = worst_by_unit(
        "population", truth, LEVEL, replace(margin, no_variance=("detect",)), trials, dark_level=0.0, lots=True
    )
    top, valley = margin.gap_top, margin.gap_valley
    assert top is not None
    assert valley is not None
    for k in range(6):
        rows = slice(6 * k, 6 * k + 6)
        trip = (50 - top[rows].mean()) / top[rows].std(ddof=1)
        assert found[k] == pytest.approx(trip)
        assert trip != pytest.approx((40 - valley[rows].mean()) / valley[rows].std(ddof=1))


def test_a_reserve_below_its_limit_and_one_that_is_none_are_not_met() -> None:
    row = {"measure": "ambient_reserve", "min": 10.0}
    assert judged(line(6), {"ambient_reserve": 9.0}, **row).verdict is NOT_MET
    assert judged(line(6), {"ambient_reserve": 11.0}, **row).verdict is MET
    assert "of lots to come" in judged(line(6), {"ambient_reserve": 11.0}, **row).because


@pytest.mark.parametrize(
    ("below", "of", "verdict"), [(10, 20, "not met"), (2, 30, "not enough evidence"), (0, 40, "met")]
)
def test_a_content_is_refused_where_surely_too_many_keep_less(below: int, of: int, verdict: str) -> None:
    """10 of 20 are at least 30 % (Clopper–Pearson at 95 %), more than the tenth that may; 2 of 30 are at least 1 %."""
    kept = np.array([2.0] * below + [4.0] * (of - below))
    assert judged_kept(3.0, kept, lots=True, content=0.9, confidence=0.95)[1] == verdict
