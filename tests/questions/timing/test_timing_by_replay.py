"""Every formula of the time budget against replay of objects that come at any phase of the clock.

Light of a Gaussian beam at 100,000 samples per second, evaluated at 1,000 or 2,000: the samples stand for continuous
time. Common practice of the trade, no source; recomputed here.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting, Switching
from teachlab.questions.timing.budget import Timing, timing
from teachlab.questions.timing.line import line_from_lengths
from teachlab.sensor.output import Output
from teachlab.switching import replay

RATE = 100_000
SPEED = 1000.0
"""mm/s: a millimetre is a millisecond."""


def passing(start_mm: NDArray[np.float64], length_mm: float, beam_mm: float, end_mm: float) -> Recording:
    """Objects of one length from these places on, under a beam of this 1/e² radius; height 1."""
    at = np.arange(round(end_mm * RATE / SPEED)) / RATE * SPEED
    light = np.zeros(at.size)
    reach = max(3 * beam_mm, 0.1)
    for a in start_mm.tolist():
        i, j = (round(x * RATE / SPEED) for x in (a - reach, a + length_mm + reach))
        x = at[i:j]
        light[i:j] += (
            ndtr(2 * (x - a) / beam_mm) - ndtr(2 * (x - a - length_mm) / beam_mm)
            if beam_mm
            else ((x >= a) & (x < a + length_mm)).astype(float)
        )
    return Recording.from_array(light, RecordingInfo(sample_rate_hz=RATE, unit="share", line_speed_m_s=SPEED / 1000))


def phases(count: int, every_mm: float, period_mm: float) -> NDArray[np.float64]:
    """Places some distance apart whose phases against the clock are spread evenly."""
    return 20 + every_mm * np.arange(count) + period_mm * (np.arange(count) + 0.5) / count


def output(recording: Recording, rate_hz: float, on: float = 0.5, off: float | None = None, **more: Any) -> Output:
    return replay(
        recording,
        Setting(unit="share", on_level=on, off_level=on if off is None else off, evaluation_rate_hz=rate_hz, **more),
    )  # fmt: skip


def told(length: float, gap: float, rate_hz: float, **more: Any) -> Timing:
    switching = Switching(**{f.name: more.pop(f.name) for f in fields(Switching) if f.name in more})
    return timing(
        line_from_lengths(
            length_mm=length, gap_mm=gap, speed_mm_s=SPEED, evaluation_rate_hz=rate_hz, switching=switching, **more
        )
    )  # fmt: skip


@pytest.mark.parametrize(
    "filtered",
    [{}, {"consecutive": 3}, {"on_delay_ms": 4.0}, {"on_delay_ms": 2.5}, {"consecutive": 2, "on_delay_ms": 3.0}],
)
@pytest.mark.parametrize("share", [0.3, 0.5, 0.8])
def test_response_position_and_jitter(filtered: dict[str, Any], share: float) -> None:
    """From crossing to onset: between the shortest and the longest response; the place spread evenly over v · T_e."""
    starts = phases(200, 60, 1.0)
    found = told(30, 30, 1000, beam_mm=2, on_share=share, **filtered)
    onsets = output(passing(starts, 30, 2, 20 + 60 * 201), 1000, share, **filtered).onsets / RATE * 1000
    # The level is crossed (w / 2) · Φ⁻¹(share) behind the 50 % border.
    late = onsets - starts - float(ndtri(share))
    assert late.size == 200
    assert late.min() >= found.response_min_ms - 0.02
    # Filter and delay together take the longer of what each asks for, or a little more: never beyond the longest.
    assert late.max() <= found.response_ms + 0.02
    if len(filtered) < 2:
        assert late.min() == pytest.approx(found.response_min_ms, abs=0.03)
        assert late.max() == pytest.approx(found.response_ms, abs=0.03)
        assert late.max() == pytest.approx(found.position_mm, abs=0.03)
    assert late.std() == pytest.approx(found.position_jitter_mm, rel=0.03)


def test_delays_that_swap_roles_are_told_by_what_they_do() -> None:
    """Dark objects of 11 ms, gaps of 4.6 ms: held on by the on-delay, for longer than the gap not at all.

    Held back by 14 ms of off-delay, the object is seen only if it is held on for 4 ms.
    """
    swap = {"polarity": "dark-on", "delays_act_on": "light"}
    starts = np.sort(np.concatenate((phases(40, 100, 1.0), phases(40, 100, 1.0) + 15.6)))
    light = passing(starts, 11, 0, 20 + 100 * 41)
    dark = Recording.from_array(1 - np.asarray(light.light[:]), light.info)
    for off_ms, ends in ((0.0, (0, 3)), (14.0, (4, 3))):
        found = told(11, 4.6, 1000, off_delay_ms=off_ms, **swap).off_delay_window_ms
        assert found == pytest.approx(ends)
    for on_ms, off_ms, seen in ((3.0, 0.0, 80), (4.0, 0.0, None), (3.0, 14.0, 0), (4.0, 14.0, None)):
        onsets = output(dark, 1000, on_delay_ms=on_ms, off_delay_ms=off_ms, **swap).onsets.size
        assert onsets == seen if seen is not None else 0 < onsets < 80


@pytest.mark.parametrize("delays", [{}, {"on_delay_ms": 1.4}, {"off_delay_ms": 2.2}])
def test_shortest_pulse_and_gap_of_the_output(delays: dict[str, float]) -> None:
    """Objects of 5.7 ms, gaps of 6.3 ms, evaluated every ms: 5 or 6 evaluations, 6 or 7; delays are rounded up.

    At both ends of the off-delays that are told, a controller that needs 3.5 ms gets 4 evaluations at every phase.
    """
    found = told(5.7, 6.3, 1000, scan_ms=3.5, **delays)
    first = phases(40, 100, 1.0)
    starts = np.sort(np.concatenate((first, first + 12)))

    def least(**switching: float) -> tuple[float, float]:
        edges = output(passing(starts, 5.7, 0, 20 + 100 * 41), 1000, **switching)
        pulses, rests = edges.releases - edges.onsets, edges.onsets[1::2] - edges.releases[::2]
        assert (pulses.size, rests.size) == (80, 40)
        return pulses.min() / RATE * 1000, rests.min() / RATE * 1000

    assert least(**delays) == pytest.approx((found.output_pulse_ms, found.output_gap_ms))
    for ms in found.off_delay_window_ms:
        assert min(least(**delays | {"off_delay_ms": ms})) >= 3.5


def test_shift_by_a_change_of_speed() -> None:
    """On-delay 20 ms, ±10 % of 1.2 m/s: ±2.4 mm, by replay at both speeds."""
    moved = []
    for factor in (0.9, 1.0, 1.1):
        speed = 1200.0 * factor
        light = np.zeros(200_000)
        begin = round(100 / speed * RATE)  # the object begins 100 mm on
        light[begin:] = 1
        onset = int(output(Recording.from_array(light, RecordingInfo(sample_rate_hz=RATE, unit="share")), RATE,
                           on_delay_ms=20.0).onsets[0])  # fmt: skip
        moved.append(onset / RATE * speed - 100)
    found = timing(
        line_from_lengths(
            length_mm=40,
            gap_mm=40,
            speed_mm_s=1200,
            evaluation_rate_hz=2000,
            speed_change=0.1,
            switching=Switching(on_delay_ms=20),
        )
    )
    assert found.position_shift_mm == pytest.approx(2.4)
    assert np.diff(moved) == pytest.approx(2 * [found.position_shift_mm], abs=0.02)


@pytest.mark.parametrize(("rate", "n", "seen"), [(2000, 1, 1.0), (2000, 2, 1.0), (2000, 3, 0.4), (10_000, 3, 1.0)])
def test_rivet_of_3_mm(rate: int, n: int, seen: float) -> None:
    """3 mm at 2.5 m/s last 1.2 ms: 2.4 evaluations at 2 kHz, 12 at 10 kHz; at this speed 1.2 mm."""
    starts = phases(400, 20, 1000 / rate)
    found = told(1.2, 18.8, rate, consecutive=n)
    onsets = output(passing(starts, 1.2, 0, 20 + 20 * 401), rate, consecutive=n).onsets
    assert found.seen == pytest.approx(seen)
    assert onsets.size / 400 == pytest.approx(seen, abs=0.02)


@pytest.mark.parametrize("filtered", [{}, {"consecutive": 4}, {"on_delay_ms": 3.0, "off_delay_ms": 2.0}])
@pytest.mark.parametrize(("on", "off"), [(0.5, 0.5), (0.8, 0.7), (0.3, 0.2)])
def test_shortest_object_and_gap_that_are_surely_seen(filtered: dict[str, Any], on: float, off: float) -> None:
    """At every phase just above the length told, and no longer at every phase well below it."""
    beam = {"beam_mm": 2.0, "on_share": on, "off_share": off}
    found = told(60, 60, 1000, **beam, **filtered)
    # A beam flattens what is not much longer than itself: lengths of the formula hold from some 4 mm on.
    for length, sure in ((found.min_object_mm + 0.05, True), (found.min_object_mm - 1.0, False)):
        if length < 4:
            continue
        onsets = output(passing(phases(60, 80, 1.0), length, 2, 20 + 80 * 61), 1000, on, off, **filtered).onsets
        assert (onsets.size == 60) == sure, length
    for gap, sure in (
        (found.min_gap_mm + 0.05, True),
        (found.min_gap_mm - 1.0 - filtered.get("on_delay_ms", 0), False),
    ):
        if gap < 4:
            continue
        first = phases(60, 160, 1.0)
        pairs = np.sort(np.concatenate((first, first + 50 + gap)))
        onsets = output(passing(pairs, 50, 2, 20 + 160 * 61), 1000, on, off, **filtered).onsets
        assert (onsets.size == 120) == sure, gap


@pytest.mark.parametrize("n", [1, 2, 4])
def test_fastest_symmetric_switching(n: int) -> None:
    """Light and dark of ``n T_e`` each are followed at every phase; of less than ``(n − 1) T_e`` never."""
    half = 1000 / (2 * told(30, 30, 1000, consecutive=n).max_rate_hz)
    assert half == n
    for span, follows in ((half, True), (half - 1, False)):
        if span <= 0:
            continue
        for phase in np.arange(0.05, 1, 0.1):
            starts = 20 + phase + 2 * span * np.arange(50)
            onsets = output(passing(starts, span, 0, 60 + 100 * span), 1000, consecutive=n).onsets
            assert onsets.size == (50 if follows else 0)


@pytest.mark.parametrize("filter_ms", [0.0, 3.0])
@pytest.mark.parametrize(("pulse", "scan"), [(2.0, 10.0), (4.0, 10.0), (7.5, 10.0), (12.0, 10.0), (14.0, 10.0)])
def test_a_controller_sees_a_pulse_with_the_share_of_its_scan(pulse: float, scan: float, filter_ms: float) -> None:
    """Inputs are read once per scan, at any phase: what the filter leaves of a pulse is seen with its share of it.

    The filter lets a signal through once it lasted so long, and not beyond its end.
    """
    found = told(pulse, 80 - pulse, 20_000, scan_ms=scan, input_filter_ms=filter_ms)
    starts = phases(300, 80, scan)
    edges = output(passing(starts, pulse, 0, 20 + 80 * 302), 20_000)
    reads = np.arange(0.0, 20 + 80 * 302, scan) / 1000 * RATE
    late = filter_ms / 1000 * RATE
    seen = [np.any((reads >= a + late) & (reads < b)) for a, b in zip(edges.onsets, edges.releases, strict=True)]
    assert len(seen) == 300
    assert np.mean(seen) == pytest.approx(found.controller_sees, abs=0.02)


def test_a_controller_that_only_filters_does_not_see_what_is_shorter() -> None:
    assert told(2, 20, 20_000, input_filter_ms=3).controller_sees == 0
    assert told(3, 20, 20_000, input_filter_ms=3).controller_sees == 1


def test_stretching_for_a_controller() -> None:
    """Rivet of 1.2 ms for a controller that needs 13 ms: off-delay from 11.8 ms, and at most the gap less 13."""
    starts = phases(50, 40, 0.1)
    found = told(1.2, 38.8, 10_000, consecutive=3, scan_ms=10, input_filter_ms=3)
    least, most = found.off_delay_window_ms
    assert (least, most) == pytest.approx((11.8, 25.8))
    assert found.controller_max_hz == pytest.approx(38.46, abs=0.01)
    recording = passing(starts, 1.2, 0, 20 + 40 * 51)
    tried = ((least, True, True), (least - 0.5, False, True), (most, True, True), (most + 0.5, True, False))
    for delay, pulse_fits, gap_fits in tried:
        edges = output(recording, 10_000, consecutive=3, off_delay_ms=delay)
        pulses = (edges.releases - edges.onsets) / RATE * 1000
        gaps = (edges.onsets[1:] - edges.releases[:-1]) / RATE * 1000
        # One evaluation of 0.1 ms either way.
        assert (pulses.min() >= 13 - 0.11) == pulse_fits, delay
        assert (gaps.min() >= 13 - 0.21) == gap_fits, delay


@pytest.mark.parametrize(("length", "passes"), [(3.0, False), (7.0, True)])
def test_an_on_delay_outlasts_spots_shorter_than_it(length: float, passes: bool) -> None:
    """Spots of length l at speed v last l / v: an on-delay longer than that is deaf to them (5 ms; 3 and 7 mm)."""
    onsets = output(passing(phases(50, 40, 1.0), length, 0, 20 + 40 * 51), 1000, on_delay_ms=5.0).onsets
    assert (onsets.size == 50) == passes
    assert (onsets.size == 0) == (not passes)
    assert (told(length, 40, 1000, on_delay_ms=5.0).seen == 1) == passes
