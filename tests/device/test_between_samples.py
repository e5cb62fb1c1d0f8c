"""Sensors that evaluate between the samples of the log: a plain loop of SWITCHING.md makes the logged output."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from numpy.typing import NDArray

from teachlab.device.identification import identify_edges
from teachlab.device.logged_edges import LoggedEdges
from teachlab.device.rates import Lateness, even_places

ON, OFF = 727.5, 671.5


def tubes(rng: np.random.Generator, passes: int = 150) -> NDArray[np.uint16]:
    """Return the light of tubes of many lengths with slanted edges; a quarter are short, a third have a bump behind."""
    parts = [np.zeros(80)]
    for _ in range(passes):
        up, down = rng.integers(2, 9, 2)
        height = rng.uniform(900, 1500)
        length = rng.integers(1, 9) if rng.random() < 0.25 else rng.integers(20, 120)
        gap = rng.integers(2, 10) if rng.random() < 0.25 else rng.integers(25, 180)
        rise, fall = np.arange(1, up + 1) / (up + 1), np.arange(down, 0, -1) / (down + 1)
        parts += [height * rise, np.full(length, height), height * fall, np.zeros(gap)]
        if rng.random() < 0.3:
            middle = rng.integers(3, 9)
            bump = 1 - np.abs(np.linspace(-1, 1, 2 * middle + 1))
            parts += [rng.uniform(0.2, 0.8) * height * bump, np.zeros(rng.integers(20, 60))]
    light = np.concatenate(parts) + 400
    return np.rint(light + rng.normal(0, 12, light.size)).astype(np.uint16)


def active_after(state: list[bool], evaluations: int) -> list[bool]:
    """Return the state with an on-delay; before the log it is long settled."""
    out, run = [], evaluations + 1 if state[0] else 0
    for one in state:
        run = run + 1 if one else 0
        run = max(run, evaluations + 1) if one and (not out or out[-1]) else run
        out.append(run > evaluations)
    return out


def logged(
    light: NDArray[np.uint16], rng: np.random.Generator, ratio: Fraction, phase: Fraction, *, lag: int, jitter: int,
    consecutive: int, on: int, off: int, light_on: bool,
) -> LoggedEdges:  # fmt: skip
    """Return the output of a sensor that reads sample ``floor(phase + i · ratio)``, as a log holds it."""
    places = [math.floor(phase + i * ratio) for i in range(math.ceil((light.size - phase) / ratio))]
    state, seen = bool(light[places[0]] >= ON), []
    for place in places:
        state = light[place] >= (OFF if state else ON)
        seen.append(bool(state))
    filtered, now, against = [], seen[0], 0
    for one in seen:
        against = against + 1 if one != now else 0
        if against == consecutive:
            now, against = one, 0
        filtered.append(now if light_on else not now)
    delayed = active_after(filtered, on)
    output = np.array([not one for one in active_after([not one for one in delayed], off)])
    edges = np.array(places)[np.flatnonzero(output[1:] != output[:-1]) + 1] + lag
    edges = np.maximum.accumulate(edges + rng.integers(-jitter, jitter + 1, edges.size))
    turned = np.bincount(edges[(edges > 0) & (edges < light.size)], minlength=light.size)
    return LoggedEdges.of(((np.cumsum(turned) % 2) ^ output[0]).astype(bool))


@pytest.mark.parametrize(
    ("ratio", "jitter"),
    [("5/4", 1), ("11/10", 0), ("10/3", 1), ("27/10", 1)],
)
def test_every_parameter_is_in_the_set_if_the_sensor_evaluates_between_samples(ratio: str, jitter: int) -> None:
    rng = np.random.default_rng(2000)
    light, step = tubes(rng), Fraction(ratio)
    timing = {"consecutive": 2, "on": 2, "off": 3}
    edges = logged(light, rng, step, step * Fraction(237, 1000), lag=1, jitter=jitter, light_on=False, **timing)
    found = identify_edges(light, edges, sample_rate_hz=1000.0, unit="counts", jitter=jitter)
    own = [
        one
        for one in found.classes
        if abs(one.ratio - step) < step**2 / light.size
        and not one.light_on
        and one.timing.holds(timing["consecutive"], timing["on"], timing["off"])
        and one.on_level.low < ON <= one.on_level.high
        and one.off_level.low < OFF <= one.off_level.high
    ]
    assert own
    assert {float(one.ratio) for one in found.classes} == {float(own[0].ratio)}
    levels = found.span("on_level")
    assert levels is not None
    assert levels.high - levels.low < 5 * 12  # five times the noise


@pytest.mark.parametrize(
    ("ratio", "jitter", "timing"),
    [
        ("4.293811924628", 0, {"lag": 3, "consecutive": 3, "on": 0, "off": 0, "light_on": False}),
        ("3.361523847763", 0, {"lag": 4, "consecutive": 2, "on": 0, "off": 4, "light_on": True}),
        ("2.760034099796", 0, {"lag": 3, "consecutive": 2, "on": 0, "off": 4, "light_on": True}),
        ("1.597579184059", 0, {"lag": 3, "consecutive": 2, "on": 3, "off": 0, "light_on": False}),
        ("3.632535620271", 1, {"lag": 5, "consecutive": 1, "on": 0, "off": 0, "light_on": True}),
    ],
)
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_setting_is_in_the_set_if_the_ratio_is_no_short_fraction(
    ratio: str, jitter: int, timing: dict[str, int | bool], seed: int
) -> None:
    rng = np.random.default_rng([seed, 6])
    light, step = tubes(rng), Fraction(ratio)
    edges = logged(light, rng, step, step * Fraction(237, 1000), jitter=jitter, **timing)
    found = identify_edges(light, edges, sample_rate_hz=44100 / 13, unit="counts", jitter=jitter)
    assert any(
        abs(one.ratio - step) < step**2 / light.size / 4
        and one.light_on is timing["light_on"]
        and one.timing.holds(timing["consecutive"], timing["on"], timing["off"])
        and one.on_level.low < ON <= one.on_level.high
        and one.off_level.low < OFF <= one.off_level.high
        for one in found.classes
    )


def most_allowed(edges: NDArray[np.int64], ratio: float, jitter: int) -> int:
    """Return how many edges allow the place that most allow: tried is where each edge begins to allow it."""

    def allow(place: float) -> int:
        after = [(place - (edge - jitter)) % ratio for edge in edges.tolist()]
        return sum(one < 2 * jitter + 1 - 1e-9 or one > ratio - 1e-9 for one in after)

    return max(allow(edge - jitter) for edge in edges.tolist())


@pytest.mark.parametrize("seed", range(8))
def test_even_places_hold_all_edges_of_the_ratio_that_made_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    jitter = seed % 2
    ratio = float(rng.uniform(2 * jitter + 1.2, 2 * jitter + 5))
    place = float(rng.uniform(0, ratio))
    at = np.sort(rng.choice(40_000, 400, replace=False))
    edges = np.sort(np.floor(place + at * ratio).astype(np.int64) + rng.integers(-jitter, jitter + 1, 400))
    near = Fraction(ratio * (1 + float(rng.uniform(-0.3, 0.3)) / 40_000))
    found = even_places(edges, near, int(edges[-1]) + 1, jitter)
    assert found is not None
    assert most_allowed(edges, float(found[0]), jitter) == 400
    assert abs(float(found[0]) / ratio - 1) * 40_000 * ratio < 0.2
    off = (found[1] - place) % ratio
    assert min(off, ratio - off) < 0.2
    assert even_places(np.sort(rng.choice(120_000, 400, replace=False)), near, 120_000, jitter) is None
    assert even_places(60 * np.arange(400), Fraction(60, 13), 24_000, jitter) is None  # even products show no rate


@pytest.mark.parametrize(("share", "shown"), [(0.6, True), (0.4, False)])
@pytest.mark.parametrize("seed", range(4))
def test_a_ratio_is_shown_where_more_than_half_of_the_edges_beyond_chance_are_even(
    seed: int, share: float, shown: bool
) -> None:
    rng = np.random.default_rng(seed)
    even = np.floor(3.3 + 10.37 * np.sort(rng.choice(20_000, 600, replace=False))).astype(np.int64)
    edges = np.unique(np.where(rng.random(600) < share, even, even + rng.integers(0, 10, 600)))
    assert (even_places(edges, Fraction(1037, 100), 210_000, 0) is not None) is shown


def test_lateness_shows_a_rate_and_its_phase_and_no_rate_where_every_sample_is_read() -> None:
    rng = np.random.default_rng(2)
    light, ratio, phase = tubes(rng), Fraction(27, 10), Fraction(3, 2)
    timing = {"lag": 3, "consecutive": 1, "on": 0, "off": 0, "light_on": True}
    for jitter in (0, 1):
        edges = logged(light, rng, ratio, phase, jitter=jitter, **timing)
        late = Lateness.of(light, edges, jitter, 200)
        assert late.ratios()[:1] == [ratio]
        assert min(abs(one - phase) for one in late.phases(ratio)) < Fraction(1, 10)
        every = logged(light, rng, Fraction(1), Fraction(0), jitter=jitter, **timing)
        assert Lateness.of(light, every, jitter, 200).ratios() == []
