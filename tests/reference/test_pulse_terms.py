"""Pulses, edges and delays: closed forms of rise time and response, delay diagrams, and merging gaps by replay."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from teachlab.light.edge_time import edge_evaluations
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting, Switching
from teachlab.model.truth import Truth
from teachlab.questions.timing.budget import timing
from teachlab.questions.timing.dwelling import predict, spans_of_truth
from teachlab.questions.timing.line import edges_mm, line_from_lengths
from teachlab.scoring import score
from teachlab.switching import replay

TAU = 1000
"""Time constant of a first-order response, samples."""


def response(width: int, after: int = 12 * TAU) -> NDArray[np.float64]:
    """A first-order response to a rectangular pulse of height 1, exact at every sample; it begins at 10 τ."""
    t = np.arange(width + after)
    rise = 1 - np.exp(-np.minimum(t, width) / TAU)
    return np.concatenate([np.zeros(10 * TAU), rise * np.exp(-np.maximum(t - width, 0) / TAU)])


def output_of(light: NDArray[np.float64], rate_hz: float = 1e6, **setting: Any) -> tuple[list[int], list[int]]:
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=rate_hz, unit="share"))
    found = replay(recording, Setting(unit="share", **{"off_level": setting["on_level"], **setting}))
    return found.onsets.tolist(), found.releases.tolist()


# source: exact solutions of a first-order system; reference levels of IEEE Std 181 (from memory).
def test_rise_time_of_a_first_order_step() -> None:
    width = 40 * TAU  # its median is the final level to 2e-9
    edge = edge_evaluations(response(width), np.array([10 * TAU]), np.array([10 * TAU + width]), 0.0)
    assert edge / TAU == pytest.approx(2.197225, rel=1e-4)


@pytest.mark.parametrize("span", [50, 400])
def test_rise_time_of_a_straight_ramp(span: int) -> None:
    up = np.linspace(0, 1, span + 1)
    light = np.concatenate([np.zeros(span), up, np.ones(4 * span), up[::-1], np.zeros(span)])
    start, end = span + span // 2, 6 * span + span // 2
    assert edge_evaluations(light, np.array([start]), np.array([end]), 0.0) == pytest.approx(0.8 * span)
    # Half height after half of the ramp.
    assert output_of(light, on_level=0.5)[0] == [span + span // 2]


LEVELS = [(0.1, 0.105361), (0.25, 0.287682), (0.5, 0.693147), (0.593430, 0.9), (0.75, 1.386294), (0.9, 2.302585),
          (0.95, 2.995732), (0.99, 4.605170)]  # fmt: skip


@pytest.mark.parametrize(("level", "delay"), LEVELS)
def test_delay_of_a_level_and_shortest_pulse_that_reaches_it(level: float, delay: float) -> None:
    """−τ ln(1 − θ) is both: the time after a step, and the width of the shortest pulse that switches."""
    (onset,), _ = output_of(response(8 * TAU), on_level=level)
    assert (onset - 10 * TAU) / TAU == pytest.approx(delay, abs=1.1 / TAU)
    shortest = math.ceil(delay * TAU)
    assert len(output_of(response(shortest), on_level=level)[0]) == 1
    assert output_of(response(shortest - 1), on_level=level)[0] == []


@pytest.mark.parametrize(
    ("width", "level", "peak", "above"),
    [
        (1.0, 0.5, 0.632121, 0.541325),
        # The same law at other widths and levels: w + ln(1 − θ) + ln((1 − e^−w) / θ).
        (2.0, 0.5, 0.864665, 1.854586),
        (2.0, 0.25, 0.864665, 2.953199),
        (3.0, 0.9, 0.950213, 0.751706),
        (0.5, 0.25, 0.393469, 0.665860),
    ],
)
def test_pulse_of_some_time_constants(width: float, level: float, peak: float, above: float) -> None:
    assert width + math.log(1 - level) + math.log((1 - math.exp(-width)) / level) == pytest.approx(above, abs=1e-6)
    light = response(round(width * TAU))
    assert light.max() == pytest.approx(peak, abs=1e-6)
    (onset,), (release,) = output_of(light, on_level=level)
    assert (release - onset) / TAU == pytest.approx(above, abs=2.1 / TAU)


@pytest.mark.parametrize(("length_mm", "seen"), [(4.9, 0.0), (5.0, 0.0), (5.1, 0.5), (5.2, 1.0), (6.0, 1.0)])
def test_on_delay_against_a_short_object(length_mm: float, seen: float) -> None:
    """5 mm at 2 m/s last 2.5 ms: an on-delay of 2.5 ms needs that and up to one evaluation more (here 0.1 ms).

    Replayed at 1,000 phases of the clock: samples every 1 µs, evaluated every 100 µs.
    """
    line = line_from_lengths(
        length_mm=length_mm, gap_mm=50, speed_mm_s=2000, evaluation_rate_hz=10_000, switching=Switching(on_delay_ms=2.5)
    )
    assert line.seen(line.dwell_ms) == pytest.approx(seen)
    size, width = 100, round(length_mm * 500)
    starts = 10_000 * np.arange(1, size + 1) + np.arange(size)
    light = np.zeros(10_000 * (size + 2))
    for start in starts:
        light[start : start + width] = 1
    onsets, _ = output_of(light, on_level=0.5, on_delay_ms=2.5, evaluation_rate_hz=10_000)
    assert len(onsets) / size == pytest.approx(seen, abs=0.011)


# Delay diagrams of the trade (common practice, no source), worked by hand: true from 10 to 30 and 36 to 50 ms.
CONDITION_MS = [(10, 30), (36, 50)]
DIAGRAMS = [
    # on-delay, off-delay, when active (ms), hits, misses, merged
    (0, 0, [(10, 30), (36, 50)], (2, 0, 0)),
    (5, 0, [(15, 30), (41, 50)], (2, 0, 0)),
    (0, 5, [(10, 35), (36, 55)], (2, 0, 0)),  # the gap shrinks to 1 ms
    (0, 8, [(10, 58)], (1, 0, 1)),
    (25, 0, [], (0, 2, 0)),
    (5, 8, [(15, 38), (41, 58)], (2, 0, 0)),
]


@pytest.mark.parametrize(("on_ms", "off_ms", "active", "counts"), DIAGRAMS)
@pytest.mark.parametrize("rate_hz", [1000, 20_000])
def test_delay_diagrams(
    on_ms: int, off_ms: int, active: list[tuple[int, int]], counts: tuple[int, int, int], rate_hz: int
) -> None:
    per_ms = rate_hz // 1000
    light = np.zeros(100 * per_ms)
    for start, end in CONDITION_MS:
        light[start * per_ms : end * per_ms] = 1
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=rate_hz, unit="share"))
    output = replay(
        recording, Setting(unit="share", on_level=0.5, off_level=0.5, on_delay_ms=on_ms, off_delay_ms=off_ms)
    )
    found = [(a / per_ms, b / per_ms) for a, b in zip(output.onsets.tolist(), output.releases.tolist(), strict=True)]
    assert found == active
    truth = Truth.from_arrays(*np.array(CONDITION_MS).T * per_ms)
    scored = score(output, truth).as_dict()
    assert (scored["hits"], scored["misses"], scored["merged"]) == counts


def test_output_pulse_and_gap_after_both_delays() -> None:
    """Pulse = dwell − on-delay + off-delay, gap = gap + on-delay − off-delay: the last diagram is 23 and 3 ms."""
    found = timing(
        line_from_lengths(
            length_mm=20,
            gap_mm=6,
            speed_mm_s=1000,
            evaluation_rate_hz=20_000,
            switching=Switching(on_delay_ms=5, off_delay_ms=8),
        )
    )
    assert (found.output_pulse_ms, found.output_gap_ms) == pytest.approx((23, 3))


def bars(passes: int, seed: int) -> tuple[Recording, Truth, NDArray[np.float64]]:
    """Bars of 90 mm, gaps N(10, 2) mm of at least 2.5, 1.2 m/s, a Gaussian beam of 2 mm, 2,000 per second."""
    rng, speed, rate, radius = np.random.default_rng(seed), 1200.0, 2000.0, 2.0
    gap = np.maximum(rng.normal(10, 2, passes), 2.5)
    start = 50 + np.cumsum(gap + 90) - gap[0] - 90
    end = start + 90
    at = np.arange(int((end[-1] + 50) / speed * rate)) / rate * speed
    light = np.zeros(at.size)
    for a, b in zip(start, end, strict=True):
        i, j = int((a - 12) / speed * rate), int((b + 12) / speed * rate) + 1
        light[i:j] += ndtr((at[i:j] - a) * 2 / radius) - ndtr((at[i:j] - b) * 2 / radius)
    borders = [np.round(edge / speed * rate).astype(np.int64) for edge in (start, end)]
    info = RecordingInfo(sample_rate_hz=rate, unit="share", line_speed_m_s=1.2)
    return Recording.from_array(light, info), Truth.from_arrays(*borders), gap[1:]


def test_merging_of_close_bars() -> None:
    """Off-delay 8 ms, on at mid span, off at 0.41 of it: about half of the bars merge, whatever the level.

    The trade's closed form P(gap < v·off-delay + 0.46 mm) takes both edges at the off-level and no sampling: 0.51, with
    0.494 in a simulation (common practice, no source). The line comes back at the on-level, and the sensor looks
    every 0.6 mm: prediction and replay must agree with each other closely, with 0.51 within 0.03.
    """
    recording, truth, gap = bars(4000, 0)
    setting = Setting(unit="share", on_level=0.5, off_level=0.41, off_delay_ms=8)
    line = line_from_lengths(
        length_mm=90, gap_mm=10, speed_mm_s=1200, evaluation_rate_hz=2000, beam_mm=2, on_share=0.5, off_share=0.41,
        switching=Switching(off_delay_ms=8),
    )  # fmt: skip
    edges = edges_mm(2, 0.5, 0.41)
    predicted = sum(1 - line.resolved(1000 * (g + edges) / 1200) for g in gap.tolist()) / gap.size
    merged = score(replay(recording, setting), truth).as_dict()["merged"] / gap.size
    assert merged == pytest.approx(predicted, abs=4 * math.sqrt(0.25 * 0.2 / gap.size))
    assert predicted == pytest.approx(0.51, abs=0.03)
    # From the truth alone, whose borders are known to a sample.
    spans = spans_of_truth(recording, truth, beam_mm=2, on_share=0.5, off_share=0.41)
    assert predict(spans, line).merged / gap.size == pytest.approx(merged, abs=0.05)
    short = score(replay(recording, Setting(unit="share", on_level=0.5, off_level=0.41, off_delay_ms=3)), truth)
    assert short.as_dict()["merged"] / gap.size < 0.01
