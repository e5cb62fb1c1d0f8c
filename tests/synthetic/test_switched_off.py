"""Every effect that a scenario can have: switched off, a named statistic of its own changes by what is stated."""

import copy
from dataclasses import dataclass

import numpy as np
import pytest
from synthetic import plain_line

from teachlab.synthetic import LineStress, Recipe, Scenario, plan
from teachlab.synthetic.line import Line
from teachlab.synthetic.shared.streams import CHUNK

WHOLE = {
    "title": "everything at once",
    "sensor": {
        "sensing": "diffuse",
        "sample_rate_hz": 1000,
        "unit": "percent",
        "bits": 12,
        "beam": {"shape": "gaussian", "radius_mm": 4},
        "front_end": {"time_constant_us": 3000},
        "noise": {"thermal_percent": 0.3, "shot_kappa": 4e-3, "rin": 0.01, "rho": 0.5},
    },
    "line": {
        "speed_mm_s": 500,
        "gap_mm": {"shape": "normal", "mean": 100, "sd": 8, "floor": 60},
        "touching_share": 0.08,
        "lot_passes": 20,
        "lot_level_cv": 0.15,
        "wander": {"share": 0.03, "period_s": 20},
        "stops": {"every_s": 30, "duration_s": 4, "pace": 0.1},
        "halts": [{"at_pass": 5, "duration_s": 4, "ramp_s": 0.001}],
    },
    "background": {
        "level_percent": 10,
        "texture": {"sd_percent": 1.0, "length_mm": 8},
        "marks": [
            {"label": "seam", "every_mm": 1300, "first_mm": 50, "amplitude_percent": 12, "size_mm": 8, "as_pass": True}
        ],
    },
    "object": [
        {
            "label": "box",
            "length_mm": 100,
            "level_percent": {"shape": "normal", "mean": 40, "sd": 2},
            "texture": {"sd_percent": 5, "length_mm": 9},
            "glints": {"per_object": 1.5, "amplitude_percent": 30, "sd_mm": 2},
            "print": {"blocks": 2, "cover": 0.5, "factor": 0.4},
            "tumbling": {"width_mm": 60},
            "flutter": {"depth": 0.3, "frequency_hz": 7},
            "wrap": {"leak_percent": 40, "length_mm": 12},
        },
        {
            "label": "jar",
            "length_mm": 100,
            "transparent": {
                "edge_transmission": 0.5,
                "edge_sd_mm": 3,
                "edge_inset_mm": 3,
                "middle_transmission": 1.2,
            },
        },
        {
            "label": "net",
            "length_mm": 80,
            "transmission": 0.5,
            "across_mm": 5,
            "glints": {"per_object": 1, "amplitude_percent": {"shape": "pareto", "minimum": 5, "alpha": 2}, "sd_mm": 2},
            "flutter": {"shape": "random", "tilt_deg": 20, "gloss": 6, "frequency_hz": 2},
        },
    ],
    "interference": {
        "ambient": {"residual_percent": 4, "shot_percent": 50, "compression": 0.4},
        "lamp": {"first_percent": 1.0, "second_percent": 0.4, "shot_percent": 300, "modulation": 0.5},
        "ripple": {"amplitude_percent": 1.0, "frequency_hz": 5003},
        "neighbour": {"amplitude_percent": 1.5, "beat_hz": 37},
        "gated_neighbour": {
            "amplitude_percent": 8,
            "own_period_us": 1000,
            "neighbour_period_us": 1030,
            "own_gate_us": 50,
            "neighbour_pulse_us": 50,
        },
        "steps": {"every_s": 20, "duration_s": 8},
        "passers": {"every_s": 7, "amplitude_percent": 3},
        "strobe": {"frequency_hz": 3, "pulse_ms": 5, "amplitude_percent": 10},
        "spikes": {"per_second": 3},
    },
    "drift": {
        "start_day": 10,
        "days_per_hour": 200,
        "dirt": {"loss_per_day": 0.01, "pedestal_percent": 6},
        "splashes": {"every_day": 4, "loss": 0.1},
        "ageing": {"loss_per_kilohour": 0.3},
        "temperature": {"daily_swing_k": 20},
        "misalignment": {"creep_mm_per_day": 0.2, "field_radius_mm": 20},
        "condensation": {"onset_s": 60, "duration_s": 60, "loss": 0.4, "pedestal_percent": 3},
        "bend": {"loss": 0.1, "period_s": 9},
        "daylight": {"residual_percent": 2, "shot_percent": 30},
    },
    "faults": {
        "dropouts": {"share": 0.02},
        "duplicates_per_million": 500,
        "logger_bits": 9,
        "logger_ceiling_percent": 70,
    },
}


@dataclass(frozen=True)
class Seen:
    light: np.ndarray
    truth: object
    rows: int


def see(tables):
    scenario = Scenario.model_validate(tables)
    line = Line(scenario, 5, LineStress())
    codes = np.concatenate([line.codes(k) for k in range(3)]) * (100 / line.top)
    for k in range(3):
        missing = line.missing(k)
        if missing is not None:
            codes[k * CHUNK : (k + 1) * CHUNK][missing] = np.nan
    planned = plan(Recipe(scenario=scenario, passes=300, seed=5))
    return Seen(codes, planned.truth, planned.rows - planned.samples)


PLAIN = plain_line.tables(sensor={"bits": 12, "noise": {"thermal_percent": 0.1}}, line={"lot_passes": 20})


def plain_with(path):
    """The plain line with one effect of the whole one."""
    tables = copy.deepcopy(PLAIN)
    target, source = tables, WHOLE
    for key in path[:-1]:
        source = source[key]
        target = target.setdefault(key, {}) if isinstance(key, str) else target[key]
    target[path[-1]] = copy.deepcopy(source[path[-1]])
    return tables


def tone(frequency):
    def amplitude(seen):
        x = np.where(np.isnan(seen.light), np.nanmean(seen.light), seen.light)
        return 2 * abs(np.mean(x * np.exp(-2j * np.pi * frequency * np.arange(x.size) / 1000)))

    return amplitude


def quantile(q):
    return lambda seen: float(np.nanquantile(seen.light, q))


def mean(seen):
    return float(np.nanmean(seen.light))


def step_noise(seen):
    """Median size of the steps between neighbouring samples."""
    return float(np.nanmedian(np.abs(np.diff(seen.light))))


def object_steps(seen):
    return float(np.nanmedian(np.abs(np.diff(seen.light))[seen.light[1:] > 38]))


def roughness(seen):
    return float(np.nanmean(np.diff(seen.light) ** 2))


def far_steps(seen):
    """Share of steps above 6 % from one sample to the next."""
    return float(np.mean(np.abs(np.diff(seen.light)) > 6))


def length_spread(seen):
    box = seen.truth.label == "box"
    return float(np.std((seen.truth.end - seen.truth.start)[box]))


def slow_swing(seen):
    """Range of the mean object light between tenths of the recording."""
    tenths = np.array_split(seen.light, 10)
    tops = [np.nanmedian(part[part > 25]) if np.any(part > 25) else np.nan for part in tenths]
    return float(np.ptp(tops))


def gap_noise(seen):
    return float(np.nanstd(seen.light[seen.light < 13]))


def object_spread(seen):
    return float(np.nanstd(seen.light[seen.light > 30]))


# effect: where it is in the scenario, the statistic that shows it, its range without and with the effect
CASES = {
    "front end, roughness of edges": (("sensor", "front_end"), roughness, (0.32, 0.36), (0.1, 0.3)),
    "belt texture, noise in gaps": (("background", "texture"), gap_noise, (0.05, 0.3), (0.8, 1.2)),
    "marks, ignore passes": (("background", "marks"), lambda s: np.count_nonzero(~s.truth.detect), (0, 0), (10, 60)),
    "touching, pairs without a gap": (
        ("line", "touching_share"),
        lambda s: np.count_nonzero(s.truth.end[:-1] == s.truth.start[1:]),
        (0, 0),
        (10, 45),
    ),
    "level of lots, spread of object light": (("line", "lot_level_cv"), object_spread, (0.05, 2.5), (3, 12)),
    "wander, spread of pitches": (("line", "wander"), lambda s: np.std(np.diff(s.truth.start)), (0, 0.5), (6, 20)),
    "stops, longest pitch": (("line", "stops"), lambda s: np.diff(s.truth.start).max(), (400, 401), (3000, 9000)),
    "halts, longest pass": (
        ("line", "halts"),
        lambda s: (s.truth.end - s.truth.start).max(),
        (200, 201),
        (4190, 4210),
    ),
    "gaps, spread of pitches": (("line", "gap_mm"), lambda s: np.std(np.diff(s.truth.start)), (0, 0.5), (13, 19)),
    "object texture, spread of object light": (("object", 0, "texture"), object_spread, (0.05, 2.5), (3, 6)),
    "glints, upper light": (("object", 0, "glints"), quantile(0.99), (40, 41), (45, 100)),
    "print, mean light": (("object", 0, "print"), mean, (24, 26), (17, 21)),
    "tumbling, spread of lengths": (("object", 0, "tumbling"), length_spread, (0, 0.5), (20, 60)),
    "flutter, amplitude within objects": (("object", 0, "flutter"), object_spread, (0.05, 2.5), (4, 9)),
    "wrap, mean light": (("object", 0, "wrap"), mean, (24, 26), (29, 31)),
    "ambient, light in gaps": (("interference", "ambient"), quantile(0.1), (9.5, 10), (12, 13)),
    "lamp, amplitude at 100 Hz": (("interference", "lamp"), tone(100), (0, 0.05), (0.95, 1.05)),
    "ripple, noise in gaps": (("interference", "ripple"), gap_noise, (0.05, 0.3), (0.65, 0.8)),
    "neighbour, amplitude at 37 Hz": (("interference", "neighbour"), tone(37), (0, 0.1), (1.4, 1.6)),
    "gated neighbour, share of jumps": (("interference", "gated_neighbour"), far_steps, (0, 0.001), (0.04, 0.07)),
    "sun steps, mean light": (("interference", "steps"), mean, (24, 25.5), (25.6, 29)),
    "strobe, share of jumps": (("interference", "strobe"), far_steps, (0, 0.001), (0.005, 0.007)),
    "spikes, share of jumps": (("interference", "spikes"), far_steps, (0, 0.001), (0.002, 0.008)),
    "dirt, light in gaps and of objects": (("drift", "dirt"), slow_swing, (0, 0.1), (4, 15)),
    "splashes, drop of the light": (("drift", "splashes"), slow_swing, (0, 0.1), (3, 40)),
    "ageing, loss": (("drift", "ageing"), slow_swing, (0, 0.1), (2, 4)),
    "temperature, swing": (("drift", "temperature"), slow_swing, (0, 0.1), (1, 9)),
    "misalignment, loss": (("drift", "misalignment"), slow_swing, (0, 0.1), (0.5, 1.2)),
    "condensation, loss": (("drift", "condensation"), slow_swing, (0, 0.1), (8, 18)),
    "dropouts, missing share": (
        ("faults", "dropouts"),
        lambda s: float(np.isnan(s.light).mean()),
        (0, 0),
        (0.017, 0.023),
    ),
    "duplicates, rows beyond samples": (("faults", "duplicates_per_million"), lambda s: s.rows, (0, 0), (35, 90)),
    "coarse logger, levels used": (
        ("faults", "logger_bits"),
        lambda s: np.unique(s.light).size,
        (400, 4097),
        (40, 160),
    ),
    "clipped logger, highest light": (
        ("faults", "logger_ceiling_percent"),
        lambda s: s.light.max(),
        (99, 100),
        (69, 70),
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_switching_an_effect_off_changes_its_statistic(name):
    path, statistic, without, with_it = CASES[name]
    there, gone = plain_with(path), copy.deepcopy(PLAIN)
    if path[0] == "drift":
        # drift runs in days: the clock of the recording is no effect by itself
        for tables in (there, gone):
            tables.setdefault("drift", {}).update(start_day=0, days_per_hour=200)
    if name.startswith("clipped"):
        for tables in (there, gone):
            tables["object"][0]["level_percent"] = 99.5
    assert without[0] <= statistic(see(gone)) <= without[1]
    assert with_it[0] <= statistic(see(there)) <= with_it[1]


@pytest.mark.parametrize("key", ["thermal_percent", "shot_kappa", "rin"])
def test_switching_a_noise_off_lowers_the_noise(key):
    tables = copy.deepcopy(PLAIN)
    tables["sensor"]["noise"] = {k: WHOLE["sensor"]["noise"][k] for k in ("thermal_percent", "shot_kappa", "rin")}
    noisy = object_steps(see(tables))
    tables["sensor"]["noise"][key] = 0
    # of 0.09 + 0.16 + 0.16 one term is gone
    assert object_steps(see(tables)) < 0.92 * noisy


def test_switching_background_suppression_effects_off():
    """Level of a dark product, and share of light far from both levels."""
    tables = copy.deepcopy(PLAIN)
    tables["sensor"] |= {
        "sensing": "background-suppressed",
        "suppression": {"cutoff_mm": 200, "gain_percent": 300, "white_black_share": 0.1},
    }
    tables["object"] = [
        {
            "label": "box",
            "length_mm": 100,
            "reflectance": 0.06,
            "distance_mm": 170,
            "zone_swap": {"per_object": 2, "sd_mm": 2},
        }
    ]

    def swapped(seen):
        # the dark product stands at 64.6 %, mirrored at 35.4 %
        return float(np.mean(np.abs(seen.light - 36) < 3))

    both = see(tables)
    del tables["object"][0]["zone_swap"]
    level = see(tables)
    tables["sensor"]["suppression"]["white_black_share"] = 0
    neither = see(tables)
    assert quantile(0.9)(neither) == pytest.approx(50 + 50 * np.tanh(6 * 0.15), abs=0.7)
    assert quantile(0.9)(level) == pytest.approx(50 + 50 * np.tanh(6 * 0.05), abs=0.7)
    assert swapped(both) > 2 * swapped(level)


@pytest.mark.parametrize(("key", "ratio"), [("shot_percent", (0, 0.5)), ("modulation", (0, 0.3))])
def test_switching_the_noise_of_lamp_light_off_quietens_or_evens_it(key, ratio):
    """Noise power in gaps, and its swing in step with the mains."""
    tables = copy.deepcopy(PLAIN)
    tables["sensor"]["noise"] = {"thermal_percent": 0.05, "shot_kappa": 1e-3, "rin": 0}
    tables["interference"] = {"lamp": {"first_percent": 0, "shot_percent": 300, "modulation": 0.5}}

    def power(seen):
        steps = np.diff(seen.light)[seen.light[1:] < 13] ** 2
        if key == "shot_percent":
            return float(np.mean(steps))
        phases = [np.mean(np.diff(seen.light)[k::10][seen.light[1:][k::10] < 13] ** 2) for k in range(10)]
        return float(np.ptp(phases))

    there = power(see(tables))
    tables["interference"]["lamp"][key] = 0
    gone = power(see(tables))
    assert ratio[0] * there <= gone <= ratio[1] * there


def test_switching_the_colour_of_the_noise_off_roughens_it():
    tables = copy.deepcopy(PLAIN)
    tables["sensor"]["noise"]["rho"] = 0.5
    smooth = step_noise(see(tables))
    tables["sensor"]["noise"]["rho"] = 0
    # the variance of a step is 2 (1 − rho)
    assert step_noise(see(tables)) == pytest.approx(smooth / 0.5**0.5, rel=0.1)


def test_switching_transparency_off_takes_the_dips_away():
    tables = copy.deepcopy(PLAIN)
    tables["object"] = [copy.deepcopy(WHOLE["object"][1])]
    assert see(tables).light.min() == pytest.approx(10 * (1.0 - 0.5 * 3 / 13**0.5), abs=0.8)
    tables["object"] = [{"label": "jar", "length_mm": 100, "level_percent": 12}]
    assert see(tables).light.min() > 9


def test_all_effects_together_run():
    seen = see(WHOLE)
    assert np.isfinite(seen.light).mean() > 0.97
    assert seen.truth.passes > 300
