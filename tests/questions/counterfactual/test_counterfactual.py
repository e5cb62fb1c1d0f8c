"""Sensors that were not there: averages against a plain loop, margins against theory and simulated figures."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from teachlab.errors import ParameterError, TruthError
from teachlab.model.draws import Costs
from teachlab.model.recording import BLOCK_SAMPLES, Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.counterfactual import Counterfactual, counterfactual
from teachlab.questions.counterfactual.averaged import averaged
from teachlab.questions.counterfactual.margin import SensorMargin
from teachlab.questions.counterfactual.sensors import needed_margin, sensors
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.values.table import Surface
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.synthetic import generate, load_scenario


def plain(light: np.ndarray, span: int) -> np.ndarray:
    """Mean of the last `span` values, invalid ones as the last valid, before the record the first valid one."""
    first = next(v for v in light if not np.isnan(v))
    held, out = [], []
    last = first
    for value in light:
        last = last if np.isnan(value) else value
        held.append(last)
        recent = held[-span:]
        out.append((sum(recent) + first * (span - len(recent))) / span)
    return np.array(out)


@given(
    light=st.lists(st.one_of(st.integers(-50, 50).map(float), st.just(float("nan"))), min_size=1, max_size=60),
    span=st.integers(1, 20),
    step=st.integers(1, 17),
)
@settings(max_examples=150, deadline=None)
def test_average_equals_a_plain_loop(light: list[float], span: int, step: int) -> None:
    values = np.array(light)
    if np.isnan(values).all():
        return
    info = RecordingInfo(sample_rate_hz=1000, unit="counts")
    seen, _ = averaged(Recording.from_array(values, info), Truth.from_arrays([], []), span)
    np.testing.assert_allclose(seen.read(0, values.size).light, plain(values, span), atol=1e-12)
    blocks = list(seen.blocks(size=step))
    np.testing.assert_array_equal(np.concatenate([b.light for b in blocks]), seen.read(0, values.size).light)
    invalid = np.concatenate(
        [np.zeros(b.light.size, bool) if b.invalid is None else b.invalid for b in blocks]
    )  # fmt: skip
    np.testing.assert_array_equal(invalid, np.isnan(values))


@pytest.mark.parametrize(("consecutive", "delay"), [(1, 0), (1, 3), (2, 1), (2, 5), (3, 3), (3, 7)])
def test_white_noise_trips_no_more_often_than_the_needed_margin_says(consecutive: int, delay: int) -> None:
    """At a margin that allows a trip in 500 evaluations; without a filter the rate is exact, as a delay of 3 shows."""
    rate, trips = 1000.0, 3_600_000 / 500
    margin = needed_margin(rate, consecutive, delay, trips_per_hour=trips)
    light = np.random.default_rng(3).normal(size=400_000)
    setting = Setting(
        unit="counts", on_level=margin, off_level=margin, polarity=Polarity.LIGHT_ON, consecutive=consecutive,
        on_delay_ms=float(delay),
    )  # fmt: skip
    info = RecordingInfo(sample_rate_hz=rate, unit="counts")
    onsets = replay(Recording.from_array(light, info), setting).onsets.size
    assert onsets <= 800 + 4 * 800**0.5
    assert onsets >= 800 - 4 * 800**0.5 or consecutive > 1
    assert delay < consecutive or margin < needed_margin(rate, consecutive, trips_per_hour=trips)


def test_average_across_blocks_and_from_slower_evaluations() -> None:
    rng = np.random.default_rng(1)
    light = rng.integers(0, 4096, 3 * BLOCK_SAMPLES + 77).astype(np.uint16)
    light_float = light.astype(np.float64)
    light_float[BLOCK_SAMPLES - 3 : BLOCK_SAMPLES + 5] = np.nan
    info = RecordingInfo(sample_rate_hz=1000, unit="counts")
    seen, _ = averaged(Recording.from_array(light_float, info), Truth.from_arrays([], []), 100)
    a = BLOCK_SAMPLES - 50
    np.testing.assert_allclose(
        seen.read(a, a + 200).light, plain(light_float[a - 150 : a + 200], 100)[150:], rtol=1e-12
    )
    slow, truth = averaged(
        Recording.from_array(light, info), Truth.from_arrays([1000], [1300]), 4, evaluation_rate_hz=250
    )
    np.testing.assert_array_equal(slow.read(0, 50).light, plain(light[:200:4].astype(float), 4))
    assert (slow.info.sample_rate_hz, truth.start[0], truth.end[0], truth.uncertainty_samples) == (250, 252, 327, 2)


def test_passes_of_an_average() -> None:
    """Half the span late; a pass cut by the end stays cut; one between two evaluations is refused."""
    info = RecordingInfo(sample_rate_hz=1000, unit="counts")
    recording = Recording.from_array(np.zeros(100), info)
    _, truth = averaged(recording, Truth.from_arrays([10, 90], [20, 99], lot=["a", "b"]), 9)
    assert (truth.start.tolist(), truth.end.tolist(), truth.lot.tolist()) == ([14, 94], [24, 100], ["a", "b"])
    with pytest.raises(TruthError, match="row 0: the pass lies between two evaluations"):
        averaged(recording, Truth.from_arrays([11], [14]), 3, evaluation_rate_hz=100)


@pytest.mark.parametrize(
    ("per_hour", "expected"), [(1.0, [5.1, 3.4, 2.6]), (1e-3, [6.3, 4.2, 3.3])], ids=["per hour", "per 1000 h"]
)
def test_margin_that_white_noise_asks_for(per_hour: float, expected: list[float]) -> None:
    """2,000 evaluations per second, 1, 2 and 3 in a row: f Q(m)^n (1 − Q(m)), by elementary probability."""
    found = [needed_margin(2000, n, trips_per_hour=per_hour) for n in (1, 2, 3)]
    assert found == pytest.approx(expected, abs=0.05)
    for n, m in zip((1, 2, 3), found, strict=True):
        tail = norm.sf(m)
        assert 2000 * 3600 * tail**n * (1 - tail) == pytest.approx(per_hour, rel=1e-6)
    with pytest.raises(ParameterError, match="rate and trips per hour"):
        needed_margin(0)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_white_noise_trips_as_often_as_said(n: int) -> None:
    """Four million evaluations of white noise, level and count as for 2,000 trips in them; five sigma."""
    rng = np.random.default_rng(7)
    samples, rate = 4_000_000, 1000.0
    level = needed_margin(rate, n, trips_per_hour=2000 / (samples / rate / 3600))
    info = RecordingInfo(sample_rate_hz=rate, unit="counts")
    recording = Recording.from_array(rng.standard_normal(samples), info)
    output = replay(recording, Setting(unit="counts", on_level=level, off_level=level, consecutive=n))
    # With n in a row to begin, n in a row below end a trip too, so trips are never more, and hardly fewer.
    assert output.onsets.size == pytest.approx(2000, abs=5 * np.sqrt(2000) + (0 if n == 1 else 100))


def white(noise: float = 1.0, seed: int = 0) -> tuple[Recording, Truth]:
    """200 passes of 64 evaluations at 100, on a background of 50, in white noise."""
    rng = np.random.default_rng(seed)
    start = np.arange(200) * 200 + 100
    light = rng.normal(50, noise, 200 * 200 + 100)
    for a in start:
        light[a : a + 64] += 50
    info = RecordingInfo(sample_rate_hz=1000, unit="counts")
    return Recording.from_array(light, info), Truth.from_arrays(start, start + 64)


def by_name(found: Counterfactual) -> dict[str, SensorMargin]:
    return {one.sensor.name: one for one in found.sensors}


def test_averages_of_white_noise_buy_the_root_of_their_length() -> None:
    recording, truth = white()
    found = by_name(counterfactual(recording, truth, Setting(unit="counts", on_level=0, off_level=0)))
    for name, length in (("average over one flicker of 50 Hz mains", 10), ("matched filter", 64)):
        one = found[name]
        assert one.sensor.average == length
        assert found["as it is"].noise / one.noise == pytest.approx(np.sqrt(length), rel=0.05)
        # Extremes of many samples stand out, averages less: the margin gains about as much.
        assert one.margin / found["as it is"].margin == pytest.approx(np.sqrt(length), rel=0.2)
    assert found["as it is"].noise == pytest.approx(1, rel=0.02)


def test_three_in_a_row_needs_half_the_margin() -> None:
    recording, truth = white()
    found = by_name(counterfactual(recording, truth, Setting(unit="counts", on_level=0, off_level=0)))
    one, three = found["as it is"], found["filter of three evaluations"]
    assert one.needed / three.needed == pytest.approx(needed_margin(1000) / needed_margin(1000, 3))
    assert three.times == pytest.approx(one.needed / three.needed * three.margin / one.margin)
    assert 1.9 < three.times < 2.2
    assert one.times == 1


def test_a_faster_sensor_needs_a_faster_log() -> None:
    recording, truth = white()
    base = Setting(unit="counts", on_level=0, off_level=0)
    as_logged = by_name(counterfactual(recording, truth, base))["twice the evaluation rate"]
    assert as_logged.margin is None
    assert "the log holds 1000 samples per second" in as_logged.sensor.missing
    slower = Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=500)
    found = by_name(counterfactual(recording, truth, slower))["twice the evaluation rate"]
    assert found.sensor.setting.evaluation_rate_hz == 1000
    assert found.margin is not None
    assert found.needed == pytest.approx(needed_margin(1000))


def test_the_mirror_image_of_the_light_buys_the_same() -> None:
    recording, truth = white()
    mirrored = Recording.from_array(150 - recording.light[:], recording.info)
    base = Setting(unit="counts", on_level=0, off_level=0)
    dips = Setting(unit="counts", on_level=0, off_level=0, polarity=Polarity.DARK_ON)
    for up, down in zip(
        counterfactual(recording, truth, base).sensors, counterfactual(mirrored, truth, dips).sensors, strict=True
    ):  # fmt: skip
        if up.margin is None:
            continue
        assert down.margin == pytest.approx(up.margin)
        assert down.clean == pytest.approx((150 - up.clean[1], 150 - up.clean[0]))


def test_levels_that_separate_do_separate() -> None:
    recording, truth = white(noise=6)
    base = Setting(unit="counts", on_level=0, off_level=0)
    for one in counterfactual(recording, truth, base, costs=Costs()).sensors:
        if one.margin is None or one.clean is None:
            continue
        seen, passes = averaged(recording, truth, one.sensor.average)
        above, up_to = one.clean
        for level, right in ((np.nextafter(above, np.inf), True), (up_to, True), (above, False)):
            setting = Setting(
                unit="counts", on_level=level, off_level=level, consecutive=one.sensor.setting.consecutive
            )
            counts = score(replay(seen, setting), passes).counts
            assert (counts.misses == 0 and counts.gaps_tripped == 0) == right, one.sensor.name


def test_the_best_setting_of_each_sensor() -> None:
    recording, truth = white(noise=25)
    base = Setting(unit="counts", on_level=0, off_level=0)
    found = by_name(counterfactual(recording, truth, base, costs=Costs(miss=2, false=1)))
    for one in found.values():
        if one.best is None:
            assert one.sensor.missing
            continue
        seen, passes = averaged(recording, truth, one.sensor.average)
        counts = score(replay(seen, one.best.setting), passes).counts
        cost = 2 * counts.lost + counts.false_trips + counts.extra
        assert one.best.cost == pytest.approx(cost / counts.scored_passes)
    assert found["matched filter"].best.cost == 0
    assert found["as it is"].best.cost > 0


@cache
def line(name: str) -> tuple[Recording, Truth]:
    return generate(load_scenario(name), 2000, seed=1)


def right_at(name: str, span: int, hysteresis: float, levels: np.ndarray, allowed: float) -> np.ndarray:
    """Return the on-levels at which at most a share of the passes is lost and as few trip or count twice."""
    recording, truth = line(name)
    seen, passes = averaged(recording, truth, span) if span > 1 else (recording, truth)
    base = Setting(unit=recording.info.unit, on_level=0, off_level=0)
    found: Surface = surface(seen, passes, base, levels=np.unique(np.concatenate((levels, levels - hysteresis))))
    on, off = (np.searchsorted(found.levels, x) for x in (levels, levels - hysteresis))
    wrong = (found.lost + found.false_trips + found.extra)[on, off]
    return levels[wrong <= allowed * 2000]


def test_average_over_a_flicker_opens_a_window() -> None:
    """Weak signal under lamps, hysteresis 0.3: raw no level is right; a 10 ms average 5.5 … 7.7.

    Source: simulations with an independent generator of the same signal model. 8 ms leave a part of it.
    """
    levels = np.round(np.arange(4, 12, 0.1), 2)
    assert right_at("flickering-lamps", 1, 0.3, levels, 0).size == 0
    ten = right_at("flickering-lamps", 10, 0.3, levels, 0)
    assert (ten.min(), ten.max()) == pytest.approx((5.5, 7.7), abs=0.2)
    eight = right_at("flickering-lamps", 8, 0.3, levels, 0)
    assert 0 < eight.size < 0.6 * ten.size


def test_average_along_the_belt_opens_a_window() -> None:
    """Black trays on dark texture: 60 mm of average lose under 0.03 % anywhere in 9.5 … 10.8, the raw light nowhere.

    Source: as above; the raw light had one level of its grid there, with a wider hysteresis.
    """
    levels = np.round(np.arange(8, 13, 0.1), 2)
    assert right_at("black-trays", 1, 0.3, levels, 0.0003).size == 0
    averaged_levels = right_at("black-trays", 150, 0.3, levels, 0.0003)
    assert set(np.round(np.arange(9.6, 10.75, 0.1), 2)) <= set(averaged_levels)


def test_refusals_and_what_cannot_be_told() -> None:
    recording, truth = white()
    base = Setting(unit="counts", on_level=0, off_level=0)
    with pytest.raises(ParameterError, match="mains-hz must be a finite number above 0"):
        sensors(recording, truth, base, mains_hz=0)
    with pytest.raises(TruthError, match="needs passes to be detected"):
        sensors(recording, Truth.from_arrays([], []), base)
    slow = Setting(unit="counts", on_level=0, off_level=0, evaluation_rate_hz=90)
    found = by_name(counterfactual(recording, truth, slow))["average over one flicker of 50 Hz mains"]
    assert "too slowly" in found.sensor.missing
    still = Recording.from_array(np.where(recording.light[:] > 75, 9.0, 1.0), recording.info)
    assert counterfactual(still, truth, base).sensors[0].margin is None


@pytest.mark.parametrize(
    "start",
    # One pass between two gaps, one gap between two pairs of passes, and a gap that is one evaluation long.
    [[40], [0, 20, 60, 80], [0, 20, 41, 61]],
)
def test_one_pass_one_gap_and_one_evaluation_are_enough_to_compare(start: list[int]) -> None:
    light = np.full(max(start) + 20 + 60 * (len(start) == 1), 10.0)
    for a in start:
        light[a : a + 20] = 60.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    truth = Truth.from_arrays(start, np.array(start) + 20)
    found = counterfactual(recording, truth, Setting(unit="mV", on_level=40.0, off_level=30.0)).sensors[0]
    assert (found.objects, found.background, found.clean, found.sensor.missing) == (60.0, 10.0, (10.0, 60.0), "")


@pytest.mark.parametrize("rise", [True, False])
@pytest.mark.parametrize("seed", range(8))
def test_levels_that_separate_with_a_filter_and_a_delay_together(
    seed: int, rise: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flash of 4 evaluations comes through a filter of 3 and a delay of 3; the sum of both, 6, did not count it."""
    rng = np.random.default_rng(seed)
    start = 40 + 60 * np.arange(12)
    light = 20 + rng.normal(0, 1, int(start[-1]) + 60)
    for k, a in enumerate(start.tolist()):
        light[a : a + 20] += rng.uniform(60, 100)
        light[a + 8 : a + 8 + int(rng.integers(0, 3))] -= 50
        long = int(rng.integers(3, 6)) if k % 3 == 0 else 2
        light[a + 35 : a + 35 + long] += rng.uniform(20, 50)
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction="rise" if rise else "dip")
    recording = Recording.from_array(light if rise else 200 - light, info)
    truth = Truth.from_arrays(start, start + 20)
    polarity = Polarity.LIGHT_ON if rise else Polarity.DARK_ON
    base = Setting(unit="counts", on_level=0, off_level=0, on_delay_ms=3, polarity=polarity)
    replayed: list[Setting] = []

    def noted(one: Recording, by: Setting) -> object:
        replayed.append(by)
        return replay(one, by)

    monkeypatch.setattr("teachlab.questions.counterfactual.margin.replay", noted)
    found = by_name(counterfactual(recording, truth, base))["filter of three evaluations"]
    setting = found.sensor.setting
    # Of about 100 halvings down to neighbouring numbers, most had no light between them.
    assert len(replayed) <= 30
    # Where light has more levels than are held, the range is halved further.
    monkeypatch.setattr("teachlab.questions.counterfactual.margin.HALVINGS", 2)
    monkeypatch.setattr("teachlab.questions.counterfactual.margin.MOST_WITHIN", 3)
    assert by_name(counterfactual(recording, truth, base))["filter of three evaluations"].clean == found.clean

    def works(level: float) -> bool:
        n = score(replay(recording, replace(setting, on_level=level, off_level=level)), truth).counts
        return n.lost == 0 and n.gaps_tripped == 0

    levels = np.unique(recording.light[:])
    good = [float(level) for level in levels if works(float(level))]
    assert found.clean is not None
    above, up_to = found.clean
    assert good == [level for level in levels if above < level <= up_to]
    assert works(float(np.nextafter(above, np.inf)))
    assert not works(above)
    assert not works(float(np.nextafter(up_to, np.inf)))


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize(("consecutive", "delay"), [(3, 0.0), (1, 3.0), (3, 3.0)])
def test_levels_that_separate_do_where_passes_bounce_at_their_ends(seed: int, consecutive: int, delay: float) -> None:
    """A bounce that begins before a gap and lasts into it switches there; where none is clean, no level works."""
    rng = np.random.default_rng(seed)
    start = 40 + 60 * np.arange(14)
    light = 20 + rng.normal(0, rng.choice([0.5, 2]), int(start[-1]) + 60)
    for a in start.tolist():
        height = rng.uniform(50, 100)
        light[a : a + 18] += height
        bounce = a + 18 + int(rng.integers(3, 8))
        light[bounce : bounce + int(rng.integers(1, 5))] += height * rng.uniform(0.3, 0.9)
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="counts", direction="rise"))
    truth = Truth.from_arrays(start, start + 18, uncertainty_samples=3)
    setting = Setting(unit="counts", on_level=0, off_level=0, consecutive=consecutive, on_delay_ms=delay)
    found = counterfactual(recording, truth, setting).sensors[0]

    def works(level: float) -> bool:
        counts = score(replay(recording, replace(setting, on_level=level, off_level=level)), truth).counts
        return counts.lost == counts.false_trips == 0

    # The strongest noise lies below 30, where every level trips.
    levels = np.unique(light[light > 30]).tolist()
    above, up_to = found.clean or (np.inf, -np.inf)
    assert [level for level in levels if works(level)] == [level for level in levels if above < level <= up_to]


def test_what_the_pass_before_left_active_is_not_seen_of_a_pass_that_touches_it() -> None:
    """Two in a row and 3 ms more: what is active up to evaluation 124 belongs to the pass that ended at 120."""
    start = np.array([100, 120, *range(200, 1000, 100)])
    light = np.tile([9.0, 10.0], 550)
    for a in start:
        light[a : a + 20] = 60.0
    light[123:140] = 30.0
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000.0, unit="mV"))
    used = Setting(unit="mV", on_level=20.0, off_level=20.0, consecutive=2, on_delay_ms=3.0)
    found = counterfactual(recording, Truth.from_arrays(start, start + 20), used).sensors[0]
    assert found.clean == (10.0, 30.0)
