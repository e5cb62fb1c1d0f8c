"""A cumulative sum by lots: level by hand, the sum by a plain loop, false alarms and falls by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, t

from teachlab.errors import ParameterError
from teachlab.questions.stale.course import WatchedSide, alarm_of
from teachlab.questions.stale.lot_alarm import LotLevel, falling_below, falling_within, level_of_lots
from teachlab.statistics.lots import Source, blocks_of
from teachlab.statistics.over_time.cumulative_sums import Sequential, sums_of, threshold_for


def _lots(lots: int, size: int, icc: float, rng: np.random.Generator) -> np.ndarray:
    return np.repeat(rng.normal(0, icc**0.5, lots), size) + rng.normal(0, (1 - icc) ** 0.5, lots * size)


def test_level_by_hand() -> None:
    # Means of the lots 4, 7, 4, 7 about 5.5: variance 4 · 1.5² / 3 = 3, the same from the sums.
    found = level_of_lots([3, 5, 6, 8, 4, 4, 7, 7], [0, 0, 1, 1, 2, 2, 3, 3])
    assert found is not None
    assert found.spread == pytest.approx(math.sqrt(3 * 3 / chi2.ppf(0.2, 3)))
    assert found.lowest == pytest.approx(5.5 - t.ppf(0.9, 3) * math.sqrt(3 / 4))
    # Unequal lots: sums less expectation −3, 1.5, 1.5, 0 at mean 3: Σ off² · 4/3 over 9 passes and 9/4 per lot.
    x, lot = [2, 2, 2, 4.5, 4.5, 3, 3, 3, 3], [0, 0, 0, 1, 2, 3, 3, 3, 3]
    unequal = level_of_lots(x, lot)
    assert unequal is not None
    sd = math.sqrt((9 + 2.25 + 2.25) * 4 / 3 / (9 * 9 / 4))
    assert unequal.spread == pytest.approx(sd * math.sqrt(3 / chi2.ppf(0.2, 3)))
    # The order of names is nothing to go by.
    assert level_of_lots(x, [9, 9, 9, 2, 1, 0, 0, 0, 0]) == unequal
    assert level_of_lots(x, [0, 0, 0, 1, 1, 2, 2, 2, 2]) is None
    assert level_of_lots([1.0] * 8, [0, 0, 1, 1, 2, 2, 3, 3]) is None


def test_stretches_that_resemble_one_another_spread_more() -> None:
    means = np.repeat([0.0, 0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0], 5)
    lots = np.repeat(np.arange(8), 5)
    named, unnamed = (level_of_lots(means, lots, source=source) for source in (Source.LOTS, Source.BLOCKS))
    assert named is not None
    assert unnamed is not None
    # ρ₁ of 0 0 1 1 0 0 1 1 is 1/8, ρ₂ = −6/8: 1 + 2 · 1/8, the pair after it is not positive.
    assert unnamed.spread / named.spread == pytest.approx(math.sqrt(1.25))


@pytest.mark.parametrize("seed", range(5))
def test_the_sum_equals_a_plain_loop(seed: int) -> None:
    rng = np.random.default_rng(seed)
    before, now = _lots(20, 15, 0.3, rng), _lots(30, 15, 0.3, rng) - np.linspace(0, 3, 450)
    level = level_of_lots(before, np.repeat(np.arange(20), 15))
    assert level is not None
    found = falling_below(now, level)
    assert found is not None
    total, largest, alarm = 0.0, 0.0, None
    for k, x in enumerate(now):
        total = max(0.0, total + ((level.lowest - x) / level.spread - 0.5) / 15)
        largest = max(largest, total)
        alarm = k if alarm is None and total > found.threshold else alarm
    assert alarm is not None
    assert found.alarm == alarm
    assert found.largest == pytest.approx(largest)
    assert (found.source, found.lots, found.baseline) == ("lots", 20, 300)


@given(st.lists(st.floats(-100, 100), min_size=8, max_size=120), st.integers(1, 12))
def test_no_recording_alarms_against_itself(values: list[float], size: int) -> None:
    for source in (Source.LOTS, Source.BLOCKS):
        level = level_of_lots(values, np.arange(len(values)) // size, source=source)
        if level is not None:
            found = falling_below(values, level, before=values)
            assert found is not None
            assert found.alarm is None


def test_a_recording_that_falls_does_not_alarm_against_itself_but_against_a_steady_one() -> None:
    rng = np.random.default_rng(4)
    lots = np.repeat(np.arange(60), 20)
    steady, fell = _lots(60, 20, 0.1, rng), _lots(60, 20, 0.1, rng) - np.linspace(0, 4, 1200)
    for before, alarm in ((steady, True), (fell, False)):
        level = level_of_lots(before, lots)
        assert level is not None
        found = falling_below(fell, level, before=before)
        assert found is not None
        assert (found.alarm is not None) is alarm


@pytest.mark.parametrize("icc", [0.0, 0.05, 0.2])
@pytest.mark.parametrize(("learnt", "watched"), [(5, 8), (10, 60), (20, 20)])
def test_steady_lots_rarely_alarm(icc: float, learnt: int, watched: int) -> None:
    rng = np.random.default_rng(3)
    across = within = passes = 0
    for _ in range(300):
        before, now = _lots(learnt, 20, icc, rng), _lots(watched, 20, icc, rng)
        level = level_of_lots(before, np.repeat(np.arange(learnt), 20))
        assert level is not None
        found = falling_below(now, level, before=before)
        assert found is not None
        across += found.alarm is not None
        inside = falling_within(now, np.repeat(np.arange(watched), 20))
        assert inside is not None
        within += inside.alarm is not None
        sums = sums_of((before.mean() - now) / before.std(ddof=1) - 0.5)
        passes += bool((sums > threshold_for(now.size, before.size)).any())
    # At most 5 % plus three standard errors.
    most = 300 * 0.05 + 3 * (300 * 0.05 * 0.95) ** 0.5
    assert across <= most
    assert within <= most
    if icc == 0.2:
        assert passes > 60


def test_which_side_is_the_nearest_may_change_from_lot_to_lot() -> None:
    """Passes differ by lots and gaps do not: few lots have a smallest margin below the usual one, and nothing fell."""
    rng = np.random.default_rng(3)
    smallest = both = fallen = 0

    def drawn(lots: int, fall: float = 0.0) -> list[WatchedSide]:
        code = np.repeat(np.arange(lots), 20)
        passes = 26 - fall + rng.normal(0, 6, lots)[code] + rng.normal(0, 3, code.size)
        sides = {"detect": passes, "release": 19 + rng.normal(0, 0.6, code.size)}
        every = {None: np.minimum(*sides.values())} | sides
        return [WatchedSide(side=k, margins=x, rows=np.arange(x.size), lots=code) for k, x in every.items()]

    def alarms(before: list[WatchedSide], now: list[WatchedSide]) -> bool:
        levels = {one.side: (one.margins, level_of_lots(one.margins, one.lots)) for one in before}

        def falls(one: WatchedSide, chance: float) -> Sequential | None:
            was, level = levels[one.side]
            assert level is not None
            return falling_below(one.margins, level, before=was, chance=chance)

        found = alarm_of(now, falls)
        return found is not None and found.alarm is not None

    for _ in range(200):
        before, now = drawn(10), drawn(60)
        smallest += alarms(before[:1], now[:1])
        both += alarms(before, now)
        fallen += alarms(before, drawn(60, fall=12.0))
    assert smallest > 60
    # At most 5 % plus three standard errors; a fall by two deviations of the lots is found.
    assert both <= 200 * 0.05 + 3 * (200 * 0.05 * 0.95) ** 0.5
    assert fallen > 160


def test_stretches_of_unnamed_lots_rarely_alarm_within_a_recording() -> None:
    """20 lots of 20 passes that nobody named: the level of the first stretches is that of the first lots."""
    rng = np.random.default_rng(4)
    steady = fallen = 0
    for _ in range(200):
        x = _lots(20, 20, 0.6, rng)
        _, of = blocks_of(np.zeros(x.size, bool))
        code = np.repeat(np.arange(of.size), of)
        half = np.arange(x.size) >= 200
        for way in (1, -1):
            found = falling_within(x[::way], code[::way], source=Source.BLOCKS)
            steady += found is not None and found.alarm is not None
        found = falling_within(x - 4 * half, code, source=Source.BLOCKS)
        fallen += found is not None and found.alarm is not None
    assert steady <= 200 * 0.05 + 3 * (200 * 0.05 * 0.95) ** 0.5
    assert fallen > 160


@pytest.mark.parametrize(("icc", "least"), [(0.0, 0.99), (0.05, 0.99), (0.2, 0.95)])
def test_a_fall_by_one_standard_deviation_is_found(icc: float, least: float) -> None:
    rng = np.random.default_rng(5)
    hits, delays = 0, []
    for _ in range(200):
        level = level_of_lots(_lots(20, 20, icc, rng), np.repeat(np.arange(20), 20))
        assert level is not None
        found = falling_below(_lots(20, 20, icc, rng) - 1, level)
        assert found is not None
        hits += found.alarm is not None
        delays.append(found.alarm if found.alarm is not None else 400)
    assert hits >= least * 200
    assert np.median(delays) < 150


def test_within_by_hand() -> None:
    # Ten lots of two: 10, 12, 10, 12, 10, then 2. The level is that of the first three.
    means = np.array([10, 12, 10, 12, 10, 2, 2, 2, 2, 2], np.float64)
    found = falling_within(np.repeat(means, 2), np.repeat(np.arange(10), 2))
    assert found is not None
    sd, freedom = 16 / 9 * math.sqrt(math.pi) / 2, 0.605 * 9
    level = LotLevel(
        mean=32 / 3,
        lowest=32 / 3 - t.ppf(0.9, freedom) * sd / math.sqrt(3),
        spread=sd * math.sqrt(freedom / chi2.ppf(0.2, freedom)),
        size=2.0,
        lots=3,
        passes=6,
        source=Source.LOTS,
    )
    rest = falling_below(np.repeat(means[3:], 2), level)
    assert rest is not None
    assert found.largest == pytest.approx(rest.largest)
    assert found.alarm == (None if rest.alarm is None else rest.alarm + 6)
    assert (found.baseline, found.lots) == (6, 3)
    assert falling_within(np.arange(10.0), np.arange(10) // 2) is None
    assert falling_within(np.full(20, 3.0), np.arange(20) // 2) is None


def test_the_moving_range_has_so_many_degrees_of_freedom() -> None:
    rng = np.random.default_rng(1)
    sd = np.abs(np.diff(rng.normal(size=(20_000, 30)), axis=1)).mean(axis=1) * math.sqrt(math.pi) / 2
    assert sd.mean() == pytest.approx(1, abs=0.005)
    # A standard deviation with ν degrees of freedom has a relative variance of about 1 / 2ν.
    assert 1 / (2 * sd.var()) == pytest.approx(0.605 * 29, rel=0.05)


def test_refusals() -> None:
    with pytest.raises(ParameterError, match="number of its lot"):
        level_of_lots([1.0, 2.0], [0])
    with pytest.raises(ParameterError, match="finite"):
        falling_within([1.0, np.nan], [0, 1])
    level = level_of_lots([3, 5, 6, 8, 4, 4, 7, 7], [0, 0, 1, 1, 2, 2, 3, 3])
    assert level is not None
    assert falling_below([], level) is None
