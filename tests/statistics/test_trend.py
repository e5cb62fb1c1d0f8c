"""A trend and when it reaches a level: published examples, the profile as a second route, and its odd shapes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import stdtrit

from teachlab.errors import ParameterError
from teachlab.statistics.over_time.autocorrelated_line import autocorrelated_line
from teachlab.statistics.over_time.trend import FittedLine, crossing, fall_to, fit_line, fit_lowered

CHAMBER = [206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.70, 444.40, 469.14, 501.16]


def test_regulation_of_a_reaction_chamber() -> None:
    """Source: Graybill and Iyer, Regression Analysis (1994), p. 433: dial settings and temperatures, mean of 400 at
    99 %, as quoted in the tests of a general statistics package for inverse estimation: 66.5, 65.07 to 68.03."""
    line = fit_line(np.arange(0, 101, 10), CHAMBER, confidence=0.99)
    assert line is not None
    estimate, places = crossing(line, 400)
    assert round(estimate or 0, 1) == 66.5
    assert [round(end, 2) for end in places[0]] == [65.07, 68.03]


def _line(t: list[float], y: list[float], confidence: float = 0.95) -> FittedLine:
    line = fit_line(t, y, confidence=confidence)
    assert line is not None
    return line


def _profile(t: np.ndarray, y: np.ndarray, level: float, at: float, confidence: float = 0.95) -> float:
    """Return how far the squares grow when the line must reach the level at a place, over what is allowed."""
    through = t - at
    slope = float(through @ (y - level) / (through @ through))
    forced = float(((y - level - slope * through) ** 2).sum())
    free = np.polyfit(t, y, 1)
    best = float(((y - np.polyval(free, t)) ** 2).sum())
    limit = float(stdtrit(t.size - 2, (1 + confidence) / 2)) ** 2
    return (forced - best) / (best / (t.size - 2)) / limit


@pytest.mark.parametrize("slope", [-2.0, -0.5, -0.1, 0.0, 0.05, 1.0])
@pytest.mark.parametrize("level", [-40.0, 3.0, 9.5, 30.0])
def test_the_set_is_the_profile_likelihoods(slope: float, level: float) -> None:
    rng = np.random.default_rng(5)
    t = np.arange(10.0)
    y = 10 + slope * t + rng.normal(0, 0.4, 10)
    line = _line(list(t), list(y))
    _, places = crossing(line, level)
    for low, high in places:
        for end in (low, high):
            if math.isfinite(end):
                assert _profile(t, y, level, end) == pytest.approx(1, rel=1e-6)
    grid = np.linspace(-300, 300, 1201)
    inside = np.array([any(low <= at <= high for low, high in places) for at in grid])
    allowed = np.array([_profile(t, y, level, at) <= 1 for at in grid])
    assert (inside == allowed).all()


def test_shapes_of_the_set() -> None:
    t = list(range(6))
    falling = _line(t, [10, 9.05, 7.95, 7.02, 6, 4.98])
    assert len(crossing(falling, 0)[1]) == 1
    unsure = _line(t, [10, 11, 9, 10.4, 9.2, 10.1])
    assert crossing(unsure, 10)[1] == [(-math.inf, math.inf)]
    below = crossing(unsure, 3)[1]
    assert len(below) == 2
    assert below[0][0] == -math.inf
    assert below[1][1] == math.inf


def test_what_is_ahead() -> None:
    t = list(range(6))
    falling = _line(t, [10, 9.05, 7.95, 7.02, 6, 4.98])
    soon = fall_to(falling, 3.0, 5.0)
    assert soon.estimate == pytest.approx(2, abs=0.05)
    assert soon.earliest < soon.estimate < soon.latest  # type: ignore[operator]
    gone = fall_to(falling, 9.0, 5.0)
    assert (gone.estimate, gone.earliest, gone.latest) == (0, 0, 0)
    rising = _line(t, [4.98, 6, 7.02, 7.95, 9.05, 10])
    assert fall_to(rising, 3.0, 5.0) == fall_to(rising, 12.0, 5.0)
    assert fall_to(rising, 3.0, 5.0).earliest is None
    unsure = fall_to(_line(t, [10, 11, 9, 10.4, 9.2, 10.1]), 3.0, 5.0)
    assert unsure.latest is None
    assert unsure.earliest is not None
    assert unsure.earliest > 0


def test_nothing_to_fit() -> None:
    assert fit_line([1, 2], [1, 2]) is None
    assert fit_line([3, 3, 3], [1, 2, 3]) is None
    with pytest.raises(ParameterError, match="confidence"):
        fit_line([1, 2, 3], [1, 2, 3], confidence=95)
    exact = _line([0, 1, 2], [3, 2, 1])
    assert crossing(exact, 0) == (3.0, [(pytest.approx(3.0), pytest.approx(3.0))])
    level = _line([0, 1, 2], [3, 3, 3])
    assert crossing(level, 0)[0] is None


def test_coverage_of_the_time_to_a_level() -> None:
    """True falls at 20 from the start of ten values; slopes from sure to hardly seen."""
    rng = np.random.default_rng(0)
    t = np.arange(10.0)
    for noise in (0.05, 0.5, 2.0):
        held = 0
        for _ in range(2000):
            _, places = crossing(_line(list(t), list(10 - 0.5 * t + rng.normal(0, noise, 10))), 0.0)
            held += any(low <= 20 <= high for low, high in places)
        # Three standard errors below 95 % of 2000.
        assert held >= 2000 * 0.95 - 3 * math.sqrt(2000 * 0.95 * 0.05)


def _lowered(seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    lots = np.repeat(np.arange(12), 15)
    at = np.linspace(0, 3, lots.size)
    return at, 4 - 0.2 * at + rng.normal(0, 0.05, 12)[lots] + rng.normal(0, 0.1, lots.size), lots


def test_a_lowered_line_is_the_line_through_the_medians_lowered() -> None:
    at, y, lots = _lowered()
    line = fit_lowered(at, y, lots, share=0.1)
    assert line is not None
    plain = _line([at[lots == g].mean() for g in range(12)], [np.median(y[lots == g]) for g in range(12)])
    assert line.slope == pytest.approx(plain.slope)
    below = y < line.mean + line.slope * (at - line.mean_at)
    assert np.count_nonzero(below) == pytest.approx(0.1 * y.size, abs=1)


def test_variances_by_leaving_out_one_lot_after_another() -> None:
    """The slope's by a second fit without each lot; the height's, with a quantile that hardly moves, likewise."""
    at, y, lots = _lowered(3)
    line = fit_lowered(at, y, lots, share=0.1)
    assert line is not None
    slopes = [
        np.polyfit(
            [at[lots == g].mean() for g in range(12) if g != out],
            [np.median(y[lots == g]) for g in range(12) if g != out],
            1,
        )[0]
        for out in range(12)
    ]
    places = np.array([at[lots == g].mean() for g in range(12)])
    medians = [np.median(y[lots == g]) for g in range(12)]
    plain = _line(places, medians)
    step, lasting = places[1] - places[0], np.linspace(0, 0.98, 99)
    following = autocorrelated_line(places / step, medians, lasting=lasting, scatter=[0.0])
    # Lots may follow one another: as much wider as that makes the interval of the slope.
    wider = (following.high - following.low) / (places[1] - places[0]) / (plain.high - plain.low)
    assert wider > 1
    assert line.variances[2] == pytest.approx(11 / 12 * 12 * np.var(slopes) * wider**2)
    # Twelve places at ½, 1½ … 5½ from the middle: (2 · 71.5)² / (2 · 1616.9), below 12 − 2.
    assert line.freedom == pytest.approx(143**2 / (2 * sum((k + 0.5) ** 4 for k in range(6))))
    assert line.high - line.slope == pytest.approx(stdtrit(line.freedom, 0.975) * math.sqrt(line.variances[2]))
    # Nothing scatters: nothing is in doubt.
    flat = 4 - 0.2 * at
    exact = fit_lowered(at, flat, lots, share=0.1)
    assert exact is not None
    assert exact.slope == pytest.approx(-0.2)
    assert exact.variances[2] == pytest.approx(0, abs=1e-20)


def test_shift_and_scale_move_a_lowered_line_along() -> None:
    at, y, lots = _lowered(7)
    one, other = fit_lowered(at, y, lots, share=0.1), fit_lowered(at, 5 + 2 * y, lots, share=0.1)
    assert one is not None
    assert other is not None
    assert (other.slope, other.mean) == (pytest.approx(2 * one.slope), pytest.approx(5 + 2 * one.mean))
    assert other.variances == pytest.approx([4 * v for v in one.variances])
    moved = fit_lowered(at + 100, y, lots, share=0.1)
    assert moved is not None
    assert moved.mean_at == pytest.approx(one.mean_at + 100)
    assert moved.variances == pytest.approx(one.variances)
    assert fit_lowered(at[lots < 3], y[lots < 3], lots[lots < 3], share=0.1) is None


@pytest.mark.parametrize(("icc", "lots", "size"), [(0.0, 20, 20), (0.2, 20, 20), (0.2, 8, 30)])
@pytest.mark.parametrize("true", [1.5, 3.5])
def test_simulated_coverage_of_the_time_to_cleaning(icc: float, lots: int, size: int, true: float) -> None:
    rng = np.random.default_rng(2)
    code = np.repeat(np.arange(lots), size)
    at = np.linspace(0, 3, code.size)
    level = 4 - 0.1 * true - 0.1 * 1.2815515655446004
    held = 0
    for _ in range(200):
        scatter = icc**0.5 * rng.normal(size=lots)[code] + (1 - icc) ** 0.5 * rng.normal(size=code.size)
        line = fit_lowered(at, 4 - 0.1 * at + 0.1 * scatter, code, share=0.1)
        assert line is not None
        held += any(low <= true <= high for low, high in crossing(line, level)[1])
    # 95 % less two and a half standard errors.
    assert held >= 200 * 0.95 - 2.5 * (200 * 0.95 * 0.05) ** 0.5
