"""Light and noise of the generator against published figures."""

import itertools
import math

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.special import erf
from synthetic import plain_line

from teachlab.synthetic import Scenario
from teachlab.synthetic.sensor.beam import CircularBeam, GaussianBeam, SlitBeam
from teachlab.synthetic.sensor.electronics import FrontEnd, LowPass, quantise
from teachlab.synthetic.sensor.received_power import (
    diffuse_w,
    fibre_coupling,
    johnson_noise_v,
    level_against_reference,
    overlap,
    polarised_leak,
    retroreflective_w,
    shot_kappa,
    shot_noise_a,
    suppressed_level,
    thermal_percent,
    through_beam_w,
)
from teachlab.synthetic.shared.spread import Lognormal, Normal, Pareto, Uniform


def flat(level, noise, **more):
    """A line on which no object comes."""
    silent = {"sensor": {"noise": noise}, "line": plain_line.FAR, "background": {"level_percent": level}}
    return plain_line.tables(**silent, **more)


# source: inverse-square law (any text on photometry); two-way path to a small target falls with the fourth power
@pytest.mark.parametrize(("times", "one_way", "two_way"), [(2, 1 / 4, 1 / 16), (3, 1 / 9, 1 / 81), (10, 1e-2, 1e-4)])
def test_inverse_square_law(times, one_way, two_way):
    def direct(d):
        return through_beam_w(1.0, receiver_mm2=50, beam_sr=0.01, distance_mm=d)

    def large(d):
        return diffuse_w(1.0, reflectance=0.9, receiver_mm2=50, distance_mm=d)

    def small(d):
        return diffuse_w(1.0, reflectance=0.9, receiver_mm2=50, distance_mm=d, spot_share=(100 / d) ** 2)

    assert direct(100 * times) / direct(100) == pytest.approx(one_way, rel=1e-12)
    assert large(100 * times) / large(100) == pytest.approx(one_way, rel=1e-12)
    assert small(100 * times) / small(100) == pytest.approx(two_way, rel=1e-12)


# source: geometry of a cone of light between two equal circles; tan 30° = 0.57735
@pytest.mark.parametrize(
    ("core", "gap", "share"), [(1.0, 0.0, 1.0), (1.0, 0.5 / 0.57735, 0.25), (0.5, 2 * 0.25 / 0.57735, 1 / 9)]
)
def test_light_between_two_fibres(core, gap, share):
    assert fibre_coupling(gap, core_mm=core) == pytest.approx(share, rel=1e-5)
    # a numerical aperture of 0.5 is a half-angle of 30 degrees; far out it falls with the square of the gap
    angle = math.degrees(math.asin(0.5))
    far = [fibre_coupling(d, core_mm=core, half_angle_deg=angle) for d in (1000.0, 2000.0)]
    assert far[0] / far[1] == pytest.approx(4, rel=2e-3)


def test_a_bundle_sees_most_at_its_peak_and_falls_with_the_square():
    # by search over all distances, apart from the formula's own derivation
    distances = np.linspace(0.05, 200, 400_000)
    light = np.array([overlap(d, peak_mm=2.0) for d in distances[:20_000]]) / distances[:20_000] ** 2
    assert distances[np.argmax(light)] == pytest.approx(2.0, abs=1e-3)
    assert overlap(0.2, peak_mm=2.0) < 1e-40
    far = [
        level_against_reference(50, reflectance=0.9, distance_mm=d, reference_distance_mm=5, peak_mm=2.0)
        for d in (100, 200)
    ]
    assert far[0] / far[1] == pytest.approx(4, rel=1e-3)


def test_reflector_over_and_under_filled():
    # source: solid angles; an over-filled reflector loses 1/d² each way, an under-filled one only on the way back
    def received(d, size):
        return retroreflective_w(
            1.0, reflector_efficiency=0.3, reflector_mm2=size, receiver_mm2=50, beam_sr=0.01, return_sr=0.01,
            distance_mm=d,
        )  # fmt: skip

    assert received(2000, 100) / received(1000, 100) == pytest.approx(1 / 16)
    assert received(2000, 1e9) / received(1000, 1e9) == pytest.approx(1 / 4)


def test_lambertian_return():
    # source: L = ρE/π (Lambert): ρ = 0.9 at 1000 lx gives 286.4789 cd/m². Per unit area and solid angle the power
    # returned is ρ/π times the power received.
    per_steradian = diffuse_w(1000.0, reflectance=0.9, receiver_mm2=1.0, distance_mm=1.0)
    assert per_steradian == pytest.approx(286.4789, abs=5e-5)
    tilted = diffuse_w(1000.0, reflectance=0.9, receiver_mm2=1.0, distance_mm=1.0, tilt_deg=60)
    assert tilted / per_steradian == pytest.approx(0.5)


# source: photographic grey card of 18 % with a white back of 90 % (FADGI glossary, digitizationguidelines.gov)
@pytest.mark.parametrize(("reflectance", "ratio"), [(0.18, 5), (0.06, 15), (0.9, 1)])
def test_grey_card_against_white_card(reflectance, ratio):
    level = level_against_reference(90.0, reflectance=reflectance, distance_mm=200, reference_distance_mm=200)
    assert 90.0 / level == pytest.approx(ratio)


def test_grey_card_in_the_generated_light():
    # source: as above and the inverse-square law: an 18 % card at 1.5 times the distance, against white at 90 %
    scenario = flat(0, {})
    scenario["sensor"]["reference"] = {"distance_mm": 200, "level_percent": 90}
    scenario["object"] = [{"label": "card", "length_mm": 1e6, "reflectance": 0.18, "distance_mm": 300}]
    scenario["line"]["lead_in_mm"] = 0
    light = plain_line.light(scenario, 5000)
    assert light[1000:] == pytest.approx(np.full(4000, 90 / 5 / 2.25), abs=100 / 2**16)


def test_background_suppression_crosses_at_the_cut_off():
    # source: definition of the cut-off distance; monotone; darker targets cross nearer (common practice, no source)
    def at(d, reflectance=0.9):
        return suppressed_level(d, cutoff_mm=200, gain_percent=400, reflectance=reflectance, white_black_share=0.1)

    assert at(200) == pytest.approx(50)
    levels = [at(d) for d in range(100, 300, 10)]
    assert all(a > b for a, b in itertools.pairwise(levels))
    assert at(200, reflectance=0.06) < 50
    # the black card is cut off nearer by its share of the cut-off distance; one halfway between by half of it
    assert at(200 * (1 - 0.1), reflectance=0.06) == pytest.approx(50)
    assert at(200 * (1 - 0.05), reflectance=0.48) == pytest.approx(50)
    slope = (at(199.9) - at(200.1)) / 0.2
    assert slope == pytest.approx(400 / 200, rel=1e-4)


# source: Horowitz & Hill, The Art of Electronics, chapter on low-noise techniques, print 57 nA, 0.006 % and 5.6 %
@pytest.mark.parametrize(
    ("current", "bandwidth", "noise"),
    [(1.0, 1e4, 56.607e-9), (1e-6, 1e4, 56.607e-12), (1e-12, 1e4, 56.607e-15), (1e-6, 1e6, 0.566070e-9)],
)
def test_shot_noise(current, bandwidth, noise):
    assert shot_noise_a(current, bandwidth) == pytest.approx(noise, rel=1e-5)


# source: Horowitz & Hill print 1.3 µV for 10 kΩ at room temperature in 10 kHz
@pytest.mark.parametrize(
    ("ohm", "kelvin", "bandwidth", "volt"),
    [(1e3, 300, 1, 4.070355e-9), (1e3, 290, 1, 4.001941e-9), (1e4, 293.15, 1e4, 1.272379e-6)],
)
def test_johnson_noise(ohm, kelvin, bandwidth, volt):
    assert johnson_noise_v(ohm, kelvin, bandwidth) == pytest.approx(volt, rel=1e-6)


def test_shot_equals_thermal_at_the_well_known_voltage():
    # source: I·R = 2kT/q = 51.704 mV at 300 K (equating the two formulae)
    ohm = 1e5
    current = 51.704e-3 / ohm
    assert shot_noise_a(current, 1.0) == pytest.approx(johnson_noise_v(ohm, 300, 1.0) / ohm, rel=1e-5)


@pytest.mark.parametrize("level", [5.0, 40.0, 90.0])
def test_shot_noise_of_generated_light_is_poisson(level):
    # source: Poisson counting: N electrons have variance N. 1000 electrons at full scale, counted one by one.
    electrons = 1000
    rng = np.random.default_rng(11)
    counted = 100 * rng.poisson(level / 100 * electrons, 200_000) / electrons
    light = plain_line.light(flat(level, {"shot_kappa": 100 / electrons}), 200_000)
    assert light.mean() == pytest.approx(counted.mean(), abs=0.05)
    assert light.std() == pytest.approx(counted.std(), rel=0.01)


def test_noise_figures_from_physics():
    # source: Poisson, N = I·τ/q. 100 nA for 16 µs are 9.986e6 electrons: 0.0316 % of full scale at full scale
    kappa = shot_kappa(100e-9, 16e-6)
    assert kappa == pytest.approx(100 / (100e-9 * 16e-6 / 1.602176634e-19), rel=1e-12)
    assert math.sqrt(kappa * 100) == pytest.approx(100 / math.sqrt(9.986414e6), rel=1e-6)
    # source: sqrt(4kT/R·1/(2τ)) by hand: 0.0719 nA of 100 nA for 100 kΩ at 300 K
    assert thermal_percent(100e-9, 1e5, 16e-6, 300) == pytest.approx(0.07195, rel=1e-3)


def test_variances_of_all_noise_add():
    # source: variance of a sum of independent terms
    noise = {"thermal_percent": 0.3, "shot_kappa": 2e-3, "rin": 0.005}
    level, ambient = 60.0, 50.0
    more = {"interference": {"ambient": {"shot_percent": ambient}}}
    light = plain_line.light(flat(level, noise, **more), 300_000)
    expected = math.sqrt(0.3**2 + 2e-3 * (level + ambient) + (0.005 * level) ** 2)
    assert light.std() == pytest.approx(expected, rel=0.005)
    assert stats.kstest((light - light.mean()) / light.std(), "norm").statistic < 0.005


def test_coloured_noise_has_the_stated_autocorrelation():
    # source: autocorrelation of a first-order autoregression, rho^k (any text on time series)
    light = plain_line.light(flat(50, {"thermal_percent": 1, "rho": 0.7}), 300_000)
    deviates = light - light.mean()
    assert deviates.std() == pytest.approx(1.0, rel=0.01)
    for lag in (1, 2, 5):
        found = float(np.mean(deviates[:-lag] * deviates[lag:]) / np.mean(deviates**2))
        assert found == pytest.approx(0.7**lag, abs=0.01)


def test_quantisation_noise_is_a_twelfth():
    # source: IEEE 1057/1241: uniform error, 1/√12 = 0.288675 of a step
    step = 100 / 4095
    ramp = np.linspace(10, 90, 1_000_001).astype(np.float32)
    error = quantise(ramp.copy(), 4095) * step - ramp
    assert error.std() / step == pytest.approx(0.288675, rel=2e-3)
    assert np.abs(error).max() <= step / 2 * 1.001


def test_twelve_bit_sine_has_74_decibel():
    # source: IEEE 1241: 6.02·N + 1.76 dB; full-scale 12-bit sine 74.008 dB
    phase = 2 * np.pi * np.arange(1_000_003) * 0.1234567
    sine = (50 + 50 * np.sin(phase)).astype(np.float32)
    error = quantise(sine.copy(), 4095).astype(float) * (100 / 4095) - sine
    assert 20 * math.log10(sine.std() / error.std()) == pytest.approx(74.008, abs=0.05)


def test_saturation_leaves_no_noise():
    # source: definition of clipping
    light = plain_line.light(flat(160, {"thermal_percent": 1}), 20_000)
    assert light.min() == light.max() == 100.0
    assert plain_line.light(flat(0, {"thermal_percent": 1}), 20_000).min() == 0.0


# source: knife-edge width of a Gaussian beam 1.28 w (any text on laser beams); uniform disc and slit by geometry
@pytest.mark.parametrize(
    ("beam", "width"),
    [
        (GaussianBeam(radius_mm=4), 1.2816 * 4),
        (CircularBeam(shape="circular", diameter_mm=4), 0.687 * 4),
        (SlitBeam(shape="slit", slit_mm=4), 0.8 * 4),
    ],
)
def test_edge_width_from_ten_to_ninety_percent(beam, width):
    u = np.linspace(-8, 8, 160_001)
    edge = beam.edge(u)
    measured = np.interp(0.9, edge, u) - np.interp(0.1, edge, u)
    assert measured == pytest.approx(width, rel=1e-3)
    assert beam.width_mm == pytest.approx(measured, rel=1e-4)
    assert beam.edge(np.array([0.0]))[0] == pytest.approx(0.5)
    density = np.gradient(edge, u)
    assert math.sqrt(np.trapezoid(density * u**2, u)) == pytest.approx(beam.sd_mm, rel=2e-3)


def test_edges_are_integrals_of_their_profiles():
    # source: numerical integration (scipy.integrate.quad) of the printed profiles
    w, d = 3.0, 5.0
    for u in (-1.3, 0.2, 1.1):
        gauss = integrate.quad(lambda x: math.sqrt(2 / math.pi) / w * math.exp(-2 * x * x / w**2), -20, u)[0]
        assert GaussianBeam(radius_mm=w).edge(np.array([u]))[0] == pytest.approx(gauss, abs=1e-9)
        disc = integrate.quad(lambda x: 8 / (math.pi * d * d) * math.sqrt(d * d / 4 - x * x), -d / 2, u)[0]
        assert CircularBeam(shape="circular", diameter_mm=d).edge(np.array([u]))[0] == pytest.approx(disc, abs=1e-7)


# source: peak fill erf(L/(√2·w)): 0.38, 0.68, 0.87, 0.954, 0.997 (error function, scipy.special.erf)
@pytest.mark.parametrize(("ratio", "printed"), [(0.5, 0.38), (1, 0.68), (1.5, 0.87), (2, 0.954), (3, 0.997)])
def test_fill_of_an_object_narrower_than_the_beam(ratio, printed):
    w = 4.0
    before, after = GaussianBeam(radius_mm=w).edge(ratio * w * np.array([-0.5, 0.5]))
    peak = after - before
    assert peak == pytest.approx(erf(ratio / math.sqrt(2)), rel=1e-12)
    assert peak == pytest.approx(printed, abs=0.005)
    scenario = flat(0, {})
    scenario["line"] = {"speed_mm_s": 100, "lead_in_mm": 30, "gap_mm": 60}
    scenario["object"] = [{"label": "wire", "length_mm": ratio * w, "level_percent": 80}]
    assert plain_line.light(scenario, 2000).max() == pytest.approx(80 * erf(ratio / math.sqrt(2)), abs=0.02)


def test_rise_time_of_generated_edges():
    # source: knife-edge width over speed: 4 mm at 1.2 m/s take 4.3 ms
    scenario = flat(0, {})
    scenario["sensor"] |= {"sample_rate_hz": 50_000}
    scenario["line"] = {"speed_mm_s": 1200, "lead_in_mm": 60, "gap_mm": 60}
    scenario["object"] = [{"label": "box", "length_mm": 60, "level_percent": 90}]
    light = plain_line.light(scenario, 3500)
    time = np.arange(3500) / 50
    rise = np.interp(81, light, time) - np.interp(9, light, time)
    assert rise == pytest.approx(1.2816 * 4 / 1.2, rel=2e-3)
    assert rise == pytest.approx(4.3, abs=0.05)


def test_first_order_response():
    # source: first-order step response: 10–90 % in τ·ln 9 = 2.197225 τ, 50 % after τ·ln 2; a pulse of width τ reaches
    # 0.632121 (exact solutions)
    rate, tau = 1_000_000.0, 100e-6
    step = np.zeros(65536, np.float32)
    step[1000:] = 1
    time = (np.arange(65536) - 999) / rate  # the input holds from sample 1000 on
    out = LowPass(FrontEnd(time_constant_us=100), rate).apply(0, step)
    reached = {share: float(np.interp(share, out[:3000], time[:3000])) for share in (0.1, 0.5, 0.9)}
    assert (reached[0.9] - reached[0.1]) / tau == pytest.approx(2.197225, rel=1e-4)
    assert reached[0.5] / tau == pytest.approx(0.693147, rel=1e-3)
    pulse = np.zeros(65536, np.float32)
    pulse[1000:1100] = 1
    assert LowPass(FrontEnd(time_constant_us=100), rate).apply(0, pulse).max() == pytest.approx(0.632121, rel=1e-5)


# source: crossed analyser and a retarder between them, sin²(2ψ)·sin²(δ/2) (any text on polarised light)
def test_retarder_between_crossed_analysers():
    half_wave = polarised_leak(math.pi / 4, math.pi)
    assert half_wave == pytest.approx(1.0)
    assert polarised_leak(0.0, math.pi) == pytest.approx(0.0)
    assert polarised_leak(math.pi / 4, math.pi / 2) == pytest.approx(0.5)
    # Jones calculus, written out
    for psi, delta in ((0.3, 1.1), (1.0, 2.5)):
        c, s = math.cos(psi), math.sin(psi)
        rotation = np.array([[c, s], [-s, c]])
        retarder = rotation.T @ np.diag([np.exp(-0.5j * delta), np.exp(0.5j * delta)]) @ rotation
        assert polarised_leak(psi, delta) == pytest.approx(abs((retarder @ [1, 0])[1]) ** 2, rel=1e-12)


# source: moments from scipy.stats; four standard errors of 400,000 draws
@pytest.mark.parametrize(
    ("spread", "theirs"),
    [
        (Normal(shape="normal", mean=30, sd=2), stats.norm(30, 2)),
        (
            Lognormal(shape="lognormal", median=30, cv=0.35),
            stats.lognorm(s=math.sqrt(math.log(1 + 0.35**2)), scale=30),
        ),
        (Uniform(shape="uniform", low=2, high=6), stats.uniform(2, 4)),
        (Pareto(shape="pareto", minimum=8, alpha=5), stats.pareto(5, scale=8)),
    ],
)
def test_spreads_have_the_moments_of_scipy(spread, theirs):
    n = 400_000
    drawn = spread.draw(np.random.default_rng(1), n)
    mean, variance = (float(v) for v in theirs.stats("mv"))
    assert drawn.mean() == pytest.approx(mean, abs=4 * math.sqrt(variance / n))
    assert np.median(drawn) == pytest.approx(theirs.median(), rel=0.005)
    assert drawn.std() == pytest.approx(math.sqrt(variance), rel=0.02)
    assert stats.kstest(drawn, theirs.cdf).pvalue > 1e-4
    assert spread.middle == pytest.approx(theirs.median())


def test_lognormal_cv_is_sd_over_mean():
    # source: scipy.stats.lognorm
    spread = stats.lognorm(s=math.sqrt(math.log(1 + 0.15**2)), scale=30)
    assert spread.std() / spread.mean() == pytest.approx(0.15)


def test_glints_per_object_are_poisson_and_their_heights_pareto():
    # source: scipy.stats.poisson and scipy.stats.pareto
    from teachlab.synthetic.events import PassSource

    scenario = flat(10, {})
    scenario["object"][0]["glints"] = {
        "per_object": 1.5,
        "amplitude_percent": {"shape": "pareto", "minimum": 8, "alpha": 1.5},
        "sd_mm": 1.5,
    }
    chunk = next(PassSource(Scenario.model_validate(scenario), 3).chunks())
    counts = np.diff(chunk.glint_first)
    theirs = stats.poisson(1.5)
    n = counts.size
    assert counts.mean() == pytest.approx(1.5, abs=4 * math.sqrt(1.5 / n))
    assert counts.var() == pytest.approx(1.5, rel=0.1)
    found = np.bincount(counts, minlength=6)[:6] / n
    assert found == pytest.approx(theirs.pmf(np.arange(6)), abs=4 * math.sqrt(0.25 / n))
    assert stats.kstest(chunk.glint_percent, stats.pareto(1.5, scale=8).cdf).pvalue > 1e-4


# source: a pulse of width w sampled every T at random phase: P(at least m samples) = clip(w/T − m + 1, 0, 1)
@pytest.mark.parametrize(("width", "m", "share"), [(0.4, 1, 0.4), (2.5, 3, 0.5)])
def test_sampled_pulses(width, m, share):
    scenario = flat(0, {})
    scenario["sensor"]["beam"] = {"shape": "slit", "slit_mm": 0.001}
    # 1 mm per sample; the gap makes the phase wander evenly
    scenario["line"] = {"speed_mm_s": 1000, "gap_mm": {"shape": "uniform", "low": 20, "high": 21}}
    scenario["object"] = [{"label": "pin", "length_mm": width, "level_percent": 80}]
    light = plain_line.light(scenario, 400_000)
    seen = (light > 40).astype(int)
    starts = np.flatnonzero(np.diff(seen) == 1) + 1
    lengths = np.flatnonzero(np.diff(seen) == -1)[: starts.size] + 1 - starts[: np.count_nonzero(np.diff(seen) == -1)]
    objects = 400_000 / (20.5 + width)
    assert np.count_nonzero(lengths >= m) / objects == pytest.approx(share, abs=0.02)
