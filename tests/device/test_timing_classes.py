"""Classes of filter and delays, found again by brute force; matching of edges, against trying every matching."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest

from teachlab.device.identification import identify_edges
from teachlab.device.level_counts import EvaluationGrid, fewest_missed, shared_level
from teachlab.device.logged_edges import LoggedEdges
from teachlab.device.matching import SWALLOWED, matched_edges, swallowed_count, unmatched_count
from teachlab.device.rates import hidden_ratios, proposed_ratios
from teachlab.device.timing_classes import TimingClass
from teachlab.synthetic.sensor.logged_output import SimulatedSensor


def plain_output(light: list[bool], n: int, on: int, off: int, lag: int) -> tuple[bool, ...]:
    """The law of switching as a loop over evaluations: filter, on-delay, off-delay, lag; settled before the record."""
    state, streak, filtered = light[0], 0, []
    for x in light:
        streak = streak + 1 if x != state else 0
        if streak == n:
            state, streak = x, 0
        filtered.append(state)

    def at(values: list[bool], i: int) -> bool:
        return values[max(i, 0)]

    size = len(light)
    held = [all(at(filtered, j) for j in range(i - on, i + 1)) for i in range(size)]
    out = [any(at(held, j) for j in range(i - off, i + 1)) for i in range(size)]
    return tuple(at(out, i - lag) for i in range(size))


def test_settings_that_no_light_tells_apart_are_the_classes() -> None:
    """At one evaluation a sample: (n, d2 − d1, L + d1, max(n, d1 + 1)), 390 classes of 480, by trying all."""
    rng = np.random.default_rng(3)
    runs = rng.integers(1, 8, 240)
    lights = [bool(k % 2) for k in range(runs.size) for _ in range(runs[k])]
    by_output: dict[tuple[bool, ...], set[tuple[int, ...]]] = {}
    for n, d1, d2, lag in product(range(1, 5), range(5), range(6), range(4)):
        output = plain_output(lights, n, d1, d2, lag)
        by_output.setdefault(output, set()).add((n, d2 - d1, lag + d1, max(n, d1 + 1)))
    assert len(by_output) == 390
    assert all(len(classes) == 1 for classes in by_output.values())


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("light_on", [True, False])
def test_the_set_is_that_of_brute_force(seed: int, light_on: bool) -> None:
    """Clean edges, no jitter, steep light: the classes are exactly those that reproduce the log without a fault."""
    rng = np.random.default_rng(seed)
    parts = []
    for _ in range(40):
        parts += [np.full(rng.integers(8, 20), 10.0), np.full(rng.integers(1, 9), 90.0)]
    light = np.concatenate([*parts, np.full(20, 10.0)])
    n, d1, d2, lag = (int(k) for k in (rng.integers(1, 4), rng.integers(0, 3), rng.integers(0, 3), rng.integers(0, 3)))
    sensor = SimulatedSensor(
        on_level=50, off_level=50, light_on=light_on, consecutive=n, on_delay=d1, off_delay=d2, lag=lag
    )
    edges = LoggedEdges.of(sensor.output(light, rng))
    found = identify_edges(light, edges, sample_rate_hz=1000, unit="mV", jitter=0, longest_ms=10)
    state = [bool(x >= 50) == light_on for x in light]
    # What the twin says active is; the first samples before the lag has passed are as they are.
    logged = plain_output(state, n, d1, d2, lag)
    assert np.array_equal(np.array(logged), sensor.output(light, rng))
    fitting = {
        (m, a, b, late)
        for m, a, b, late in product(range(1, 12), range(11), range(14), range(11))
        if late + m - 1 + a == lag + n - 1 + d1 and b - a == d2 - d1
        if plain_output(state, m, a, b, late) == logged
    }
    told = {
        (c.timing.consecutive, d, d + c.timing.delay_difference, c.lag - (d - c.timing.on_delay))
        for c in found.classes
        if c.contradictions == 0 and c.ratio == 1 and not c.timing.extends_first and c.light_on == light_on
        if c.latency_active == lag + n - 1 + d1
        for d in range(c.timing.on_delay, c.timing.longest_on_delay + 1)
    }
    assert (n, d1, d2, lag) in fitting
    assert told == fitting


def tried(a: np.ndarray, b: np.ndarray, tolerance: int) -> tuple[int, int]:
    """Most pairs and then the least distance, by trying every matching in order."""
    best = (0, 0)
    for k in range(1, min(a.size, b.size) + 1):
        for some in combinations(range(a.size), k):
            for others in combinations(range(b.size), k):
                apart = np.abs(a[list(some)] - b[list(others)])
                if (apart <= tolerance).all():
                    best = max(best, (k, -int(apart.sum())))
    return best


@pytest.mark.parametrize("seed", range(40))
def test_matching_is_the_best_of_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = (np.sort(rng.choice(25, rng.integers(0, 6), replace=False)) for _ in range(2))
    tolerance = int(rng.integers(0, 6))
    i, j = matched_edges(a, b, tolerance)
    assert (np.diff(i) > 0).all()
    assert (np.diff(j) > 0).all()
    assert (i.size, -int(np.abs(a[i] - b[j]).sum())) == tried(a, b, tolerance)
    assert unmatched_count(a, b, tolerance) == a.size + b.size - 2 * i.size


def test_the_level_most_intervals_share() -> None:
    """Three of four intervals share (3, 4]; one fewer is allowed to miss, then (2, 5]."""
    low, high = np.array([1.0, 2.0, 3.0, 7.0]), np.array([4.0, 5.0, 6.0, 9.0])
    best = shared_level(low, high)
    assert best is not None
    assert (best.missed, best.low, best.high, best.best) == (1, 3.0, 4.0, 3.5)
    wider = shared_level(low, high, 1)
    assert wider is not None
    assert (wider.low, wider.high) == (2.0, 5.0)


@pytest.mark.parametrize(("ratio", "phase"), [("1", "0"), ("5", "3"), ("5/2", "1/2"), ("25002/6250", "3/2")])
def test_a_grid_is_the_floor_of_phase_and_ratio(ratio: str, phase: str) -> None:
    from fractions import Fraction
    from math import floor

    r, p = Fraction(ratio), Fraction(phase)
    grid = EvaluationGrid.of(r, p)
    at = [floor(p + i * r) for i in range(200)]
    assert grid.samples_of(np.arange(200)).tolist() == at
    for s in (0, 1, 7, 100):
        assert grid.firsts_at_or_after(np.array([s]))[0] == next(i for i, x in enumerate(at) if x >= s)
    light = np.arange(150)
    assert grid.seen(light).tolist() == [x for x in at if x < 150]


def test_a_rate_that_is_no_whole_number_is_found_in_the_edges() -> None:
    """Edges on the grid of 4.00032 samples: the ratio comes out to better than one part in a million."""
    rng = np.random.default_rng(5)
    evaluations = np.cumsum(rng.integers(10, 40, 4000))
    edges = np.floor(evaluations * 4.00032).astype(np.int64) + rng.integers(-1, 2, evaluations.size)
    found = proposed_ratios(np.sort(edges), int(edges[-1]) + 10, 1)
    assert min(abs(float(r) / 4.00032 - 1) for r in found) < 1e-6


def test_the_shortest_pulse_and_gap_that_come_through_by_hand() -> None:
    """A pulse must outlast the on-delay, a gap the off-delay less what the on-delay puts off."""
    one = TimingClass(consecutive=2, on_delay=3, longest_on_delay=4, delay_difference=2)
    assert one.off_delay == 5
    assert one.pulse_survives() == (4, 5)
    assert one.gap_survives() == (3, 3)
    first = TimingClass(consecutive=2, on_delay=3, longest_on_delay=4, delay_difference=2, extends_first=True)
    assert first.pulse_survives() == (2, 2)
    assert first.gap_survives() == (6, 7)


def plain_swallowed(
    logged: tuple[list[int], list[int]], replayed: list[int], first: bool, tol: int, jitter: int
) -> int:
    """The rule as loops: lost stretches in order, every edge once; per width no more than were logged, and two."""
    known = set()
    for parity in (0, 1):
        side = replayed[parity::2]
        ours = logged[0 if (parity == 0) == first else 1]
        _, theirs = matched_edges(np.array(ours, np.int64), np.array(side, np.int64), tol)
        known |= {2 * int(j) + parity for j in theirs}
    gone, seen = [0] * (2 * jitter + 1), [0] * (2 * jitter + 1)
    taken = -1
    for k in range(len(replayed) - 1):
        width = replayed[k + 1] - replayed[k]
        if width > 2 * jitter:
            continue
        if k in known and k + 1 in known:
            seen[width] += 1
        if k not in known and k + 1 not in known and taken != k:
            gone[width] += 1
            taken = k + 1
    return sum(min(g, s + SWALLOWED) for g, s in zip(gone, seen, strict=True))


@pytest.mark.parametrize("jitter", [0, 1, 2, 4])
def test_what_jitter_may_have_swallowed_is_counted_as_by_loops(jitter: int) -> None:
    rng = np.random.default_rng(jitter)
    for _ in range(60):
        replayed = np.cumsum(rng.integers(1, 9, rng.integers(0, 40)))
        kept = np.sort(replayed[rng.random(replayed.size) < 0.7] + rng.integers(-jitter, jitter + 1))
        first, tol = bool(rng.integers(0, 2)), jitter + int(rng.integers(0, 2))
        logged = kept[::2], kept[1::2]
        assert swallowed_count(logged, replayed, first, tol, jitter) == plain_swallowed(
            (logged[0].tolist(), logged[1].tolist()), replayed.tolist(), first, tol, jitter
        )


def test_a_pulse_that_jitter_may_have_swallowed_by_hand() -> None:
    """Replayed pulses of 1 sample at 10, 30, 50, 70 and of 3 at 90; logged are those at 10 and 90."""
    replayed = np.array([10, 11, 30, 31, 50, 51, 70, 71, 90, 93])
    logged = np.array([10, 90]), np.array([11, 93])
    # Of one sample three are missing and one is there: 1 + 2 may be.
    assert swallowed_count(logged, replayed, True, 1, 1) == 3
    # None was logged: two may be missing all the same.
    assert swallowed_count((logged[0][1:], logged[1][1:]), replayed, True, 1, 1) == 2
    assert swallowed_count(logged, replayed, True, 0, 0) == 0


def test_levels_that_most_edges_of_a_row_share_are_counted_as_by_trying_all() -> None:
    rng = np.random.default_rng(5)
    for _ in range(100):
        low = rng.integers(0, 9, (4, int(rng.integers(1, 12)))).astype(float)
        high = low + rng.integers(1, 5, low.shape)
        low[rng.random(low.shape) < 0.1] = -np.inf
        high[rng.random(low.shape) < 0.1] = np.inf
        none = rng.random(low.shape) < 0.2
        low[none] = high[none] = np.nan
        tried = np.arange(-1, 20, 0.5)
        shared = [max(int(((a < x) & (x <= b)).sum()) for x in tried) for a, b in zip(low, high, strict=True)]
        assert fewest_missed(low, high).tolist() == [low.shape[1] - k for k in shared]


def test_rates_between_whole_ones_that_jitter_hides() -> None:
    assert hidden_ratios(0, 2) == []
    told = [[str(one) for one in hidden_ratios(1, per)] for per in (2, 3, 4)]
    assert told == [["3/2", "5/2"], ["4/3", "5/3", "7/3", "8/3"], ["5/4", "7/4", "9/4", "11/4"]]
