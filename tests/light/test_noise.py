"""Local noise and what it is made of."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.light import noise
from teachlab.light.noise import (
    GOLDEN,
    LEAST_COUNTED,
    Selection,
    SmallestStep,
    deviation,
    local_noise,
    median,
    quantile,
)
from teachlab.sensor.edges import merged


def test_noise_of_a_normal_signal_is_its_standard_deviation():
    light = np.random.default_rng(5).normal(100.0, 3.0, 200_000)
    assert local_noise(np.diff(light), None) == pytest.approx(3.0, rel=0.01)


def test_a_slow_drift_and_steps_do_not_count_as_noise():
    rng = np.random.default_rng(6)
    light = rng.normal(0.0, 1.0, 100_000) + np.linspace(0, 500, 100_000) + np.repeat([0.0, 80.0] * 50, 1000)
    assert local_noise(np.diff(light), None) == pytest.approx(1.0, rel=0.02)


def test_noise_is_never_zero_where_a_step_is_known():
    assert local_noise(np.zeros(10), 4.0) == pytest.approx(4.0 / math.sqrt(12))
    assert local_noise(np.array([3.0, -3.0, 3.0, -3.0]), 4.0) == pytest.approx(1.4826 * 3 / math.sqrt(2))
    assert local_noise(np.empty(0), 4.0) is None


@pytest.mark.parametrize(
    ("light", "step"),
    [
        (np.array([512, 512], np.uint16), None),
        (np.array([512, 516, 514, 530], np.uint16), 2.0),
        (np.array([0.25, 1.0, 0.5]), 0.25),
        (np.array([1.0, np.inf, 4.0]), 3.0),
        (np.array([2**63, 2**63 + 4096], np.uint64), 4096.0),
    ],
)
def test_smallest_step(light, step):
    for cut in (1, light.size):
        found = SmallestStep()
        for a in range(0, light.size, cut):
            found.push(light[a : a + cut])
        assert found.step() == step


def test_smallest_step_among_very_many_levels_stays_bounded():
    found = SmallestStep()
    for a in range(5):
        found.push(np.arange(0, 100_000, dtype=np.float64) + a * 100_000)
    assert found.step() == 1.0


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.integers(0, 400), min_size=1, max_size=3000),
    st.sampled_from([1.0, 0.1, 10 / 4096, 16.0]),
    st.sampled_from([0.0, -37.3, 1e4]),
    st.lists(st.integers(0, 3000), max_size=6),
    st.sampled_from([np.float32, np.float64, np.uint16]),
)
def test_the_smallest_step_of_light_on_a_grid_is_that_of_all_its_levels(places, unit, offset, cuts, kind):
    # Neighbours come early; otherwise a wider grid is believed until light leaves it.
    if kind is np.uint16:
        unit, offset = np.ceil(unit), abs(offset) // 1
    light = (np.array([7, 8, *places]) * unit + offset).astype(kind)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(noise, "LEVELS_AT_ONCE", 64)
        found, parts = SmallestStep(), SmallestStep()
        found.push(light)
        for part in np.split(light, sorted(min(c, light.size) for c in cuts)):
            parts.push(part)
    levels = np.unique(light).astype(np.float64)
    assert parts.step() == found.step()
    # Where the grid is known, levels whose distance is smaller by rounding alone are passed over.
    assert found.step() == pytest.approx(np.diff(levels).min(), abs=4 * float(np.spacing(kind(light.max()))))


def test_light_that_leaves_the_grid_is_found_and_a_grid_is_not_sorted(monkeypatch):
    monkeypatch.setattr(noise, "LEVELS_AT_ONCE", 1000)
    light = np.random.default_rng(3).integers(0, 400, 50_000).astype(np.float32)
    sizes = []
    monkeypatch.setattr(noise, "merged", lambda *parts: sizes.append(parts[-1].size) or merged(*parts))
    found = SmallestStep()
    found.push(light)
    assert (found.step(), sizes) == (1.0, [1000])
    light[40_500] += 0.25
    later = SmallestStep()
    later.push(light)
    assert (later.step(), sizes[1:]) == (0.25, [1000, 1])


def test_light_that_begins_without_a_finite_level_has_the_step_of_what_follows(monkeypatch):
    monkeypatch.setattr(noise, "LEVELS_AT_ONCE", 64)
    found = SmallestStep()
    found.push(np.array([np.inf, -np.inf] * 50 + [4.0, 1.0, 2.5] * 30))
    assert found.step() == 1.5


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 3000), st.lists(st.integers(0, 3000), max_size=6), st.integers(1, 400))
def test_a_selection_ignores_the_blocks_and_is_bounded_and_even(size, cuts, limit):
    values = np.arange(size, dtype=np.float64)
    one, many = Selection(limit), Selection(limit)
    one.push(values)
    for part in np.split(values, sorted(min(c, size) for c in cuts)):
        many.push(part)
    kept = one.values()
    assert np.array_equal(kept, many.values())
    assert one.count == size
    assert kept.size <= limit
    if size <= limit:
        assert np.array_equal(kept, values)
    elif kept.size > 1:
        # three-distance theorem: gaps between multiples of the golden ratio below a bound stay near their mean
        assert np.diff(kept).max() <= 3 * size / kept.size + 1


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 60_000), st.integers(1, 3000), st.integers(0, 9000), st.floats(0, 1))
def test_a_selection_keeps_what_lies_below_the_bound(size, limit, part, known):
    """Value i is kept where i · 2^64/φ modulo 2^64 lies below a bound, the largest that keeps few enough."""
    number = [i * int(GOLDEN) % 2**64 for i in range(size)]
    bits = 0
    while sum(one < 1 << (64 - bits) for one in number) > limit:
        bits += 1
    expected = [i for i, one in enumerate(number) if one < 1 << (64 - bits)]
    kept = Selection(limit, at_least=int(known * size))
    for a in range(0, size, part or size or 1):
        kept.push(np.arange(a, min(a + (part or size), size), dtype=np.float64))
    assert kept.values().tolist() == expected


@pytest.mark.parametrize("size", [262_144, 1_000_003, 10_000_000])
def test_what_is_known_beforehand_changes_nothing(size):
    plain, told = Selection(1 << 15), Selection(1 << 15, at_least=size)
    for kept in (plain, told):
        for a in range(0, size, 100_000):
            kept.push(np.arange(a, min(a + 100_000, size), dtype=np.float64))
    assert np.array_equal(plain.values(), told.values())


def test_median_of_a_selection():
    kept = Selection()
    assert kept.median() is None
    kept.push(np.array([3.0, 1.0, 2.0]))
    assert kept.median() == 2.0


@given(
    st.sampled_from([1.0, 0.25, 3.0]),
    st.integers(-(10**6), 10**6),
    st.integers(1, 70_000),
    st.integers(4000, 5001),
    st.integers(0, 2**32 - 1),
)
def test_counted_deviation_equals_the_sorted_one(scale: float, low: int, spread: int, size: int, seed: int) -> None:
    values = scale * (low + np.random.default_rng(seed).integers(0, spread, size)).astype(np.float64)
    assert deviation(values) == np.median(np.abs(values - np.median(values)))


@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf, 0.5])
def test_a_single_odd_value_is_not_counted_as_a_whole_number(odd: float) -> None:
    values = np.append(np.arange(5000.0) % 7, odd)
    with np.errstate(invalid="ignore"):
        assert np.array_equal(deviation(values), np.median(np.abs(values - np.median(values))), equal_nan=True)


def test_whole_numbers_far_apart_are_sorted_and_not_counted():
    """Counting them would take petabytes; half of the values are 10^15 from the median, the others lie on it."""
    values = np.resize([-1e15, 0.0, 0.0, 1e15], 4 * LEAST_COUNTED)
    assert deviation(values) == 5e14
    assert deviation(values + 1e14) == 5e14


@given(st.lists(st.floats(-1e300, 1e300), min_size=1, max_size=60), st.floats(0, 1))
def test_a_quantile_is_that_of_the_library_to_the_bit(values: list[float], share: float) -> None:
    kept = np.array(values)
    with np.errstate(over="ignore"):
        assert quantile(kept, share) == np.quantile(kept, share)
    assert kept.tolist() == values
    quantile(kept, share, in_place=True)
    assert sorted(kept) == sorted(values)


@settings(max_examples=200, deadline=None)
@given(
    st.one_of(
        st.lists(st.integers(0, 9), min_size=40, max_size=600),
        st.lists(st.floats(allow_nan=False, width=32), min_size=40, max_size=600),
        st.integers(40, 5000).map(lambda n: [k % 40 for k in range(n)]),
        st.integers(40, 5000).map(lambda n: list(range(n))),
    ),
    st.floats(0, 1),
    st.sampled_from([np.float32, np.float64]),
)
def test_of_many_values_a_few_tell_where_a_place_is(values: list[float], share: float, kind: type) -> None:
    kept = np.array(values, kind)
    with pytest.MonkeyPatch.context() as patch, np.errstate(over="ignore", invalid="ignore"):
        patch.setattr(noise, "MANY", 40)
        patch.setattr(noise, "FEW", 16)
        at = int((kept.size - 1) * share)
        ordered = np.sort(kept).tolist()
        assert noise.placed(kept, at, in_place=False) == (ordered[at], ordered[min(at + 1, kept.size - 1)])
        assert np.array_equal(median(kept), np.median(kept.astype(np.float64)), equal_nan=True)
    assert np.array_equal(kept, np.array(values, kind))
