"""Worked numbers of line timing (common practice of the trade, recomputed) and of light (inverse-square law)."""

from __future__ import annotations

import pytest

from teachlab.model.setting import Switching
from teachlab.questions.surroundings.answers import alias_hz, lamp, other_target
from teachlab.questions.surroundings.neighbours import neighbour_pulses
from teachlab.questions.timing.budget import timing
from teachlab.questions.timing.line import edge_shift_mm, line_from_lengths, probability_inside

FAST = {"speed_mm_s": 1200.0, "evaluation_rate_hz": 2000.0}


def test_product_of_40_mm() -> None:
    """40 mm at 1.2 m/s, beam radius 2 mm: 33.3 ms at half height, 31.9 ms at 80 %; three evaluations: 1.8 mm."""
    half = timing(line_from_lengths(length_mm=40, gap_mm=40, beam_mm=2, switching=Switching(consecutive=3), **FAST))
    high = timing(
        line_from_lengths(length_mm=40, gap_mm=40, beam_mm=2, on_share=0.8, switching=Switching(consecutive=3), **FAST)
    )
    assert half.dwell_ms == pytest.approx(33.3, abs=0.05)
    assert high.dwell_ms == pytest.approx(31.9, abs=0.05)
    assert half.response_ms == 1.5
    assert half.min_object_mm == pytest.approx(1.8)
    assert half.fits == "fine"


def test_gap_of_12_mm_and_an_off_delay() -> None:
    line = line_from_lengths(
        length_mm=40, gap_mm=12, switching=Switching(off_delay_ms=12), scan_ms=5, input_filter_ms=1, **FAST
    )
    found = timing(line)
    assert found.gap_ms == pytest.approx(10)
    assert found.fits == "impossible"
    assert "off-delay of 12 ms" in found.because
    assert found.off_delay_window_ms[1] == pytest.approx(4)


def test_gap_invisible_to_a_slow_controller() -> None:
    found = timing(line_from_lengths(length_mm=40, gap_mm=12, scan_ms=10, input_filter_ms=3, **FAST))
    assert found.controller_ms * 1.2 == pytest.approx(15.6)
    assert found.fits == "at risk"
    assert "gap" in found.because


def test_rivet_of_3_mm() -> None:
    given = {"speed_mm_s": 2500.0, "length_mm": 3.0, "gap_mm": 25.0, "scan_ms": 10.0, "input_filter_ms": 3.0}
    three = timing(line_from_lengths(evaluation_rate_hz=2000, switching=Switching(consecutive=3), **given))
    assert three.samples_in_dwell == pytest.approx(2.4)
    assert three.seen == pytest.approx(0.4)
    assert timing(line_from_lengths(evaluation_rate_hz=2000, switching=Switching(consecutive=2), **given)).seen == 1
    fast = timing(line_from_lengths(evaluation_rate_hz=10_000, switching=Switching(consecutive=3), **given))
    assert fast.samples_in_dwell == pytest.approx(12)
    assert fast.seen == 1
    assert fast.off_delay_window_ms[0] == pytest.approx(11.8)
    assert fast.controller_max_hz == pytest.approx(38.46, abs=0.01)


def test_position_at_another_speed() -> None:
    found = timing(
        line_from_lengths(length_mm=40, gap_mm=40, switching=Switching(on_delay_ms=20), speed_change=0.1, **FAST)
    )
    assert found.position_shift_mm == pytest.approx(2.4)


def test_on_delay_longer_than_the_dwell_is_blamed() -> None:
    found = timing(line_from_lengths(length_mm=24, gap_mm=60, switching=Switching(on_delay_ms=25), **FAST))
    assert (found.fits, found.output_pulse_ms) == ("impossible", 0)
    assert "on-delay of 25 ms" in found.because


ROWS_OF_PULSES = [
    (0.4, 1, 0.4), (2.5, 3, 0.5), (3.0, 3, 1.0), (1.0, 3, 0.0), (1.3, 1, 1.0), (1.3, 2, 0.3), (3.75, 3, 1.0),
    (3.75, 4, 0.75), (3.75, 5, 0.0), (0.05, 1, 0.05), (7.1, 8, 0.1), (10.0, 10, 1.0),
]  # fmt: skip


@pytest.mark.parametrize(("dwell", "n", "expected"), ROWS_OF_PULSES)
def test_evaluations_in_a_pulse_at_random_phase(dwell: float, n: int, expected: float) -> None:
    """P(at least m samples) = clip(w / T − m + 1, 0, 1): a uniform phase, by elementary probability."""
    assert probability_inside(dwell, 1.0, n) == pytest.approx(expected)


def test_edges_and_light() -> None:
    assert edge_shift_mm(2.0, 0.5) == 0
    assert other_target(
        measured=90, dark=0, reflectance=0.9, other_reflectance=0.06, distance=1, other_distance=1
    ).values["ratio"] == pytest.approx(1 / 15)
    for times, ratio in ((2, 1 / 16), (3, 1 / 81), (10, 1e-4)):
        found = other_target(
            measured=90, dark=0, reflectance=0.9, other_reflectance=0.9, distance=1, other_distance=times,
            mode="diffuse, target smaller than the spot",
        )  # fmt: skip
        assert found.values["ratio"] == pytest.approx(ratio)
    assert "on_delay_needed_ms" not in lamp(mains_hz=50, evaluation_rate_hz=1000, swing=1, hysteresis=2).values
    assert lamp(mains_hz=50, evaluation_rate_hz=1000, swing=2, hysteresis=0).values["on_delay_needed_ms"] == 5
    assert alias_hz(20_030, 1000) == 30


def test_two_pulse_trains_by_simulation() -> None:
    """Periods 100 and 103, pulses of 5: 9.7 % of the pulses hit, 3.3 in a row, a beat every 34.3."""
    found = neighbour_pulses(own_period_us=100, other_period_us=103, own_width_us=5, other_width_us=5).values
    hits = []
    for k in range(20_000):
        phase = (100 * k - 0.37) % 103
        hits.append(min(phase, 103 - phase) < 5)
    assert sum(hits) / len(hits) == pytest.approx(found["share_hit"], abs=0.002)
    runs = sum(1 for a, b in zip([False, *hits], hits, strict=False) if b and not a)
    assert sum(hits) / runs == pytest.approx(found["run_pulses"], abs=0.1)
    assert len(hits) / runs == pytest.approx(found["beat_pulses"], abs=0.3)
