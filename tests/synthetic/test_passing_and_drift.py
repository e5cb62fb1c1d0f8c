"""Flutter, slow running, passers-by, daylight, bent fibres and the controller, each against its own formula."""

import math

import numpy as np
import pytest
from synthetic.plain_line import FAR

from teachlab.synthetic import Recipe, explain, generate, plan
from teachlab.synthetic.line import motion_of
from teachlab.synthetic.product.motion import Halt

ENDLESS = {"lead_in_mm": 0, "gap_mm": 10}
STEP = 100 / 2**16


def web(**flutter):
    return {"label": "web", "length_mm": 1e7, "level_percent": 40, "flutter": flutter}


@pytest.mark.parametrize("rate", [1000, 20_000])
def test_random_flutter_forgets_itself_at_its_corner(line, light, rate):
    """Spread, and correlation exp(−2π f τ); at 20 kHz the movement is interpolated between nodes."""
    kind = web(shape="random", depth=0.1, frequency_hz=8)
    x = light(line(sensor={"sample_rate_hz": rate}, object=[kind], line=ENDLESS), 10 * rate * 65)[rate:] - 40
    independent = 640 * math.pi * 8
    assert x.std() == pytest.approx(4, rel=4 / math.sqrt(independent) + 0.01)
    for tau in (0.01, 0.02, 0.05):
        lag = round(tau * rate)
        measured = np.mean(x[:-lag] * x[lag:]) / np.mean(x * x)
        assert measured == pytest.approx(math.exp(-2 * math.pi * 8 * tau), abs=8 / math.sqrt(independent))


def test_irregular_flutter_is_a_smooth_band_about_its_frequency(line, light):
    """Spread, nearly normal, all of its power between 0.4 and 1.6 times the frequency."""
    kind = web(shape="irregular", depth=0.1, frequency_hz=8)
    x = light(line(object=[kind], line=ENDLESS), 400_000)[200:] - 40
    # sines of frequencies that differ by less than the length can tell leave a little
    assert x.std() == pytest.approx(4, rel=0.03)
    assert np.mean(x**4) / np.mean(x**2) ** 2 == pytest.approx(3 - 1.5 / 24, abs=0.25)
    power = np.abs(np.fft.rfft(x * np.hanning(x.size))) ** 2
    hertz = np.fft.rfftfreq(x.size, 1e-3)
    assert power[(hertz > 3.1) & (hertz < 12.9)].sum() > 0.9999 * power.sum()


@pytest.mark.parametrize("gloss", [1, 10])
def test_a_tilting_web_loses_light_twice_per_period(line, light, gloss):
    kind = web(tilt_deg=20, gloss=gloss, frequency_hz=5)
    x = light(line(object=[kind], line=ENDLESS), 20_000)[200:]
    # by the plain loop over one period
    w = [math.sin(2 * math.pi * k / 200) for k in range(200)]
    expected = sorted(40 * math.cos(math.radians(20) * s) ** gloss for s in w)
    assert x.max() == pytest.approx(40, abs=0.01)
    assert x.min() == pytest.approx(40 * math.cos(math.radians(20)) ** gloss, abs=0.01)
    assert x.mean() == pytest.approx(np.mean(expected), abs=0.02)
    # five periods per second are ten losses
    turn = [abs(np.mean((x[:19_000] - x.mean()) * np.exp(-2j * np.pi * f * np.arange(19_000) / 1000))) for f in (5, 10)]
    assert turn[1] > 20 * turn[0]


def test_flutter_never_takes_more_than_all_light(line, light):
    x = light(line(object=[web(shape="random", depth=1.0, frequency_hz=8)], line=ENDLESS), 60_000)[200:]
    assert x.min() == 0
    assert 0.1 < np.mean(x == 0) < 0.22  # a normal movement below −1: 16 %


@pytest.mark.parametrize(
    ("flutter", "what"),
    [
        ({}, "exactly one of depth and tilt_deg"),
        ({"depth": 0.1, "tilt_deg": 5}, "exactly one of depth and tilt_deg"),
        ({"depth": 0.1, "gloss": 5}, "exponent of a tilt"),
    ],
)
def test_flutter_is_by_distance_or_by_tilt(line, flutter, what):
    with pytest.raises(ValueError, match=what):
        line(object=[web(frequency_hz=5, **flutter)])


@pytest.mark.parametrize("pace", [0.25, 1.5])
def test_a_line_that_slows_down_or_hurries(line, pace):
    stops = {"first_s": 2, "every_s": 1e6, "duration_s": 4, "ramp_s": 1, "pace": pace}
    scenario = line(line={"stops": stops})
    place = motion_of(scenario, 0).position_mm(np.arange(20_000.0), 1000.0)
    speed = np.diff(place)
    assert speed[:1999] == pytest.approx(np.full(1999, 0.5))
    assert speed[3001:6999] == pytest.approx(np.full(3998, 0.5 * pace))
    assert speed[2500] == pytest.approx(0.5 * (1 + pace) / 2, rel=1e-2)
    assert place[8000] == pytest.approx(500 * (2 + (1 + pace) + 4 * pace))
    truth = plan(Recipe(scenario=scenario, passes=40)).truth
    lead = 200 + 200 * np.arange(40)
    assert np.all(place[truth.start] >= lead)
    assert np.all(place[truth.start - 1] < lead)
    words = explain(scenario)
    assert f"runs at {100 * pace:g} % of its speed every 1e+06 s of running" in words


def test_passers_by_are_smooth_bumps_that_never_overlap(line, light):
    passers = {"every_s": 1.5, "duration_s": {"shape": "uniform", "low": 0.3, "high": 3}, "amplitude_percent": 8}
    x = light(line(line=FAR, interference={"passers": passers}), 1_200_000) - 10
    assert x.max() == pytest.approx(8, abs=STEP + 1e-3)
    assert x.min() >= -STEP
    there = x > 2 * STEP
    # of 1.5 + 1.65 s on average 1.65 are bump, half its height in the mean
    count = 1200 / 3.15
    assert x.mean() == pytest.approx(8 / 2 * 1.65 / 3.15, rel=4 / math.sqrt(count))
    begins = np.count_nonzero(there[1:] & ~there[:-1])
    assert begins == pytest.approx(count, abs=4 * math.sqrt(count))
    # steepest where sin² is: height · π / duration
    assert np.abs(np.diff(x)).max() <= 8 * math.pi / 300 + 2 * STEP


def test_one_bump_by_its_formula(line, light):
    passers = {"every_s": 5, "duration_s": 2, "amplitude_percent": 6}
    x = light(line(line=FAR, interference={"passers": passers}), 60_000) - 10
    begin = int(np.argmax(x > 2 * STEP)) - 10
    best = min(
        np.abs(x[begin : begin + 1900] - 6 * np.sin(np.pi * (np.arange(1900) - shift) / 2000) ** 2).max()
        for shift in np.arange(-20, 60, 0.25)
    )
    assert best < 0.02


def test_daylight_follows_the_hours_with_its_noise(line, light):
    day = {"residual_percent": 6, "shot_percent": 300}
    noise = {"thermal_percent": 0, "shot_kappa": 1e-3, "rin": 0}
    scenario = line(line=FAR, sensor={"noise": noise}, drift={"days_per_hour": 15, "daylight": day})
    # a day in 240 s
    x = light(scenario, 240_000).reshape(12, 20_000)
    bright = ((1 + np.sin(2 * np.pi * np.arange(240_000) / 240_000)) / 2).reshape(12, 20_000).mean(axis=1)
    assert x.mean(axis=1) == pytest.approx(10 + 6 * bright, abs=0.08)
    within = np.diff(x, axis=1).var(axis=1) / 2
    # differences of 20,000 samples tell a variance to sqrt(3 / 20,000): 4.5 standard errors for twelve comparisons
    assert within == pytest.approx(1e-3 * (10 + 306 * bright), rel=4.5 * math.sqrt(3 / 20_000))


def test_a_bent_fibre(line, light):
    def bent(**bend):
        return light(line(line=FAR, drift={"bend": bend}), 20_000)

    x = bent(loss=0.3, onset_s=5)
    assert x[:4900] == pytest.approx(np.full(4900, 10.0), abs=STEP)
    assert x[5100:] == pytest.approx(np.full(14_900, 7.0), abs=STEP)
    x = bent(loss=0.3, onset_s=5, period_s=4)
    t = np.arange(20_000) / 1000 - 5
    assert x == pytest.approx(np.where(t > 0, 10 - 3 * (1 - np.cos(np.pi * t / 2)) / 2, 10), abs=0.02)


def test_the_controller_is_told_and_changes_nothing(line):
    plain, read = line(), line(controller={"scan_ms": 20, "filter_ms": 3})
    assert "sure of products and gaps from 11.5 mm on only" in explain(read)
    first, second = generate(plain, 5)[0], generate(read, 5)[0]
    assert np.array_equal(first.light[0 : first.samples], second.light[0 : second.samples])
    assert "Controller scan 20 ms, input filter 3 ms." in second.info.notes


def test_a_halt_is_at_a_pass_that_a_line_can_have():
    assert Halt(at_pass=10_000_000).at_pass == 10_000_000
    with pytest.raises(ValueError, match="less than or equal to 10000000"):
        Halt(at_pass=10_000_001)
