"""Interference of the generator: beats, aliases and hit pulses by brute force, and against formulae."""

import math

import numpy as np
import pytest
from synthetic import plain_line

from teachlab.synthetic.trouble.neighbours import GatedNeighbour, Neighbour, pulses_hit


def flat(samples, rate=1000.0, seed=0, **interference):
    """Light of a silent line on which no object comes, without its background of 10 %."""
    scenario = plain_line.line(sensor={"sample_rate_hz": rate}, line=plain_line.FAR, interference=interference)
    return plain_line.light(scenario, samples, seed) - 10


def amplitude_at(light, rate, frequency):
    """Amplitude of one frequency by projection."""
    turn = np.exp(-2j * np.pi * frequency * np.arange(light.size) / rate)
    return 2 * abs(np.mean(light * turn))


def two_trains_by_brute_force(own_us, other_us, gate_us, pulse_us, phase, pulses):
    """Overlap of half-open intervals, one by one."""
    hit = []
    for j in range(pulses):
        begin, end = j * own_us, j * own_us + gate_us
        first = math.floor((begin - pulse_us) / other_us - phase) - 1
        starts = ((k + phase) * other_us for k in range(first, first + 4 + math.ceil(gate_us / other_us)))
        hit.append(any(s < end and s + pulse_us > begin for s in starts))
    return np.array(hit)


def runs(hit):
    """Lengths of the runs of hits, those cut at the ends left out."""
    change = np.flatnonzero(np.diff(hit.astype(int)))
    if hit[0]:
        change = change[1:]
    pairs = change[: change.size // 2 * 2].reshape(-1, 2)
    return pairs[:, 1] - pairs[:, 0]


@pytest.mark.parametrize(("own", "other"), [(100, 103), (103, 100), (100, 97.3), (50, 131.7)])
def test_hit_pulses_equal_brute_force(own, other):
    # source: interval arithmetic, pulse by pulse
    config = GatedNeighbour(
        amplitude_percent=1, own_period_us=own, neighbour_period_us=other, own_gate_us=5, neighbour_pulse_us=7
    )
    for phase in (0.0137, 0.123, 0.777):  # no two borders coincide
        mine = pulses_hit(config, np.arange(2000), phase)
        assert np.array_equal(mine, two_trains_by_brute_force(own, other, 5, 7, phase, 2000))


def test_two_pulse_trains():
    # source: closed forms (w1 + w2)/T2, (w1 + w2)/|T2 − T1|, T2/|T2 − T1| and brute force: periods of 100 and 103,
    # widths of 5 give 9.7 % of the pulses, in runs of 3.3, every 34 pulses
    config = GatedNeighbour(
        amplitude_percent=1, own_period_us=100, neighbour_period_us=103, own_gate_us=5, neighbour_pulse_us=5
    )
    share, run, every = (5 + 5) / 103, (5 + 5) / 3, 103 / 3
    hit = pulses_hit(config, np.arange(50_000), 0.31)
    assert np.array_equal(hit[:2000], two_trains_by_brute_force(100, 103, 5, 5, 0.31, 2000))
    lengths = runs(hit)
    assert hit.mean() == pytest.approx(share, rel=0.01)
    assert lengths.mean() == pytest.approx(run, rel=0.02)
    assert hit.size / lengths.size == pytest.approx(every, rel=0.01)


def test_hit_pulses_in_the_generated_light():
    # source: as above, at one evaluation per own pulse of 1 ms
    light = flat(
        60_000,
        gated_neighbour={
            "amplitude_percent": 8,
            "own_period_us": 1000,
            "neighbour_period_us": 1030,
            "own_gate_us": 50,
            "neighbour_pulse_us": 50,
        },
    )
    hit = light > 4
    assert np.unique(np.round(light, 2)).tolist() == [0.0, 8.0]
    assert hit.mean() == pytest.approx(100 / 1030, rel=0.01)
    assert runs(hit).mean() == pytest.approx(100 / 30, rel=0.02)


@pytest.mark.parametrize("seed", [0, 1])
def test_neighbours_beat(seed):
    # source: amplitude |sinc(Δf·τ)| of a tone averaged over τ (numerical average)
    config = Neighbour(amplitude_percent=3, beat_hz=37, integration_us=9000)
    fine = np.linspace(0, 9e-3, 100_001)
    averaged = abs(np.mean(np.exp(2j * np.pi * 37 * fine)))
    assert config.residual_percent == pytest.approx(3 * averaged, rel=1e-4)
    light = flat(200_000, seed=seed, neighbour={"amplitude_percent": 3, "beat_hz": 37})
    assert amplitude_at(light, 1000, 37) == pytest.approx(3, rel=1e-3)
    assert light.std() == pytest.approx(3 / math.sqrt(2), rel=1e-3)
    assert light.max() == pytest.approx(3, abs=0.01)


def test_lamp_harmonics():
    # source: Fourier analysis of the generated light
    light = flat(
        100_000, rate=2000, lamp={"mains_hz": 60, "first_percent": 1.2, "second_percent": 0.3, "second_phase_deg": 90}
    )
    assert amplitude_at(light, 2000, 120) == pytest.approx(1.2, rel=1e-3)
    assert amplitude_at(light, 2000, 240) == pytest.approx(0.3, rel=1e-3)
    turn = np.exp(-2j * np.pi * 120 * np.arange(light.size) / 2000)
    first, second = np.angle(np.mean(light * turn)), np.angle(np.mean(light * turn**2))
    assert (second - 2 * first) % (2 * np.pi) == pytest.approx(np.pi / 2, abs=0.01)


def test_lamps_alias():
    # source: sampling theorem: 100 Hz seen 90 times per second is 10 Hz
    light = flat(100_000, rate=90, lamp={"mains_hz": 50, "first_percent": 2})
    assert amplitude_at(light, 90, 10) == pytest.approx(2, rel=1e-3)


def test_ripple_aliases_to_the_difference():
    # source: |f_b − k f_s|: 20,030 Hz seen 4,000 times per second is 30 Hz
    ripple = {"amplitude_percent": 2, "frequency_hz": 20_030, "wander_share": 0}
    assert amplitude_at(flat(200_000, rate=4000, ripple=ripple), 4000, 30) == pytest.approx(2, rel=1e-3)
    # 1 % of wander puts the alias anywhere: the same power, another frequency
    wandering = flat(200_000, rate=4000, ripple={**ripple, "wander_share": 0.01})
    assert wandering.std() == pytest.approx(2 / math.sqrt(2), rel=0.02)
    assert amplitude_at(wandering, 4000, 30) < 0.5


def test_spikes_are_poisson():
    # source: Poisson counts; four standard errors
    light = flat(2_000_000, spikes={"per_second": 0.5, "amplitude_percent": {"shape": "uniform", "low": 5, "high": 9}})
    there = np.abs(light) > 1
    begins = np.flatnonzero(np.diff(there.astype(int)) == 1)
    expected = 0.5 * 2000
    assert begins.size == pytest.approx(expected, abs=4 * math.sqrt(expected))
    assert there.sum() / begins.size == pytest.approx(2.0, rel=0.05)  # one to three, equally likely
    signs = np.sign(light[begins + 1])
    assert abs(signs.sum()) < 4 * math.sqrt(begins.size)
    waits = np.diff(begins) / 1000
    assert waits.std() / waits.mean() == pytest.approx(1.0, abs=0.12)  # exponential


def test_sun_steps_cover_their_share():
    # source: renewal theory: share = duration / (duration + quiet); ramps are straight
    light = flat(
        4_000_000,
        rate=100,
        steps={
            "every_s": 60,
            "duration_s": {"shape": "uniform", "low": 5, "high": 40},
            "amplitude_percent": {"shape": "uniform", "low": 2, "high": 9},
            "ramp_s": 1.5,
        },
    )
    there = light > 0.01
    begins = np.flatnonzero(np.diff(there.astype(int)) == 1)
    steps = 40_000 / 82.5
    assert begins.size == pytest.approx(steps, abs=4 * math.sqrt(steps))
    assert there.mean() == pytest.approx(22.5 / 82.5, rel=0.12)
    heights = np.array([light[b : b + 4000].max() for b in begins[:-1]])
    assert heights.min() >= 2 - 0.01
    assert heights.max() <= 9 + 0.01
    # half way up the ramp, 0.75 s after its beginning
    halves = np.array([light[b + 1 + 75] for b in begins[:-1]]) / np.array([light[b + 200] for b in begins[:-1]])
    assert np.median(halves) == pytest.approx(0.5, abs=0.02)


def test_strobe():
    # source: duty cycle = pulse · frequency
    light = flat(100_000, strobe={"frequency_hz": 3, "pulse_ms": 5, "amplitude_percent": 20})
    assert (light > 10).mean() == pytest.approx(0.015, rel=0.02)
    assert runs(light > 10).mean() == pytest.approx(5.0, abs=0.1)
