"""Every effect of optics, line, drift and logger against its own formula."""

import math

import numpy as np
import pytest
from scipy.special import ndtr
from synthetic.plain_line import FAR

from teachlab.synthetic import Recipe, generate, plan
from teachlab.synthetic.events import EVENTS, PassSource
from teachlab.synthetic.line import motion_of
from teachlab.synthetic.shared.sample_stretch import SampleStretch
from teachlab.synthetic.shared.spread import Constant
from teachlab.synthetic.shared.streams import CHUNK, BeltTrack, Drawn, Track
from teachlab.synthetic.trouble.faults import Dropouts, missing
from teachlab.synthetic.trouble.interference import Spikes, spikes

STEP = 100 / 2**16


def first_passes(scenario, seed=0):
    return next(PassSource(scenario, seed).chunks())


def correlation(values, lag):
    centred = values - values.mean()
    return float(np.mean(centred[:-lag] * centred[lag:]) / np.mean(centred**2))


# --- belt -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("length_mm", [2.0, 20.0, 400.0])
def test_belt_texture_has_its_spread_and_correlation(line, light, length_mm):
    # 400 mm are 800 samples: the texture is then interpolated between nodes
    scenario = line(line=FAR, background={"texture": {"sd_percent": 0.7, "length_mm": length_mm}})
    x = light(scenario, 60 * 65536)
    samples_per_length = length_mm / 0.5
    loose = 4 * math.sqrt(2 * samples_per_length / x.size)
    assert x.std() == pytest.approx(0.7, rel=0.008 + loose)
    assert x.mean() == pytest.approx(10, abs=4 * 0.7 * math.sqrt(2 * samples_per_length / x.size))
    for lengths in (0.5, 1.0, 2.0):
        lag = round(lengths * samples_per_length)
        assert correlation(x, lag) == pytest.approx(math.exp(-lag / samples_per_length), abs=2 * loose + 0.01)


def test_belt_texture_lies_still_while_the_belt_stands(line, light):
    scenario = line(
        line={**FAR, "stops": {"first_s": 2, "every_s": 1e6, "duration_s": 5, "ramp_s": 0.5}},
        background={"texture": {"sd_percent": 1, "length_mm": 8}},
    )
    x = light(scenario, 12_000)
    assert np.ptp(x[2510:7490]) <= STEP
    assert np.ptp(x[:2000]) > 2


def test_seam_comes_once_per_revolution(line, light):
    mark = {"every_mm": 1000, "first_mm": 300, "amplitude_percent": 9, "size_mm": 12}
    x = light(line(line=FAR, background={"marks": [mark]}), 20_000)
    peaks = np.flatnonzero(x > 18.99)
    assert np.unique(np.round(peaks * 0.5, -1)).tolist() == [300.0 + 1000 * k for k in range(10)]
    u = np.arange(20_000) * 0.5
    assert x[:1400] == pytest.approx(10 + 9 * np.exp(-0.5 * ((u[:1400] - 300) / 12) ** 2), abs=STEP + 4e-5)


def test_cleat_is_a_block_smoothed_by_the_beam(line, light):
    mark = {"every_mm": 500, "first_mm": 250, "amplitude_percent": -6, "size_mm": 20, "shape": "block"}
    x = light(line(line=FAR, background={"marks": [mark]}), 1000)
    u = np.arange(1000) * 0.5 - 250
    assert x == pytest.approx(10 - 6 * (ndtr((u + 10) / 2) - ndtr((u - 10) / 2)), abs=STEP + 5e-5)


# --- objects ----------------------------------------------------------------------------------------------------


def test_an_opaque_object_is_its_fill(line, light):
    x = light(line(line={"lead_in_mm": 100, "gap_mm": 1e6}), 1000)
    u = np.arange(1000) * 0.5
    filled = ndtr((u - 100) / 2) - ndtr((u - 200) / 2)
    assert x == pytest.approx(10 * (1 - filled) + 40 * filled, abs=STEP + 3e-4)


def test_printed_blocks_are_edges_within_the_object(line, light):
    kind = {"label": "box", "length_mm": 120, "level_percent": 40, "print": {"blocks": 2, "cover": 0.5, "factor": 0.3}}
    x = light(line(line={"lead_in_mm": 100, "gap_mm": 1e6}, object=[kind]), 1000)
    u = np.arange(1000) * 0.5
    expected = np.full(1000, 10.0)
    for edge, jump in ((100, 30), (115, -28), (145, 28), (175, -28), (205, 28), (220, -30)):
        expected += jump * ndtr((u - edge) / 2)
    assert x == pytest.approx(expected, abs=STEP + 3e-4)


def test_a_transparent_object_has_two_dips_and_a_bright_middle(line, light):
    kind = {
        "label": "jar",
        "length_mm": 70,
        "transparent": {
            "edge_transmission": 0.7,
            "edge_sd_mm": 3,
            "edge_inset_mm": 3,
            "middle_transmission": 1.03,
        },
    }
    scenario = line(line={"lead_in_mm": 100, "gap_mm": 1e6}, background={"level_percent": 60}, object=[kind])
    x = light(scenario, 600)
    u = np.arange(600) * 0.5
    filled = ndtr((u - 100) / 2) - ndtr((u - 170) / 2)
    s = math.hypot(3, 2)
    expected = 60 * (1 + 0.03 * filled)
    for centre in (103, 167):
        expected *= 1 - 0.3 * 3 / s * np.exp(-0.5 * ((u - centre) / s) ** 2)
    assert x == pytest.approx(expected, abs=STEP + 3e-4)
    assert x.min() == pytest.approx(46.3, abs=0.1)
    assert x[270] == pytest.approx(61.8, abs=0.01)


@pytest.mark.parametrize(("sensing", "times"), [("through-beam", 1), ("retroreflective", 2), ("diffuse", 2)])
def test_light_that_passes_an_object_passes_it_twice_before_a_mirror(line, light, sensing, times):
    film = {"label": "film", "length_mm": 100, "transmission": 0.6}
    changes = {"line": {"lead_in_mm": 100, "gap_mm": 1e6}, "object": [film]}
    x = light(line(sensor={"sensing": sensing}, background={"level_percent": 60}, **changes), 600)
    u = np.arange(600) * 0.5
    filled = ndtr((u - 100) / 2) - ndtr((u - 200) / 2)
    assert x == pytest.approx(60 * (1 - filled + filled * 0.6**times), abs=STEP + 6e-4)
    # texture of what lies behind shines through
    texture = {"level_percent": 60, "texture": {"sd_percent": 2, "length_mm": 6}}
    textured = light(line(sensor={"sensing": sensing}, background=texture, **changes), 600)
    free = light(line(sensor={"sensing": sensing}, background=texture, line=FAR), 600)
    assert textured[250:350] == pytest.approx(free[250:350] * 0.6**times, abs=2 * STEP)


@pytest.mark.parametrize(
    ("beam", "share"),
    [
        ({"shape": "gaussian", "radius_mm": 4}, math.erf(3 / (math.sqrt(2) * 4))),
        # a strip of 3 mm in the middle of a circle of 5: two sectors and two triangles, over the circle
        ({"shape": "circular", "diameter_mm": 5}, (2 * math.asin(0.6) + 2 * 0.6 * 0.8) / math.pi),
    ],
)
def test_an_object_no_wider_than_the_beam_fills_a_share_of_it(line, light, beam, share):
    rod = {"label": "rod", "length_mm": 100, "level_percent": 50, "across_mm": 3}
    scenario = line(sensor={"beam": beam}, line={"lead_in_mm": 100, "gap_mm": 1e6}, object=[rod])
    x = light(scenario, 600)
    assert x[300] == pytest.approx(10 + 40 * share, abs=STEP + 1e-3)
    assert x[200] == pytest.approx(10 + 20 * share, abs=STEP + 1e-3)
    # before a beam pair: blocked by its share of the area, with texture and print on that share only
    rod = {"label": "rod", "length_mm": 100, "level_percent": 0, "across_mm": 3}
    scenario = line(
        sensor={"beam": beam, "sensing": "through-beam"}, background={"level_percent": 80}, object=[rod], line=FAR
    )
    scenario = scenario.model_copy(update={"line": scenario.line.model_copy(update={"lead_in_mm": 100})})
    assert light(scenario, 600)[300] == pytest.approx(80 * (1 - share), abs=STEP + 1e-3)


def test_print_and_texture_lie_on_the_filled_share(line, light):
    share = math.erf(3 / (math.sqrt(2) * 4))
    rod = {"label": "rod", "length_mm": 1e6, "level_percent": 50, "across_mm": 3}
    where = {"lead_in_mm": 0, "gap_mm": 10}
    x = light(line(object=[rod | {"texture": {"sd_percent": 4, "length_mm": 5}}], line=where), 200_000)[200:]
    assert x.std() == pytest.approx(4 * share, rel=0.04)
    rod["length_mm"] = 1e5
    x = light(line(object=[rod | {"print": {"blocks": 1, "cover": 0.5, "factor": 0.2}}], line=where), 200_000)
    assert x[100_000] == pytest.approx(10 * (1 - share) + 10 * share, abs=STEP + 1e-3)
    assert x[30_000] == pytest.approx(10 * (1 - share) + 50 * share, abs=STEP + 1e-3)


def test_what_cannot_be_tilted_or_measured_across_is_refused(line):
    box = {"label": "box", "length_mm": 100}
    with pytest.raises(ValueError, match="round beam"):
        line(sensor={"beam": {"shape": "slit", "slit_mm": 3}}, object=[box | {"level_percent": 4, "across_mm": 2}])
    with pytest.raises(ValueError, match="given by reflectance"):
        line(object=[box | {"level_percent": 4, "tilt_deg": 20}])
    with pytest.raises(ValueError, match="compares two zones"):
        line(sensor=SUPPRESSED, object=[box | {"reflectance": 0.5, "distance_mm": 100, "tilt_deg": 20}])
    with pytest.raises(ValueError, match="exactly one of"):
        line(object=[box | {"level_percent": 4, "transmission": 0.2}])
    with pytest.raises(ValueError, match="blind zone"):
        line(sensor={"reference": {"distance_mm": 1, "level_percent": 50, "peak_mm": 10}})


def test_tilt_and_blind_zone_of_objects_given_by_distance(line, light):
    def level(distance, tilt=0.0, peak=0.0):
        box = {"label": "box", "length_mm": 1e5, "reflectance": 0.45, "distance_mm": distance, "tilt_deg": tilt}
        card = {"distance_mm": 100, "level_percent": 40, "peak_mm": peak}
        return light(line(sensor={"reference": card}, object=[box], line={"lead_in_mm": 0}), 600)[300]

    assert level(100) == pytest.approx(20, abs=STEP)
    assert level(50) == pytest.approx(80, abs=STEP)
    assert level(100, tilt=60) == pytest.approx(10, abs=STEP)
    assert level(50, peak=60) == pytest.approx(80 * math.exp(-1.44 + 0.36), abs=STEP)
    assert level(10, peak=60) == pytest.approx(0, abs=STEP)


def test_touching_products_of_equal_level_leave_no_gap(line, light):
    scenario = line(line={"touching_share": 1.0, "lead_in_mm": 100})
    x = light(scenario, 5000)
    assert x[250:] == pytest.approx(np.full(4750, 40.0), abs=STEP)
    truth = plan(Recipe(scenario=scenario, passes=20)).truth
    assert np.array_equal(truth.end[:-1], truth.start[1:])


def test_tumbling_lengths(line):
    kind = {"label": "pin", "length_mm": 6, "level_percent": 40, "tumbling": {"width_mm": 2}}
    chunk = first_passes(line(object=[kind]))
    length = chunk.trail_mm - chunk.lead_mm
    # mean of |cos| and |sin| of an even angle is 2/π; the longest is the diagonal
    assert length.mean() == pytest.approx((6 + 2) * 2 / math.pi, rel=0.02)
    assert length.max() <= math.hypot(6, 2) + 1e-9
    assert length.min() >= 2 - 1e-9


def test_object_texture_keeps_its_limits_and_its_fill(line, light):
    kind = {
        "label": "pallet",
        "length_mm": 1e7,
        "level_percent": 25,
        "texture": {"sd_percent": 12, "length_mm": 15, "floor_percent": 3, "ceiling_percent": 75},
    }
    x = light(line(line={"lead_in_mm": 0, "gap_mm": 10}, object=[kind]), 600_000)[100:]
    # a normal level clipped at 3: its median stays, its lower side piles up
    assert np.median(x) == pytest.approx(25, abs=0.4)
    assert x.min() == pytest.approx(3, abs=STEP)
    assert np.mean(x <= 3 + STEP) == pytest.approx(ndtr((3 - 25) / 12), rel=0.1)
    assert np.mean(x < 37) == pytest.approx(ndtr(1), abs=0.01)


def test_wrapped_objects_leak_a_quarter_on_average(line, light):
    kind = {"label": "bale", "length_mm": 1e7, "level_percent": 5, "wrap": {"leak_percent": 40, "length_mm": 12}}
    x = light(line(line={"lead_in_mm": 0, "gap_mm": 10}, object=[kind]), 600_000)[100:] - 5
    assert x.mean() == pytest.approx(10, rel=0.03)
    assert x.max() == pytest.approx(40, abs=0.1)
    assert x.min() >= -STEP
    # sin² of an even angle: second moment 3/8 each
    assert np.mean(x**2) == pytest.approx(1600 * (3 / 8) ** 2, rel=0.05)


def test_flutter(line, light):
    kind = {"label": "web", "length_mm": 1e7, "level_percent": 40, "flutter": {"depth": 0.25, "frequency_hz": 7}}
    x = light(line(line={"lead_in_mm": 0, "gap_mm": 10}, object=[kind]), 50_000)[100:]
    assert x.std() == pytest.approx(10 / math.sqrt(2), rel=0.01)
    assert x.max() == pytest.approx(50, abs=0.02)


def test_a_glint_is_a_bump_of_its_height(line, light):
    glints = {"per_object": 0.02, "amplitude_percent": 25, "sd_mm": 2}
    kind = {"label": "box", "length_mm": 2000, "level_percent": 40, "glints": glints}
    scenario = line(line={"lead_in_mm": 0, "gap_mm": 10}, object=[kind])
    chunk = first_passes(scenario)
    place = chunk.glint_mm[0]
    last = int(place / 0.5) + 100
    x = light(scenario, last)
    u = np.arange(last) * 0.5
    near = np.abs(u - place) < 9
    assert x[near] == pytest.approx(40 + 25 * np.exp(-0.5 * ((u[near] - place) / 2) ** 2), abs=STEP + 1e-3)


SUPPRESSED = {"sensing": "background-suppressed", "suppression": {"cutoff_mm": 200, "gain_percent": 300}}


def test_a_dark_object_is_suppressed_nearer_than_a_white_one(line, light):
    """The black card reaches mid scale at 90 % of the cut-off distance of the white one."""
    suppression = {"cutoff_mm": 200, "gain_percent": 300, "white_black_share": 0.1}
    for reflectance, distance, expected in ((0.9, 200, 50), (0.06, 180, 50), (0.06, 200, 50 - 50 * np.tanh(0.6))):
        box = {"label": "box", "length_mm": 1e5, "reflectance": reflectance, "distance_mm": distance}
        scenario = line(
            sensor={"sensing": "background-suppressed", "suppression": suppression},
            object=[box],
            line={"lead_in_mm": 0},
        )
        assert light(scenario, 600)[200:] == pytest.approx(np.full(400, expected), abs=STEP)


def test_glossy_places_and_edges_mirror_the_level(line, light):
    swap = {"per_object": 1.5, "edge_share": 0.25, "sd_mm": 1.5}
    box = {"label": "box", "length_mm": 200, "level_percent": 80, "zone_swap": swap}
    scenario = line(sensor=SUPPRESSED, object=[box], background={"level_percent": 5}, line={"gap_mm": 200})
    chunk = first_passes(scenario)
    assert np.diff(chunk.glint_first).sum() == chunk.glint_mm.size
    count = np.diff(chunk.glint_first)
    # Poisson 1.5 within and two edges of a quarter each: mean 2, variance 1.5 + 2·(1/4)(3/4)
    assert count.mean() == pytest.approx(2.0, abs=0.08)
    assert count.var() == pytest.approx(1.5 + 0.375, rel=0.1)
    assert np.all(chunk.glint_percent == 100 - 2 * 80)
    one = int(np.flatnonzero(count == 1)[0])
    where = chunk.glint_mm[chunk.glint_first[one]]
    assert chunk.lead_mm[one] <= where <= chunk.trail_mm[one]
    x = light(scenario, int(chunk.trail_mm[one] / 0.5) + 200)
    if chunk.lead_mm[one] + 20 < where < chunk.trail_mm[one] - 20:
        assert x[round(where / 0.5)] == pytest.approx(20, abs=1.0)
    plain = line(
        sensor=SUPPRESSED,
        object=[{k: v for k, v in box.items() if k != "zone_swap"}],
        background={"level_percent": 5},
        line={"gap_mm": 200},
    )
    apart = np.abs(np.arange(50_000)[:, None] * 0.5 - chunk.glint_mm[chunk.glint_mm < 25_100]).min(axis=1)
    change = light(scenario, 50_000) - light(plain, 50_000)
    assert np.all(change[apart > 5 * 1.5] == 0)
    assert change[apart < 0.5].max() < -40


def test_film_before_a_beam_pair_varies_with_texture_print_and_flutter(line, light):
    """What a transparent object does to the light is varied about the light that its middle lets pass."""
    beam = {"sensing": "through-beam", "direction": "dip"}
    clear = {"edge_transmission": 1.0, "edge_sd_mm": 1, "edge_inset_mm": 0, "middle_transmission": 0.8}
    film = {"label": "film", "length_mm": 1e6, "transparent": clear}

    def seen(**effect):
        scenario = line(
            sensor=beam, object=[film | effect], background={"level_percent": 60}, line={"lead_in_mm": 0, "gap_mm": 10}
        )
        return light(scenario, 200_000)[200:]

    assert seen() == pytest.approx(np.full(199_800, 48.0), abs=STEP)
    x = seen(texture={"sd_percent": 3, "length_mm": 5})
    assert x.mean() == pytest.approx(48, abs=0.2)
    assert x.std() == pytest.approx(3, rel=0.04)
    x = seen(flutter={"depth": 0.25, "frequency_hz": 5})
    assert (x.min(), x.max()) == pytest.approx((36, 60), abs=0.02)
    x = seen(print={"blocks": 1, "cover": 0.5, "factor": 0.5}, length_mm=1e5)
    # printed from 25 to 75 m of 100 m, at half a millimetre per sample
    assert x[60_000] == pytest.approx(24, abs=STEP)
    assert x[30_000] == pytest.approx(48, abs=STEP)


def test_film_that_leaks_past_an_analyser_is_refused_before_a_beam_pair(line):
    film = {"label": "film", "length_mm": 60, "level_percent": 20, "wrap": {"leak_percent": 30, "length_mm": 12}}
    with pytest.raises(ValueError, match="crossed analyser"):
        line(sensor={"sensing": "through-beam"}, object=[film])


def test_zone_swap_is_refused_without_two_zones(line):
    box = {"label": "box", "length_mm": 200, "level_percent": 80, "zone_swap": {"sd_mm": 1}}
    with pytest.raises(ValueError, match="receiver zones"):
        line(object=[box])


def test_kinds_come_in_their_shares_and_lots(line):
    kinds = [{"label": n, "share": s, "length_mm": 50, "level_percent": 20} for n, s in (("a", 6), ("b", 3), ("c", 1))]
    chunk = first_passes(line(object=kinds))
    assert np.bincount(chunk.kind) / EVENTS == pytest.approx([0.6, 0.3, 0.1], abs=0.03)
    lots = first_passes(line(object=kinds, line={"lot_passes": 4}))
    assert np.all(lots.kind.reshape(-1, 4) == lots.kind.reshape(-1, 4)[:, :1])
    assert np.bincount(lots.kind) / EVENTS == pytest.approx([0.6, 0.3, 0.1], abs=0.06)


def test_level_differs_from_lot_to_lot(line):
    chunk = first_passes(line(line={"lot_passes": 2, "lot_level_cv": 0.2}))
    by_lot = chunk.level.reshape(-1, 2)
    assert np.array_equal(by_lot[:, 0], by_lot[:, 1])
    assert by_lot[:, 0].std() / by_lot[:, 0].mean() == pytest.approx(0.2, rel=0.08)
    assert np.median(by_lot[:, 0]) == pytest.approx(40, rel=0.02)


def test_gaps_have_their_floor(line):
    gap = {"shape": "normal", "mean": 10, "sd": 2, "floor": 8}
    chunk = first_passes(line(line={"gap_mm": gap, "touching_share": 0.1}))
    apart = chunk.lead_mm[1:] - chunk.trail_mm[:-1]
    assert np.mean(apart < 1e-9) == pytest.approx(0.1, abs=0.02)
    real = apart[apart > 1e-9]
    assert real.min() == pytest.approx(8)
    assert np.mean(real < 8 + 1e-9) == pytest.approx(ndtr(-1), abs=0.02)
    assert np.mean(real < 10) == pytest.approx(0.5, abs=0.03)


# --- motion -----------------------------------------------------------------------------------------------------


def test_wander_has_its_spread(line):
    scenario = line(line={"wander": {"share": 0.02, "period_s": 50}})
    place = motion_of(scenario, 3).position_mm(np.arange(2_000_000.0), 1000.0)
    speed = np.diff(place) * 1000
    assert speed.mean() == pytest.approx(500, rel=2e-3)
    assert speed.std() / 500 == pytest.approx(0.02, rel=0.03)
    assert place[0] == 0
    assert speed.min() > 0


def test_a_stop_takes_the_time_it_says(line):
    stops = {"first_s": 2, "every_s": 1e6, "duration_s": 5, "ramp_s": 0.5}
    place = motion_of(line(line={"stops": stops}), 0).position_mm(np.arange(20_000.0), 1000.0)
    assert place[2000] == pytest.approx(1000)
    # half a ramp of travel, then nothing for five seconds, then half a ramp
    assert place[2500] == pytest.approx(1000 + 0.25 * 500)
    assert place[7500] == pytest.approx(1125)
    assert place[8000] == pytest.approx(1250)
    assert place[10_000] == pytest.approx(1250 + 1000)
    assert np.all(np.diff(place) >= 0)


def test_stops_come_as_often_as_they_say(line):
    stops = {"every_s": 20, "duration_s": 3, "ramp_s": 0.5}
    place = motion_of(line(line={"stops": stops}), 0).position_mm(np.arange(8_000_000) * 1.0, 1000.0)
    # of 20 + 0.5 + 3 + 0.5 s the line loses 3.5
    assert place[-1] / 500 / 8000 == pytest.approx(20.5 / 24, rel=0.03)


def test_a_halt_rests_with_its_product_in_the_beam(line, light):
    halts = [
        {"at_pass": 3, "place": 0.5, "duration_s": 5, "ramp_s": 0.2},
        {"at_pass": 2, "place": 1.5, "duration_s": 2, "ramp_s": 0},
    ]
    free, halted = line(), line(line={"halts": halts})
    lead, trail = PassSource(halted, 0).edges(3)
    place = motion_of(halted, 0).position_mm(np.arange(20_000.0), 1000.0)
    assert np.all(np.diff(place) >= -1e-9)
    at_rest = {
        lead[2] + 0.5 * 100: 5000,
        trail[1] + 0.5 * 100: 2000,
    }
    for where, samples in at_rest.items():
        assert np.count_nonzero(np.abs(place - where) < 1e-6) == pytest.approx(samples, abs=2)
    # the line is late by the rest and by half of each ramp
    late = np.diff(plan(Recipe(scenario=halted, passes=5)).truth.start) - np.diff(
        plan(Recipe(scenario=free, passes=5)).truth.start
    )
    assert late.tolist() == pytest.approx([0, 2000, 5200, 0], abs=1)
    x = light(halted, 12_000)
    truth = plan(Recipe(scenario=halted, passes=5)).truth
    assert truth.end[2] - truth.start[2] == pytest.approx(200 + 5200, abs=2)
    assert np.all(x[truth.start[2] + 20 : truth.end[2] - 20] == pytest.approx(40, abs=STEP))


def test_halts_too_close_for_their_ramps_still_rest_in_order(line):
    halts = [{"at_pass": 1, "place": p, "duration_s": 1, "ramp_s": 3} for p in (0.2, 0.3)]
    place = motion_of(line(line={"halts": halts}), 0).position_mm(np.arange(30_000.0), 1000.0)
    assert np.all(np.diff(place) >= -1e-9)
    assert np.count_nonzero(np.diff(place) < 1e-6) > 1900


def test_truth_follows_an_uneven_line(line, light):
    scenario = line(line={"wander": {"share": 0.05, "period_s": 7}, "stops": {"every_s": 8, "duration_s": 1}})
    truth = plan(Recipe(scenario=scenario, passes=200, seed=2)).truth
    x = light(scenario, int(truth.end[-1]) + 1, seed=2)
    assert np.all(x[truth.start] >= 25 - 0.01)
    assert np.all(x[truth.start - 1] <= 25)
    assert np.all(x[truth.end] <= 25 + 0.01)


# --- gain, front end, drift -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("sensing", "crossings"), [("diffuse", 2), ("retroreflective", 4), ("through-beam", 2)])
def test_dirt_acts_on_light_and_background_and_scatters_back(line, light, sensing, crossings):
    drift = {"days_per_hour": 3600 / 100, "dirt": {"loss_per_day": 0.02, "pedestal_percent": 5}}
    scenario = line(sensor={"sensing": sensing}, line=FAR, drift=drift)
    x = light(scenario, 30_000)
    window = np.exp(-0.02 * np.arange(30_000) / 1000 / 100)
    assert x == pytest.approx(10 * window**crossings + 5 * (1 - window), abs=STEP + 1e-4)


def test_linear_dirt(line, light):
    drift = {"start_day": 10, "dirt": {"loss_per_day": 0.02, "shape": "linear", "crossings": 1}}
    assert light(line(line=FAR, drift=drift), 100) == pytest.approx(np.full(100, 8.0), abs=STEP + 1e-4)


def test_ageing_temperature_and_misalignment(line, light):
    """What test_switched_off_keys.py does not tell: other hours and days."""

    def level(**drift):
        return light(line(line=FAR, drift=drift), 10)[0]

    assert level(start_day=1000, ageing={"loss_per_kilohour": 0.01}) == pytest.approx(10 * (1 - 0.24), abs=STEP)
    swing = {"coefficient_per_k": -0.01, "daily_swing_k": 10}
    assert level(start_day=0.75, temperature=swing) == pytest.approx(11, abs=STEP)
    warm = {"coefficient_per_k": -0.01, "warm_up_k": 20, "warm_up_min": 15}
    assert level(start_day=15 / 1440, temperature=warm) == pytest.approx(10 * (1 + 0.2 / math.e), abs=2 * STEP)
    knock = {"field_radius_mm": 10, "knock_day": 3, "knock_mm": 5}
    assert level(start_day=2.9, misalignment=knock) == pytest.approx(10, abs=STEP)


def test_splashes_only_take_light_away(line, light):
    drift = {"days_per_hour": 3600, "splashes": {"every_day": 5, "loss": 0.1}}
    x = light(line(line=FAR, drift=drift), 60_000)
    days = 60.0
    lost = math.log(x[-1] / 10) / math.log(0.9)
    assert lost == pytest.approx(round(lost), abs=0.01)
    assert lost == pytest.approx(days / 5, abs=4 * math.sqrt(days / 5))
    assert np.all(np.diff(x) <= STEP)


def test_condensation_takes_light_and_adds_a_pedestal(line, light):
    dew = {"onset_s": 5, "duration_s": 20, "ramp_s": 5, "loss": 0.4, "pedestal_percent": 3}
    x = light(line(line=FAR, drift={"condensation": dew}), 40_000)
    assert x[:5000] == pytest.approx(np.full(5000, 10.0), abs=STEP)
    assert x[10_100:19_900] == pytest.approx(np.full(9800, 10 * 0.6 + 3), abs=STEP + 1e-4)
    assert x[7500] == pytest.approx(10 * 0.8 + 1.5, abs=0.02)
    assert x[26_000:] == pytest.approx(np.full(14_000, 10.0), abs=STEP)


def test_the_shot_noise_of_a_lamp_flickers_with_its_light(line, light):
    """σ² = thermal² + κ·(x + E(t)), E = 400 (1 + 0.6 cos θ + 0.2 cos(2θ + 90°)), in step with the residual."""
    lamp = {
        "first_percent": 2,
        "shot_percent": 400,
        "modulation": 0.6,
        "second_modulation": 0.2,
        "second_phase_deg": 90,
        "mains_hz": 50,
    }
    noise = {"thermal_percent": 0.1, "shot_kappa": 1e-3}
    scenario = line(line=FAR, sensor={"noise": noise, "bits": 16}, interference={"lamp": lamp})
    quiet = line(line=FAR, interference={"lamp": lamp | {"shot_percent": 0}})
    # 100 Hz at 1000 per second: ten phases, each seen 40 000 times
    x, clean = (light(s, 400_000).reshape(-1, 10) for s in (scenario, quiet))
    theta = (
        np.angle(np.mean((clean[0] - 10) * np.exp(-2j * np.pi * np.arange(10) / 10))) + 2 * np.pi * np.arange(10) / 10
    )
    light_there = 400 * (1 + 0.6 * np.cos(theta) + 0.2 * np.cos(2 * theta + np.pi / 2))
    expected = 0.1**2 + 1e-3 * (clean[0] + light_there)
    # standard error of a variance of 40 000: 0.7 %
    assert x.var(axis=0) == pytest.approx(expected, rel=0.035)


def test_the_front_end_delays_and_rounds_edges(line, light):
    sharp = line(sensor={"beam": {"shape": "slit", "slit_mm": 0.001}}, line={"lead_in_mm": 100.25})
    slow = line(
        sensor={"beam": {"shape": "slit", "slit_mm": 0.001}, "front_end": {"time_constant_us": 10_000}},
        line={"lead_in_mm": 100.25},
    )
    fast, late = light(sharp, 400), light(slow, 400)
    edge = int(np.argmax(fast > 25))
    k = np.arange(0, 100)
    assert late[edge : edge + 100] == pytest.approx(10 + 30 * (1 - np.exp(-(k + 1) / 10)), abs=STEP + 1e-4)


# --- recording faults -------------------------------------------------------------------------------------------


def test_dropouts_have_their_share_and_runs(line):
    scenario = line(faults={"dropouts": {"share": 0.02, "longest": 20}})
    recording, _ = generate(scenario, 3000, seed=1)
    gone = np.isnan(recording.light[0 : recording.samples])
    assert gone.mean() == pytest.approx(0.02, rel=0.08)
    edges = np.diff(np.concatenate([[0], gone.astype(int), [0]]))
    runs = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    assert runs.mean() == pytest.approx(10.5, rel=0.1)


def test_a_dropout_or_spike_runs_on_where_the_next_chunk_begins():
    """The first sample of a chunk is lost as often as any other: runs that began before reach into it."""
    dropouts = Dropouts(share=0.3, longest=5000)
    first = np.array([missing(dropouts, 1, k)[0] for k in range(1, 301)])
    # binomial spread of 300 chunks: sd 0.026
    assert first.mean() == pytest.approx(0.3, abs=0.08)
    config = Spikes(per_second=20, amplitude_percent=Constant(value=5.0), longest=100)
    stretches = (SampleStretch(k, 1, 1000.0, np.zeros(CHUNK)) for k in range(1, 301))
    hit = np.array([spikes(config, s)[0] != 0 for s in stretches])
    # 20 spikes of 50.5 samples on average in 1000 samples; spikes of opposite sign cancel now and then
    assert hit.mean() == pytest.approx(1 - np.exp(-20 * 50.5 / 1000), abs=0.12)


def test_dropouts_of_counts_are_invalid_samples(line):
    scenario = line(sensor={"unit": "counts"}, faults={"dropouts": {"share": 0.02}})
    recording, _ = generate(scenario, 500, seed=1)
    block = recording.read(0, recording.samples)
    assert block.light.dtype == np.uint16
    assert block.invalid.mean() == pytest.approx(0.02, rel=0.2)


def test_duplicated_rows_move_the_truth_with_them(line):
    clean, before = generate(line(), 300, seed=1)
    faulty, after = generate(line(faults={"duplicates_per_million": 3000}), 300, seed=1)
    extra = faulty.samples - clean.samples
    assert extra == pytest.approx(0.003 * clean.samples, rel=0.25)
    a, b = clean.light[0 : clean.samples], faulty.light[0 : faulty.samples]
    assert np.array_equal(a[before.start], b[after.start])
    assert np.array_equal(a[before.end - 1], b[after.end - 1])
    assert after.start[-1] > before.start[-1]


def test_a_clipped_and_a_coarse_logger(line, light):
    assert light(line(line={"lead_in_mm": 0}, faults={"logger_ceiling_percent": 30}), 1000).max() == pytest.approx(
        30, abs=STEP
    )
    levels = np.unique(light(line(faults={"logger_bits": 4}), 2000))
    assert np.diff(levels) == pytest.approx(np.diff(levels).round(1), abs=0.1)
    assert np.diff(levels).min() >= 100 / 15 - 2 * STEP


# --- streams ----------------------------------------------------------------------------------------------------


def test_a_track_may_be_asked_for_in_any_order():
    forward = Track(3, "x", 0.98)
    chunks = [forward.chunk(k) for k in range(3)]
    assert np.array_equal(Track(3, "x", 0.98).chunk(2), chunks[2])
    joint = np.concatenate(chunks)
    # no seam where chunks meet
    assert correlation(joint, 1) == pytest.approx(0.98, abs=0.002)
    across = [joint[65536 * k] - 0.98 * joint[65536 * k - 1] for k in (1, 2)]
    assert np.abs(across).max() < 5 * math.sqrt(1 - 0.98**2)


def test_belt_tracks_agree_whether_even_or_not():
    place = np.arange(65536.0) * 0.5
    even = BeltTrack(1, "x", 8.0, 0.5, uniform=True).at(0, place)
    uneven = BeltTrack(1, "x", 8.0, 0.5, uniform=False).at(0, place)
    assert uneven == pytest.approx(even, abs=1e-6)


def test_drawn_values_do_not_depend_on_the_range_asked_for():
    drawn = Drawn(5, "x", lambda rng, n: rng.random(n))
    whole = drawn.take(0, 3 * EVENTS)
    assert np.array_equal(drawn.take(EVENTS - 7, 2 * EVENTS + 5), whole[EVENTS - 7 : 2 * EVENTS + 5])
    assert drawn.take(9, 9).size == 0
