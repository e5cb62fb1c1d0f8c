"""Laws of the classic strategies: gain, offset, mirror, and a plain twin of the pass finder."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from teach_views import name_of, taught, teach_view

from teachlab.model.recording import Direction
from teachlab.model.teaching import Background, Reading, Shown, Sweep, TeachView
from teachlab.teaching.strategies import sweep_minmax
from teachlab.teaching.strategies.background_referenced import BackgroundReferenced
from teachlab.teaching.strategies.single_sample import SingleSample
from teachlab.teaching.strategies.sweep_minmax import SweepMinmax
from teachlab.teaching.strategies.two_sample_midpoint import TwoSampleMidpoint

quick = settings(max_examples=50, deadline=None)
OFFSET = 12.5
PERCENT = [SingleSample(), SingleSample(sample="background"), BackgroundReferenced(), BackgroundReferenced(share=0.6)]
SPREAD = [
    BackgroundReferenced(distance="standard-deviations"),
    TwoSampleMidpoint(),
    TwoSampleMidpoint(band="centred", hysteresis_share=0.2),
    SweepMinmax(),
    SweepMinmax(weight=0.2),
    SweepMinmax(extremes="trimmed", trim=0.1),
    SweepMinmax(extremes="pass-peaks", trim=0.05),
]
FIXED = [
    BackgroundReferenced(distance="fixed-offset", offset=OFFSET),
    BackgroundReferenced(distance="extreme-offset", offset=OFFSET),
]
# A fixed offset knows no gain, a percentage no offset; what measures distances in the light knows both.
GAIN, SHIFT = PERCENT + SPREAD, SPREAD + FIXED


levels = st.lists(st.integers(1, 4095), min_size=1, max_size=24).map(lambda xs: np.array(xs, np.float64))


@st.composite
def views(draw: st.DrawFn) -> TeachView:
    """A view that shows everything, of any direction, with light above a dark level of 0."""
    return teach_view(
        direction=draw(st.sampled_from(Direction)),
        shown=frozenset(Shown),
        object_=Reading(draw(levels)),
        background_=Background(Reading(draw(levels)), draw(levels)),
        sweep_=Sweep(draw(levels), 1),
    )


def mapped(view: TeachView, change: Any, *, direction: Direction | None = None, dark: float | None = None) -> TeachView:
    """The same view with its light changed."""
    return replace(
        view,
        direction=view.direction if direction is None else direction,
        dark_level=view.dark_level if dark is None else dark,
        object_=Reading(change(view.object.light)),
        background_=Background(Reading(change(view.background.reading.light)), change(view.background.stretch)),
        sweep_=Sweep(change(view.sweep.light), 1),
    )


def no_tie(strategy: Any, view: TeachView) -> bool:
    """Whether no sample lies so close to a level of the pass finder that rounding could move it across."""
    if getattr(strategy, "extremes", None) != "pass-peaks":
        return True
    upward = view.sign * view.sweep.light
    low, high = np.quantile(upward, [strategy.trim, 1 - strategy.trim])
    begin = (low + high) / 2
    end = begin - strategy.hysteresis_share * (high - low)
    return bool(min(np.abs(upward - begin).min(), np.abs(upward - end).min()) > 1e-6)


def close(found: tuple[float, float] | None, expected: tuple[float, float] | None) -> bool:
    if found is None or expected is None:
        return found is expected
    return found == pytest.approx(expected, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("strategy", GAIN, ids=name_of)
@quick
@given(view=views(), gain=st.floats(0.05, 20), dark=st.integers(-500, 500))
def test_levels_follow_the_gain_about_the_dark_level(strategy: Any, view: TeachView, gain: float, dark: int) -> None:
    """Light above dark times g gives a level above dark, and a hysteresis, times g."""
    assume(no_tie(strategy, view))
    before = taught(strategy, view)
    after = taught(strategy, mapped(view, lambda x: dark + gain * x, dark=float(dark)))
    # Rounding may open a spread of dust where there was none.
    assume(before is not None)
    assert before is not None
    assert close(after, (dark + gain * before[0], gain * before[1]))


@pytest.mark.parametrize("strategy", SHIFT, ids=name_of)
@quick
@given(view=views(), shift=st.integers(-4000, 4000))
def test_levels_follow_an_offset(strategy: Any, view: TeachView, shift: int) -> None:
    """Light plus a gives a level plus a, and the same hysteresis; an abstention stays one."""
    assume(no_tie(strategy, view))
    before = taught(strategy, view)
    after = taught(strategy, mapped(view, lambda x: x + shift))
    assert close(after, None if before is None else (before[0] + shift, before[1]))


@pytest.mark.parametrize("strategy", SHIFT, ids=name_of)
@quick
@given(view=views(), mirror=st.integers(-4000, 8000))
def test_dips_are_rises_in_a_mirror(strategy: Any, view: TeachView, mirror: int) -> None:
    """C − light with the direction turned round gives C − level, and the same hysteresis."""
    turned = Direction.DIP if view.direction is Direction.RISE else Direction.RISE
    assume(no_tie(strategy, view))
    before = taught(strategy, view)
    after = taught(strategy, mapped(view, lambda x: mirror - x, direction=turned))
    assert close(after, None if before is None else (mirror - before[0], before[1]))


@pytest.mark.parametrize("strategy", [s for s in SPREAD if s.name == "sweep-minmax"], ids=name_of)
@quick
@given(view=views())
def test_a_sweep_level_lies_between_the_extremes(strategy: Any, view: TeachView) -> None:
    found = taught(strategy, view)
    light = view.sweep.light
    if found is None:
        assert strategy.extremes == "trimmed" or np.ptp(light) == 0
    else:
        assert light.min() <= found[0] <= light.max()
        assert 0 < found[1] <= np.ptp(light)


@pytest.mark.parametrize("strategy", GAIN + FIXED, ids=name_of)
@quick
@given(view=views())
def test_teaching_twice_gives_the_same_and_the_band_is_never_inverted(strategy: Any, view: TeachView) -> None:
    first, second = taught(strategy, view), taught(strategy, view)
    assert first == second
    if first is not None:
        assert first[1] >= 0


def plain_peaks(light: list[float], begin: float, end: float) -> list[float]:
    """Peaks of the passes that a switch with two levels finds, one evaluation at a time."""
    peaks: list[float] = []
    inside = False
    for x in light:
        if not inside and x >= begin:
            inside = True
            peaks.append(x)
        elif inside and x < end:
            inside = False
        if inside:
            peaks[-1] = max(peaks[-1], x)
    return peaks


@quick
@given(levels, st.sampled_from([0.0, 0.01, 0.2, 0.4]), st.sampled_from([0.0, 0.1, 0.5, 0.9]))
def test_pass_finder_equals_a_plain_loop(light: NDArray[np.float64], trim: float, share: float) -> None:
    low, high = (float(q) for q in np.quantile(light, [trim, 1 - trim]))
    begin = (low + high) / 2
    found = sweep_minmax._pass_peaks(light, trim, share)
    assert found.tolist() == plain_peaks(light.tolist(), begin, begin - share * (high - low))
