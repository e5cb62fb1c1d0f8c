"""Neighbours, lamps, ambient light and targets: against brute force, simulated light and tabled figures."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from teachlab.cli.surroundings import MODES
from teachlab.errors import ParameterError
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.questions.surroundings.answers import (
    ILLUMINANCES_LX,
    TWO_WAY_EXPONENTS,
    alias_hz,
    ambient_light,
    average_left,
    lamp,
    other_target,
)
from teachlab.questions.surroundings.neighbours import neighbour_beat, neighbour_pulses, neighbours_apart
from teachlab.switching import replay


def hits(own: float, other: float, width: float, phase: float, pulses: int) -> np.ndarray:
    """Which own pulses overlap a pulse of the other train, open intervals of equal width, one by one."""
    begin = np.arange(pulses) * own
    found = np.zeros(pulses, bool)
    nearest = np.floor((begin - phase) / other)
    for k in (-1, 0, 1, 2):
        start = (nearest + k) * other + phase
        found |= (start < begin + width) & (start + width > begin)
    return found


def longest_run(hit: np.ndarray) -> int:
    change = np.flatnonzero(np.diff(np.concatenate(([0], hit.astype(int), [0]))))
    return int((change[1::2] - change[::2]).max(initial=0))


@given(own=st.integers(40, 300), other=st.integers(40, 300), width=st.integers(1, 30))
@example(own=137, other=40, width=12)  # a shift of 17 steps over the pause of 16
@settings(max_examples=100, deadline=None)
def test_runs_of_hits_by_brute_force(own: int, other: int, width: int) -> None:
    """Some phase gives as many hits in a row as stated, none more; whole ratios of the periods included."""
    found = neighbour_pulses(own_period_us=own, other_period_us=other, own_width_us=width, other_width_us=width).values
    # Whole numbers: the pattern repeats after at most 300 pulses, and any phase is like one of these.
    train = [hits(own, other, width, p / 2, 700) for p in range(2 * other)]
    most = max(map(longest_run, train))
    if math.isinf(found["longest_run_pulses"]):
        assert most == 700
        return
    assert most == found["longest_run_pulses"]
    whole = np.array([hit[: 2 * other] for hit in train[1::2]])  # every phase over whole repeats
    begins = np.count_nonzero(whole & ~np.roll(whole, 1, axis=1))
    assert np.count_nonzero(whole) / begins == pytest.approx(found["run_pulses"])


@given(own=st.integers(40, 400), other=st.integers(40, 400), width=st.integers(1, 12), n=st.integers(1, 8))
@settings(max_examples=50, deadline=None)
def test_pairs_said_to_keep_apart_never_reach_the_filter(own: int, other: int, width: int, n: int) -> None:
    (pair,) = neighbours_apart([own, other], width_us=width, consecutive=n).pairs
    assume(pair.apart)
    for first, second in ((own, other), (other, own)):
        for phase in np.arange(0.5, second, max(1, second // 25)):
            assert longest_run(hits(first, second, width, float(phase), 600)) < n


def test_a_neighbour_at_half_the_period_hits_every_pulse_or_none() -> None:
    """201 µs against 100: the other train shifts by 1 µs only, so 10 hits follow each other."""
    found = neighbour_pulses(own_period_us=201, other_period_us=100, own_width_us=5, other_width_us=5, consecutive=3)
    assert found.values["run_pulses"] == pytest.approx(10)
    assert found.values["longest_run_pulses"] == 10
    assert not found.values["immune"]
    assert max(longest_run(hits(201, 100, 5, p + 0.5, 500)) for p in range(100)) in (9, 10)
    same = neighbour_pulses(own_period_us=200, other_period_us=100, own_width_us=5, other_width_us=5, consecutive=99)
    assert math.isinf(same.values["run_pulses"])
    assert "without end" in same.verdict


def test_pairs_are_judged_for_both_sensors() -> None:
    pairs = neighbours_apart([100, 103, 110], width_us=5, consecutive=4).pairs
    assert [(p.periods_us, p.apart) for p in pairs] == [((100, 103), False), ((100, 110), True), ((103, 110), True)]
    document = pairs[0].as_dict()
    assert document["frequencies_hz"] == [10_000, pytest.approx(9708.7, abs=0.1)]
    assert {
        "share_hit",
        "run_pulses",
        "longest_run_pulses",
        "beat_pulses",
        "immune",
        "verdict",
        "source",
        "limits",
    } <= document.keys()


@pytest.mark.parametrize("beat", [0.0, 37.0, 400.0])
def test_beat_left_by_a_receiver_that_integrates(beat: float) -> None:
    """Against a numerical average of the beat over the integration time."""
    fine = (np.arange(200_000) + 0.5) / 200_000 * 2.3e-3
    expected = 3 * abs(np.mean(np.exp(2j * np.pi * beat * fine)))
    found = neighbour_beat(
        own_hz=20_000, other_hz=20_000 + beat, amplitude=3, integration_us=2300, hysteresis=5, evaluation_rate_hz=90
    )
    assert found.values["amplitude_left"] == pytest.approx(expected, rel=1e-6)
    assert found.values["beat_alias_hz"] == pytest.approx({0.0: 0, 37.0: 37, 400.0: 40}[beat])
    assert ("cannot chatter" in found.verdict) == (2 * expected < 5)


@given(frequency=st.floats(0, 1e5), rate=st.floats(1, 1e4))
@settings(max_examples=200, deadline=None)
def test_alias(frequency: float, rate: float) -> None:
    """Sampling theorem: the samples of both cosines are the same, and the alias is at most half the rate."""
    alias = alias_hz(frequency, rate)
    assert 0 <= alias <= rate / 2 * (1 + 1e-9)
    k = np.arange(5)
    np.testing.assert_allclose(
        np.cos(2 * np.pi * (frequency / rate * k % 1)), np.cos(2 * np.pi * alias / rate * k), atol=1e-6
    )


def flicker(mains: float, rate: float, seconds: float = 2.0) -> np.ndarray:
    """Sinusoid of amplitude 1 at twice the mains frequency, at a phase that meets no sample."""
    return np.sin(2 * np.pi * 2 * mains * np.arange(int(rate * seconds)) / rate + 0.1234)


@pytest.mark.parametrize("mains", [50.0, 60.0])
@pytest.mark.parametrize(("hysteresis", "share"), [(0.0, 1 / 2), (0.5, 7 / 12), (0.8, 0.6476)])
def test_on_delay_that_outlasts_the_bright_part(mains: float, hysteresis: float, share: float) -> None:
    """Light that flickers about the on-level: no onset just above the delay needed, onsets below it."""
    info = RecordingInfo(sample_rate_hz=20_000, unit="counts")
    recording = Recording.from_array(flicker(mains, 20_000), info)
    at = {"mains_hz": mains, "evaluation_rate_hz": 20_000, "swing": 2, "hysteresis": hysteresis}
    needed = lamp(**at).values["on_delay_needed_ms"]
    assert needed == pytest.approx(share * 500 / mains, rel=1e-4)
    for delay, onsets in ((needed + 0.05, False), (needed - 0.1, True)):
        setting = Setting(unit="counts", on_level=0.001, off_level=0.001 - hysteresis, on_delay_ms=delay)
        assert (replay(recording, setting).onsets.size > 0) == onsets == lamp(**at, on_delay_ms=delay).problem


@pytest.mark.parametrize(("rate", "hysteresis"), [(1000, 0.99), (20_000, 1.3), (20_000, 2.0)])
def test_a_wide_hysteresis_holds_a_flicker_for_longer_than_any_on_delay(rate: int, hysteresis: float) -> None:
    """At 0.99 the light is below the off-level for 0.45 ms of 10 ms, at 1.3 never: 9 ms do not outlast it."""
    light = np.concatenate((np.full(rate // 10, -1.0), flicker(50.0, rate)))
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=rate, unit="counts"))
    setting = Setting(unit="counts", on_level=0.0, off_level=-hysteresis, on_delay_ms=9.0)
    assert replay(recording, setting).onsets.size > 0
    found = lamp(mains_hz=50, evaluation_rate_hz=rate, swing=2, hysteresis=hysteresis, on_delay_ms=9.0)
    assert found.problem
    assert "no on-delay is sure to outlast that" in found.verdict
    assert found.next_step == "Average over 10 ms, or widen the hysteresis beyond 2."


def test_a_flicker_seen_as_a_slower_one_outlasts_the_delay_that_is_needed_for_it() -> None:
    """90 evaluations a second see 100 Hz as 10 Hz, bright for 50 ms: an on-delay of 20 ms lets it through."""
    info = RecordingInfo(sample_rate_hz=90, unit="counts")
    setting = Setting(unit="counts", on_level=0.001, off_level=0.001, on_delay_ms=20)
    assert replay(Recording.from_array(flicker(50.0, 90), info), setting).onsets.size > 0
    at = {"mains_hz": 50, "swing": 2, "on_delay_ms": 20}
    slow = lamp(evaluation_rate_hz=90, hysteresis=0, **at)
    assert slow.problem
    assert slow.values["flicker_alias_hz"] == pytest.approx(10)
    assert "no on-delay or average is sure to remove that" in slow.verdict
    assert slow.next_step.startswith("Evaluate at least 200 times a second and raise the on-delay above 5 ms")
    assert not lamp(evaluation_rate_hz=1000, hysteresis=0, **at).problem
    assert not lamp(evaluation_rate_hz=90, hysteresis=3, **at).problem


@pytest.mark.parametrize(("mains", "rate"), [(50, 1000), (60, 1000), (50, 2000), (60, 2400), (50, 333)])
def test_average_over_a_flicker(mains: int, rate: int) -> None:
    """What a running mean over the stated number of evaluations leaves, measured on the light itself."""
    found = lamp(mains_hz=mains, evaluation_rate_hz=rate, swing=2, hysteresis=1).values
    n = found["average_evaluations"]
    mean = np.convolve(flicker(mains, rate, 30), np.full(n, 1 / n), "valid")
    assert np.sqrt(2) * mean.std() == pytest.approx(found["average_leaves"], abs=2e-3)
    if rate % (2 * mains) == 0:
        assert found["average_leaves"] == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("rate", [10, 60, 149])
def test_evaluations_slower_than_the_flicker_are_not_averaged(rate: int) -> None:
    found = lamp(mains_hz=50, evaluation_rate_hz=rate, swing=2, hysteresis=1).values
    assert (found["average_evaluations"], found["average_leaves"]) == (1, pytest.approx(1.0))


def test_average_of_the_other_mains() -> None:
    """8.33 ms belong to 60 Hz mains: of a flicker of 100 Hz they leave 19 % (recomputed: sin(0.833π)/(0.833π))."""
    assert average_left(100, 1000 / 120) == pytest.approx(0.191, abs=5e-4)
    assert average_left(120, 10) == pytest.approx(0.156, abs=5e-4)
    assert average_left(0, 10) == 1


def test_lamp_verdicts() -> None:
    given = {"mains_hz": 50.0, "evaluation_rate_hz": 1000.0, "swing": 2.0}
    assert "cannot chatter" in lamp(**given, hysteresis=2.1).verdict
    assert "outlasts" in lamp(**given, hysteresis=0, on_delay_ms=5.5).verdict
    bad = lamp(**given, hysteresis=0, on_delay_ms=5)
    assert bad.judged.startswith("Problem: It can chatter: the flicker of ")
    assert bad.next_step.startswith(
        "Raise the on-delay above 5 ms, average over 10 ms, or widen the hysteresis beyond "
    )
    assert lamp(**given, hysteresis=0, on_delay_ms=5.5).judged.startswith("OK: The on-delay outlasts")
    slow = lamp(mains_hz=50, evaluation_rate_hz=90, swing=2, hysteresis=1, ripple_hz=20_030)
    assert "too low" in slow.verdict
    assert (slow.values["flicker_alias_hz"], slow.values["ripple_alias_hz"]) == (10, 40)


def test_an_average_is_advised_only_where_its_whole_evaluations_leave_less_than_the_hysteresis() -> None:
    """262 evaluations a second: three of them last 11.5 ms, and leave 15 % of a flicker of 100 Hz."""
    given = {"mains_hz": 50.0, "evaluation_rate_hz": 262.6, "swing": 2.0}
    assert lamp(**given, hysteresis=0).values["average_leaves"] == pytest.approx(0.155, abs=1e-3)
    assert "verage over" not in lamp(**given, hysteresis=0).next_step
    assert "average over 10 ms" in lamp(**given, hysteresis=0.32).next_step
    assert "average over 10 ms" in lamp(**given | {"evaluation_rate_hz": 300.0}, hysteresis=0).next_step


def test_a_ripple_seen_as_a_slow_one_outlasts_the_on_delay() -> None:
    """20,030 Hz at 1000 evaluations a second look like 30 Hz: bright for 16.7 ms, about an on-level at its mean."""
    given = {"mains_hz": 50.0, "evaluation_rate_hz": 1000.0, "swing": 2.0, "hysteresis": 0.0, "ripple_hz": 20_030.0}
    light = np.sin(2 * np.pi * 20_030 * np.arange(10_000) / 1000 + 0.1)
    long = [len(list(run)) for bright, run in itertools.groupby(light >= 0) if bright]
    assert max(long) > 6  # an on-delay of 6 ms lets it through
    assert lamp(**given, on_delay_ms=6).judged.startswith("Problem: It can chatter: the ripple of 20030 Hz is seen as")
    assert lamp(**given, on_delay_ms=17).judged.startswith("OK")
    assert lamp(**given | {"ripple_hz": 20_000.0}, on_delay_ms=600).problem
    assert not lamp(**given | {"hysteresis": 2.1}).problem


def test_light_without_flicker_does_not_chatter() -> None:
    assert not lamp(mains_hz=50, evaluation_rate_hz=1000, swing=0, hysteresis=0).problem


@given(
    hysteresis=st.floats(0.0, 0.99), rate=st.floats(400, 5000), frequency=st.floats(19_990, 20_010),
    amplitude=st.floats(0.01, 1e5),
)  # fmt: skip
def test_what_is_told_to_do_is_enough(hysteresis: float, rate: float, frequency: float, amplitude: float) -> None:
    """A step of the last digit beyond the number that is told."""

    def told(text: str) -> float:
        return float(text.split("beyond ")[1].split()[0].rstrip(".,")) * (1 + 1e-9)

    at = {"own_hz": 20_000.0, "other_hz": frequency, "amplitude": amplitude, "integration_us": 9000.0}
    beat = neighbour_beat(**at, hysteresis=0.0)
    assert not neighbour_beat(**at, hysteresis=told(beat.next_step)).problem
    flicker = {"mains_hz": 50.0, "evaluation_rate_hz": rate, "swing": 2.0, "hysteresis": hysteresis}
    found = lamp(**flicker).next_step
    assert not lamp(**flicker | {"hysteresis": told(found)}).problem
    if "on-delay above" in found:
        delay = float(found.split("on-delay above ")[1].split()[0]) + 1e-9
        if "Evaluate at least" in found:
            flicker["evaluation_rate_hz"] = float(found.split("at least ")[1].split()[0].replace(",", ""))
        assert not lamp(**flicker, on_delay_ms=delay).problem


def test_ambient_light_against_the_usual_illuminances() -> None:
    """Clear sky in the open 100,000 lx, heavy overcast 5,000, window 2,000, fine work 1,000, office 500.

    Source: CIBSE code figures on a general lighting program's help page; office: EN 12464-1, from memory.
    """
    assert sorted(ILLUMINANCES_LX.values(), reverse=True) == [100_000, 5_000, 2_000, 1_000, 500]
    found = ambient_light(limit_lx=5000, expected_lx=500)
    assert found.values["beyond_the_limit"] == ["full sun in the open"]
    assert found.values["head_room"] == 10
    assert found.verdict.startswith("500 lx on the line keeps within the 5000 lx it is rated for;")
    assert ambient_light(limit_lx=5000, expected_lx=6000).verdict.startswith("6000 lx on the line is beyond the 5000")
    assert [ambient_light(limit_lx=5000, expected_lx=lx).problem for lx in (5000, 5001, None)] == [False, True, None]
    assert "below 5000 lx" in ambient_light(limit_lx=5000, expected_lx=6000).next_step
    assert "--expected-lx" in ambient_light(limit_lx=5000).next_step
    assert ambient_light(limit_lx=2e5).verdict == "no usual light is beyond its rating"


@pytest.mark.parametrize(
    ("mode", "times", "ratio"),
    [
        ("through-beam", 2, 1 / 4),
        ("through-beam", 3, 1 / 9),
        ("through-beam", 10, 1 / 100),
        ("diffuse, target fills the spot", 10, 1 / 100),
        ("diffuse, target smaller than the spot", 2, 1 / 16),
        ("diffuse, target smaller than the spot", 3, 1 / 81),
        ("retroreflective, reflector filled", 10, 1e-4),
        ("retroreflective, reflector not filled", 2, 1 / 4),
        # Further multiples of the same two laws, nearer ones too.
        ("through-beam", 1.5, 1 / 2.25),
        ("through-beam", 0.5, 4),
        ("diffuse, target fills the spot", 5, 1 / 25),
        ("diffuse, target smaller than the spot", 4, 1 / 256),
        ("diffuse, target smaller than the spot", 0.5, 16),
        ("retroreflective, reflector filled", 3, 1 / 81),
        ("retroreflective, reflector not filled", 10, 1 / 100),
    ],
)
def test_distance(mode: str, times: float, ratio: float) -> None:
    """Inverse-square law once or twice, by elementary geometry."""
    found = other_target(
        measured=90, dark=10, reflectance=0.9, other_reflectance=0.9, distance=2, other_distance=2 * times, mode=mode
    )
    assert found.values["light"] == pytest.approx(10 + 80 * ratio)


@pytest.mark.parametrize(("reflectance", "less"), [(0.18, 5), (0.06, 15), (0.9, 1), (0.02, 45), (0.05, 18), (0.45, 2)])
def test_reflectance_against_the_white_card(reflectance: float, less: float) -> None:
    """Light goes with ρ / 0.9: an 18 % card gives a fifth of a 90 % card, 6 % a fifteenth (Lambert's law)."""
    found = other_target(
        measured=100, dark=0, reflectance=0.9, other_reflectance=reflectance, distance=1, other_distance=1
    )
    assert found.values["light"] == pytest.approx(100 / less)


def test_the_modes_of_the_help_are_those_there_are() -> None:
    assert tuple(TWO_WAY_EXPONENTS) == MODES


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: neighbours_apart([100, -3], width_us=5, consecutive=1),
            r"periods-us\[1\] must be a finite number above 0",
        ),
        (lambda: neighbours_apart([100, 103], width_us=5, consecutive=0), "consecutive must be at least 1"),
        (lambda: lamp(mains_hz=0, evaluation_rate_hz=1, swing=1, hysteresis=1), "mains-hz"),
        (lambda: ambient_light(limit_lx=math.nan), "limit-lx"),
        (lambda: other_target(measured=1, dark=0, reflectance=1.2, other_reflectance=1, distance=1, other_distance=1),
         "reflectance is a share"),
        (lambda: other_target(measured=1, dark=0, reflectance=1, other_reflectance=1, distance=1, other_distance=1,
                              mode="laser"), "mode must be one of"),
        (lambda: other_target(measured=math.inf, dark=0, reflectance=1, other_reflectance=1, distance=1,
                              other_distance=1), "measured and dark"),
    ],
)  # fmt: skip
def test_refusals(call, message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        call()


def test_every_answer_says_what_it_rests_on() -> None:
    answers = [
        neighbour_pulses(own_period_us=100, other_period_us=103, own_width_us=5, other_width_us=5),
        neighbour_beat(own_hz=1, other_hz=2, amplitude=1, integration_us=1, hysteresis=1),
        lamp(mains_hz=50, evaluation_rate_hz=1000, swing=1, hysteresis=1),
        ambient_light(limit_lx=1),
        other_target(measured=1, dark=0, reflectance=1, other_reflectance=1, distance=1, other_distance=1),
    ]
    for answer in answers:
        document = answer.as_dict()
        assert len(document["source"]) > 20
        assert len(document["limits"]) > 20


@pytest.mark.parametrize("far", [{"other_distance": 1e-300}, {"reflectance": 1e-300, "other_distance": 1e-20}])
def test_a_target_so_near_that_its_light_is_no_number_is_refused(far: dict[str, float]) -> None:
    given = {"reflectance": 0.5, "other_reflectance": 1.0, "distance": 1.0, "other_distance": 1.0} | far
    with pytest.raises(ParameterError, match="the light must be a number: from 1 to 1e-"):
        other_target(measured=1e10, dark=0.0, **given)
