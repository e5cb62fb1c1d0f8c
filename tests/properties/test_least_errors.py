"""Least errors: what is counted on the events shown is what replay and score count, and the best is taken."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from teach_views import teach_view

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.model.teaching import Events, TeachView
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.teaching.rules.labelled_events import statistics_of
from teachlab.teaching.rules.least_errors import LeastErrors, ShownEvents, least_errors, smoothed

RATE = 1000.0


def view(light: NDArray[np.float64], truth: Truth, **base: Any) -> TeachView:
    return teach_view(
        rate_hz=RATE,
        base=Setting(unit="counts", on_level=0, off_level=0, **base),
        events_=Events(light, truth.start, truth.end, truth.detect, truth.label, int(truth.uncertainty_samples)),
    )


def counted(light: NDArray[np.float64], truth: Truth, on: float, off: float, **base: Any) -> int:
    """Errors by replay and score."""
    setting = Setting(unit="counts", on_level=on, off_level=off, **base)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=RATE, unit="counts"))
    counts = score(replay(recording, setting), truth).counts
    return counts.lost + counts.extra + counts.false_trips + counts.ignore_false_trips


@st.composite
def stretches(draw: st.DrawFn) -> tuple[NDArray[np.float64], Truth, float, float, dict[str, Any]]:
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    size = draw(st.integers(12, 120))
    light = random.integers(0, 8, size).astype(np.float64)
    places = np.sort(random.choice(np.arange(1, size), 2 * draw(st.integers(1, min(8, size // 3))), replace=False))
    truth = Truth.from_arrays(
        places[::2],
        places[1::2],
        detect=random.random(places.size // 2) < 0.8,
        uncertainty_samples=draw(st.sampled_from([0, 0, 2])),
    )
    off, on = sorted(draw(st.tuples(st.integers(-1, 8), st.integers(-1, 8))))
    waits: dict[str, Any] = {
        name: float(draw(st.sampled_from([0, 0, 1, 3]))) for name in ("on_delay_ms", "off_delay_ms")
    }
    waits["consecutive"] = draw(st.sampled_from([1, 1, 2, 3]))
    waits["delays_act_on"] = draw(st.sampled_from(list(DelaysActOn)))
    # A few invalid evaluations, none of them in a pass: one without a valid evaluation is not scored.
    inside = np.repeat(np.arange(places.size + 1) % 2 == 1, np.diff(places, prepend=0, append=size))
    if draw(st.booleans()):
        light[random.choice(np.flatnonzero(~inside), 3)] = np.nan
    return light, truth, float(on), float(off), waits


@settings(max_examples=300, deadline=None)
@given(stretches())
def test_errors_shown_are_those_of_replay_and_score(case: Any) -> None:
    light, truth, on, off, waits = case
    shown = ShownEvents.of(view(light, truth, **waits), 1, np.array([on, off, 3.5]))
    assert shown.errors(on, off) == counted(light, truth, on, off, **waits)


@settings(max_examples=300, deadline=None)
@given(stretches())
def test_errors_shown_of_a_dip_are_those_of_replay_and_score(case: Any) -> None:
    """Whole numbers, so that light often lies at a level: at the off-level a dip is not active."""
    light, truth, on, off, waits = case
    shown = ShownEvents.of(view(light, truth, **waits), -1, np.array([-on, -off, -3.5]))
    found = counted(light, truth, on, off, polarity=Polarity.DARK_ON, **waits)
    assert shown.errors(-off, -on) == found


def overlapping(seed: int) -> tuple[NDArray[np.float64], Truth]:
    """Forty passes of which some are weaker than some stains of the background."""
    random = np.random.default_rng(seed)
    light = np.repeat(random.normal(100, 15, 81), 20) + random.normal(0, 1, 81 * 20)
    start = 20 + 40 * np.arange(40, dtype=np.int64)
    for a in start:
        light[a : a + 20] += random.normal(55, 15)
    return np.round(light), Truth.from_arrays(start, start + 20)


@pytest.mark.parametrize("seed", range(6))
def test_the_errors_told_are_those_of_replay_and_next_to_none_of_the_others_is_better(seed: int) -> None:
    light, truth = overlapping(seed)
    shown = view(light, truth)
    best = least_errors(shown, statistics_of(shown))
    assert best is not None
    assert best.passes == 40
    # The last pass of a record that ends inside its own gap is scored as well.
    assert best.errors == counted(light, truth, best.level, best.level - best.width)
    others = [counted(light, truth, t, t - best.width) for t in np.arange(80.0, 190.0, 2.0)]
    assert best.errors <= min(others) + 3


def test_neighbours_weigh_one_to_two_to_one_and_an_edge_is_its_own() -> None:
    errors = np.random.default_rng(3).integers(0, 50, (7, 5))
    wide = np.pad(errors, 1, mode="edge")
    plain = [
        [
            sum((2 - abs(a)) * (2 - abs(b)) * int(wide[i + 1 + a, j + 1 + b]) for a in (-1, 0, 1) for b in (-1, 0, 1))
            for j in range(5)
        ]
        for i in range(7)
    ]
    assert smoothed(errors).tolist() == plain


@pytest.mark.parametrize(
    ("errors", "passes", "better"),
    # 16 + 2·4 = 24 is not less than 24.
    [(0, 1, True), (1, 3, False), (1, 4, True), (16, 24, False), (16, 25, True)],
)
def test_fewer_errors_than_never_switching_by_two_deviations(errors: int, passes: int, better: bool) -> None:
    assert LeastErrors(0.0, 0.0, errors, passes).better_than_never is better


@pytest.mark.parametrize(
    ("errors", "other", "below"),
    # 12 − 4 = 8 is not more than 2·√16; 13 − 4 = 9 is more than 2·√17 = 8.2.
    [(4, 12, False), (4, 13, True), (0, 4, False), (0, 5, True), (4, 4, False)],
)
def test_clearly_fewer_errors_than_another_setting_by_two_deviations(errors: int, other: int, below: bool) -> None:
    assert LeastErrors(0.0, 0.0, errors, 100).clearly_below(other) is below
