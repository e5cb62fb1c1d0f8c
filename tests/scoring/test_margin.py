"""Margins worked by hand, and how long recordings are sampled."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scoring.margins import measure_margin

from teachlab.light.lasting_extremes import SustainedExtremes
from teachlab.model.margin import Margin, Sides
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.sensor.running_extremes import running_max, running_min
from teachlab.switching import replay

LIGHT = [10, 12, 10, 12, 50, 54, 40, 54, 10, 12, 10, 12, 60, 64, 60, 64, 10, 12, 14, 12]
TRUTH = Truth.from_arrays([4, 12], [8, 16])


def _margin(light: list[int], truth: Truth = TRUTH, **setting: object) -> Margin:
    recording = Recording.from_array(
        np.array(light, np.uint16), RecordingInfo(sample_rate_hz=1000, unit="counts", dark_level=2)
    )
    output = replay(recording, Setting(unit="counts", **setting))  # type: ignore[arg-type]
    trials = score(output, truth).trials
    return measure_margin(recording, output, truth, trials, quantile_share=1e-9)


def test_four_sides_by_hand() -> None:
    found = _margin(LIGHT, on_level=30, off_level=20)
    # Differences inside the passes: 4, -14, 14, 4, -4, 4: median 4, deviations 0 18 10 0 8 0: MAD 4.
    noise_object = 1.4826 * 4 / math.sqrt(2)
    # Inside the gaps: 2 -2 2, 2 -2 2, 2 2 -2: median 2, six deviations of 0: MAD 0, so the floor of one step (2).
    noise_background = 2 / math.sqrt(12)
    assert found.noise_object == pytest.approx(noise_object)
    assert found.noise_background == pytest.approx(noise_background)
    assert found.sides.detect == pytest.approx((54 - 30) / noise_object)
    assert found.sides.trip == pytest.approx((30 - 14) / noise_background)
    assert found.sides.release == pytest.approx((20 - 10) / noise_background)
    assert found.sides.hold == pytest.approx((40 - 20) / noise_object)
    assert found.limited_by == "hold"
    assert found.excess_gain.light == pytest.approx((54 - 2) / (30 - 2))
    assert found.excess_gain.dark == pytest.approx((30 - 2) / (14 - 2))
    # Peaks 54 and 64; tops of the gaps 12, 12, 14.
    assert found.population.detect == pytest.approx((59 - 30) / np.std([54, 64], ddof=1))
    assert found.population.trip == pytest.approx((30 - 38 / 3) / np.std([12, 12, 14], ddof=1))
    assert found.hysteresis_to_sigma == pytest.approx(10 / noise_object)
    # The edges take one evaluation, so the background is looked at in pairs: it moves by 2 at most.
    assert found.edge_range == pytest.approx(2)
    assert found.hysteresis_to_noise == pytest.approx(5)


def test_mirrored_light_has_the_same_margins() -> None:
    up = _margin(LIGHT, on_level=30, off_level=20)
    down = _margin([100 - x for x in LIGHT], on_level=80, off_level=70, polarity="dark-on")
    assert down.sides == up.sides
    assert down.population.detect == pytest.approx(up.population.detect)
    assert down.population.trip == pytest.approx(up.population.trip)
    assert down.weakest_pass == pytest.approx(46)
    # The light state is now the background, its least light 100 - 14; the dark level stays 2.
    assert down.excess_gain.light == pytest.approx((86 - 2) / (70 - 2))
    assert down.excess_gain.dark == pytest.approx((70 - 2) / (46 - 2))


def test_a_peak_must_last_as_long_as_the_filter_needs() -> None:
    light = [10] * 4 + [50, 50, 90, 50, 50, 50] + [10] * 10
    one = _margin(light, Truth.from_arrays([4], [10]), on_level=30, off_level=20)
    three = _margin(light, Truth.from_arrays([4], [10]), on_level=30, off_level=20, consecutive=3)
    assert (one.weakest_pass, three.weakest_pass) == (90, 50)
    assert (one.sustained_evaluations, three.sustained_evaluations) == (1, 3)


def test_a_pass_that_never_reaches_the_level_has_no_hold() -> None:
    found = _margin(LIGHT, on_level=70, off_level=65)
    assert found.sides.hold is None
    assert found.sides.detect is not None
    assert found.sides.detect < 0


def test_infinite_light_warns_of_nothing_and_stays_plain_json() -> None:
    import json

    from teachlab.model.json_values import plain

    light = np.array(LIGHT, np.float64)
    light[[5, 9]] = np.inf
    light[[6, 17]] = -np.inf
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    output = replay(recording, Setting(unit="counts", on_level=30, off_level=20))
    found = measure_margin(recording, output, TRUTH, score(output, TRUTH).trials)
    json.dumps(plain(found.as_dict()), allow_nan=False)


def test_smallest_side_of_none() -> None:
    assert Sides(detect=None, trip=None, release=None, hold=None).smallest() is None


@pytest.mark.parametrize("span", [1, 2, 3, 5, 8, 11])
def test_running_extremes_equal_a_loop(span: int) -> None:
    light = np.random.default_rng(span).integers(0, 20, 40)
    windows = [light[i : i + span] for i in range(40 - span + 1)]
    assert running_min(light, span).tolist() == [w.min() for w in windows]
    assert running_max(light, span).tolist() == [w.max() for w in windows]


@pytest.mark.parametrize("span", [1, 4, 9])
@pytest.mark.parametrize("block", [2, 5, 64])
def test_sustained_extremes_equal_a_loop(span: int, block: int) -> None:
    rng = np.random.default_rng(100 * span + block)
    light = rng.integers(0, 30, 200)
    cuts = np.sort(rng.choice(200, 24, replace=False))
    start, stop = cuts[::2], cuts[1::2]
    found = SustainedExtremes(start, stop, span)
    for first in range(0, 200, block):
        found.push(first, light[first : first + block])
    for k, (a, b) in enumerate(zip(start, stop, strict=True)):
        d = min(span, b - a)
        windows = [light[i : i + d] for i in range(a, b - d + 1)]
        assert found.high[k] == max(w.min() for w in windows)
        assert found.low[k] == min(w.max() for w in windows)


def test_noise_of_a_long_recording_is_taken_from_an_even_selection() -> None:
    rng = np.random.default_rng(0)
    samples = 3_000_000
    light = rng.normal(100, 2, samples).astype(np.float32)
    start = np.arange(500, samples, 1000)
    truth = Truth.from_arrays(start, start + 200)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit="counts"))
    output = replay(recording, Setting(unit="counts", on_level=104, off_level=96))
    trials = score(output, truth).trials
    found = measure_margin(recording, output, truth, trials)
    # The MAD of n normal differences has a relative standard error of about 1.2 / sqrt(n): 2e5 are kept.
    assert found.noise_object == pytest.approx(2, rel=0.02)
    assert found.noise_background == pytest.approx(2, rel=0.02)


@pytest.mark.parametrize("top", [4095, 3000])
def test_a_class_that_is_clipped_has_no_variance_and_no_margin(top: int) -> None:
    """Trays in an invented sorter, all at one level: at full scale the receiver clips, below it the light is so."""
    light = np.full(1000, 500, np.uint16)
    light[::7] += 2
    start = np.arange(100, 900, 200)
    for a in start:
        light[a : a + 100] = top
    info = RecordingInfo(sample_rate_hz=1000, unit="counts", full_scale=4095)
    recording, truth = Recording.from_array(light, info), Truth.from_arrays(start, start + 100)
    output = replay(recording, Setting(unit="counts", on_level=2000, off_level=1900))
    found = measure_margin(recording, output, truth, score(output, truth).trials)
    if top == 4095:
        assert found.no_variance == ("detect", "hold")
        assert found.sides.detect is found.sides.hold is found.population.detect is None
        assert found.limited_by in ("trip", "release")
    else:
        assert found.no_variance == ()
        assert found.sides.detect is not None
