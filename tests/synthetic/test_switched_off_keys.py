"""Every key by itself: what a named statistic is with it and without it, by its formula; no key is forgotten."""

import copy
import math
import runpy
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from synthetic.plain_line import FAR

from teachlab.synthetic import Recipe, Scenario, generate, plan
from teachlab.synthetic.events import PassSource
from teachlab.synthetic.raw_log import log_rows

FROM_THE_START = {"lead_in_mm": 0, "gap_mm": 10}
BOX = {"label": "box", "length_mm": 1e6, "level_percent": 40}
CARD = {"reference": {"distance_mm": 100, "level_percent": 40}}
ERF = math.erf(3 / (math.sqrt(2) * 4))
FILM = {"label": "film", "length_mm": 1e6}
CLEAR = {"edge_transmission": 1.0, "edge_sd_mm": 3, "edge_inset_mm": 3, "middle_transmission": 1.0}
JARS = {"lead_in_mm": 100, "gap_mm": 100}
KAPPA = {"noise": {"shot_kappa": 1e-2}}


def pair(**more):
    """Objects before a beam pair of 60 %."""
    kind = {"label": "film", "length_mm": 1e6, "transparent": CLEAR} | more
    return {
        "sensor": {"sensing": "through-beam", "direction": "dip"},
        "background": {"level_percent": 60},
        "line": FROM_THE_START,
        "object": [kind],
    }


def swap_pair(**swap):
    return {
        "sensor": {"sensing": "background-suppressed", "suppression": {"cutoff_mm": 200, "gain_percent": 300}},
        "object": [{"label": "box", "length_mm": 100, "level_percent": 80, "zone_swap": {"sd_mm": 2, **swap}}],
    }


def drift(start_day=0.0, **effects):
    return {"line": FAR, "drift": {"start_day": start_day, **effects}}


def interference(**effects):
    return {"line": FAR, "interference": effects}


@dataclass(frozen=True)
class Run:
    """A scenario that was switched, with the light of 60,000 samples when it is asked for."""

    scenario: Scenario
    run: object

    @property
    def x(self):
        return self.run(self.scenario, 60_000)[300:]

    @property
    def truth(self):
        return plan(Recipe(scenario=self.scenario, passes=400)).truth

    @property
    def info(self):
        return generate(self.scenario, 2)[0].info

    @property
    def stamps(self):
        recipe = Recipe(scenario=self.scenario, passes=1)
        return np.concatenate([stamp for stamp, _ in log_rows(recipe, 60_000)])


def first(r):
    return r.x[0]


def level(r):
    return float(np.median(r.x))


def spread(r):
    return float(r.x.std())


def variance(r):
    return float(r.x.var())


def lowest(r):
    return float(r.x.min())


def highest(r):
    return float(r.x.max())


def mean(r):
    return float(r.x.mean())


def tone(frequency, of=lambda x: x):
    def amplitude(r):
        x = of(r.x)
        return 2 * abs(np.mean(x * np.exp(-2j * np.pi * frequency * np.arange(x.size) / 1000)))

    return amplitude


def squared(x):
    return (x - x.mean()) ** 2


def late(r):
    """Samples that the tenth product comes later than at nominal speed."""
    lead, _ = PassSource(r.scenario, 0).edges(10)
    return int(r.truth.start[9] - lead[9] / 0.5)


# "Model.key": a scenario with the key; the statistic, its value without and with the key, and the relative tolerance of
# both where it is random
CASES = {
    "Object.across_mm, level": (
        {"line": FROM_THE_START, "object": [BOX | {"across_mm": 3}]},
        (level, 40, 10 + 30 * ERF, 0),
    ),
    "Object.tilt_deg, level": (
        {
            "sensor": CARD,
            "line": FROM_THE_START,
            "object": [{"label": "box", "length_mm": 1e6, "reflectance": 0.9, "distance_mm": 100, "tilt_deg": 60}],
        },
        (level, 40, 20, 0),
    ),
    "Reference.peak_mm, level": (
        {
            "sensor": {"reference": {"distance_mm": 100, "level_percent": 20, "peak_mm": 60}},
            "line": FROM_THE_START,
            "object": [{"label": "box", "length_mm": 1e6, "reflectance": 0.9, "distance_mm": 50}],
        },
        (level, 80, 80 * math.exp(-1.44 + 0.36), 0),
    ),
    "Object.transmission, level": (
        {"line": FROM_THE_START, "object": [FILM | {"transmission": 0.6}]},
        (level, 10, 3.6, 0),
    ),
    "Transparent.edge_transmission, deepest dip": (
        pair(length_mm=70, transparent=CLEAR | {"edge_transmission": 0.7}) | {"line": JARS},
        (lowest, 60, 60 * (1 - 0.3 * 3 / math.hypot(3, 2)), 0),
    ),
    "Transparent.middle_transmission, brightest middle": (
        pair(length_mm=70, transparent=CLEAR | {"middle_transmission": 1.1}) | {"line": JARS},
        (highest, 60, 66, 0),
    ),
    "Object.tumbling of a clear one, spread of lengths": (
        pair(length_mm=60, tumbling={"width_mm": 20}),
        (
            lambda r: np.std(r.truth.end - r.truth.start),
            0,
            2 * math.sqrt((3600 + 400) / 2 + 2 * 1200 / math.pi - (80 * 2 / math.pi) ** 2),
            0.1,
        ),
    ),
    "Object.glints of a clear one, highest": (
        pair(glints={"per_object": 4, "amplitude_percent": 25, "sd_mm": 2}, length_mm=1e4),
        (highest, 60, 85, 0.002),
    ),
    "Flutter.depth, spread": (
        {"line": FROM_THE_START, "object": [BOX | {"flutter": {"depth": 0.1, "frequency_hz": 20, "shape": "random"}}]},
        (spread, 0, 4, 0.05),
    ),
    "Flutter.tilt_deg, lowest light": (
        {"line": FROM_THE_START, "object": [BOX | {"flutter": {"tilt_deg": 30, "gloss": 4, "frequency_hz": 3}}]},
        (lowest, 40, 40 * 0.75**2, 1e-4),
    ),
    "Stops.pace, lateness": (
        {"line": {"stops": {"first_s": 1, "every_s": 1e6, "duration_s": 2, "ramp_s": 0, "pace": 0.5}}},
        (late, 2000, 1000, 1e-3),
    ),
    "Line.lot_passes, changes of the kind": (
        {"line": {"lot_passes": 40}, "object": [{"label": c, "length_mm": 50, "level_percent": 30} for c in "ab"]},
        (lambda r: np.count_nonzero(r.truth.label[1:] != r.truth.label[:-1]), 200, 5, 0.99),
    ),
    "Mark.as_pass, ignore passes": (
        {
            "background": {
                "marks": [{"every_mm": 600, "first_mm": 150, "amplitude_percent": 4, "size_mm": 5, "as_pass": True}]
            }
        },
        (lambda r: np.count_nonzero(~r.truth.detect), 0, 400 * 200 / 600, 0.02),
    ),
    "Texture.floor_percent, lowest light": (
        {
            "line": FROM_THE_START,
            "object": [BOX | {"texture": {"sd_percent": 20, "length_mm": 5, "floor_percent": 30}}],
        },
        (lowest, 0, 30, 1e-3),
    ),
    "Texture.ceiling_percent, highest light": (
        {
            "line": FROM_THE_START,
            "object": [BOX | {"texture": {"sd_percent": 20, "length_mm": 5, "ceiling_percent": 50}}],
        },
        (highest, 100, 50, 1e-3),
    ),
    "ZoneSwap.per_object, lowest object light": (
        swap_pair(per_object=3),
        (lambda r: np.count_nonzero(np.abs(r.x - 21) < 2) > 300, False, True, 0),
    ),
    "ZoneSwap.edge_share, lowest light": (swap_pair(edge_share=1.0), (lowest, 10, 0, 0)),
    "Suppression.white_black_share, level": (
        {
            "sensor": {
                "sensing": "background-suppressed",
                "suppression": {"cutoff_mm": 200, "gain_percent": 300, "white_black_share": 0.1},
            },
            "line": FROM_THE_START,
            "object": [FILM | {"reflectance": 0.06, "distance_mm": 180}],
        },
        (level, 50 + 50 * math.tanh(0.6), 50, 1e-4),
    ),
    "FrontEnd.time_constant_us, longest rise": (
        {"sensor": {"front_end": {"time_constant_us": 20_000}}},
        (lambda r: np.diff(r.x).max(), 30 * 0.5 / 2 / math.sqrt(2 * math.pi), 30 / 20, 0.2),
    ),
    "Ambient.residual_percent, level": (interference(ambient={"residual_percent": 3}), (level, 10, 13, 0)),
    "Ambient.compression, level": (interference(ambient={"compression": 0.5}), (level, 10, 8, 0)),
    "Ambient.shot_percent, variance": (
        interference(ambient={"shot_percent": 40}) | {"sensor": KAPPA},
        (variance, 0.1, 0.5, 0.03),
    ),
    "Lamp.second_percent, amplitude at 200 Hz": (
        interference(lamp={"first_percent": 2, "second_percent": 1}),
        (tone(200), 0, 1, 0.01),
    ),
    "Lamp.shot_percent, variance": (
        interference(lamp={"first_percent": 0, "shot_percent": 40}) | {"sensor": KAPPA},
        (variance, 0.1, 0.5, 0.03),
    ),
    "Lamp.modulation, noise power at 100 Hz": (
        interference(lamp={"first_percent": 0, "shot_percent": 400, "modulation": 0.5}) | {"sensor": KAPPA},
        (tone(100, squared), 0, 2, 0.06),
    ),
    "Lamp.second_modulation, noise power at 200 Hz": (
        interference(lamp={"first_percent": 0, "shot_percent": 400, "second_modulation": 0.5}) | {"sensor": KAPPA},
        (tone(200, squared), 0, 2, 0.06),
    ),
    "Neighbour.integration_us, amplitude at 37 Hz": (
        interference(neighbour={"amplitude_percent": 3, "beat_hz": 37, "integration_us": 10_000}),
        (tone(37), 3, 3 * np.sinc(0.37), 0.01),
    ),
    "Interference.passers, mean light": (
        interference(passers={"every_s": 0.05, "duration_s": 0.15, "amplitude_percent": 8}),
        (mean, 10, 10 + 0.75 * 8 / 2, 0.03),
    ),
    "Dirt.pedestal_percent, level": (
        drift(20, dirt={"loss_per_day": 0.02, "shape": "linear", "pedestal_percent": 5}),
        (level, 3.6, 5.6, 1e-3),
    ),
    "Temperature.daily_swing_k, level": (
        drift(0.25, temperature={"coefficient_per_k": -0.01, "daily_swing_k": 10}),
        (level, 10, 9, 0),
    ),
    "Temperature.warm_up_k, level": (
        drift(0, temperature={"coefficient_per_k": -0.01, "warm_up_k": 20, "warm_up_min": 1e4}),
        (level, 10, 12, 1e-3),
    ),
    "Misalignment.creep_mm_per_day, level": (
        drift(50, misalignment={"creep_mm_per_day": 0.1, "field_radius_mm": 10}),
        (level, 10, 10 * math.exp(-0.5), 1e-3),
    ),
    "Misalignment.knock_mm, level": (
        drift(4, misalignment={"field_radius_mm": 10, "knock_day": 3, "knock_mm": 5}),
        (level, 10, 10 * math.exp(-0.5), 1e-3),
    ),
    "Misalignment.knock_day, level": (
        drift(4, misalignment={"field_radius_mm": 10, "knock_day": 3, "knock_mm": 5}),
        (level, 10, 10 * math.exp(-0.5), 1e-3),
    ),
    "Condensation.pedestal_percent, level": (
        drift(condensation={"duration_s": 1e4, "ramp_s": 1e-3, "loss": 0.4, "pedestal_percent": 3}),
        (level, 6, 9, 1e-3),
    ),
    "Drift.bend, level": (drift(bend={"loss": 0.3}), (level, 10, 7, 0)),
    "Bend.period_s, highest light": (drift(bend={"loss": 0.3, "period_s": 5}), (highest, 7, 10, 1e-3)),
    "Daylight.residual_percent, level": (drift(0.25, daylight={"residual_percent": 6}), (level, 10, 16, 1e-4)),
    "Daylight.shot_percent, variance": (
        drift(0.25, daylight={"shot_percent": 40}) | {"sensor": KAPPA},
        (variance, 0.1, 0.5, 0.03),
    ),
    "Drift.daylight, daily swing": (
        drift(0, days_per_hour=216, daylight={"residual_percent": 6}),
        (lambda r: np.ptp(r.x), 0, 6, 1e-3),
    ),
    "Faults.jitter_share, spread of the periods": (
        {"line": FAR, "faults": {"jitter_share": 0.1}},
        (lambda r: np.diff(r.stamps).std() * 1000, 0, 0.1 * math.sqrt(2), 0.02),
    ),
    "Faults.clock_drift_ppm, excess of the span": (
        {"line": FAR, "faults": {"clock_drift_ppm": 80}},
        (lambda r: round((r.stamps[-1] / 59.999 - 1) * 1e6, 3), 0, 80, 0.01),
    ),
    "Faults.swapped_per_million, steps back in time": (
        {"line": FAR, "faults": {"swapped_per_million": 2000}},
        (lambda r: np.count_nonzero(np.diff(r.stamps) < 0), 0, 120, 0.35),
    ),
    "Faults.logger_every, rows": (
        {"faults": {"logger_every": 4}},
        (lambda r: plan(Recipe(scenario=r.scenario, passes=20)).rows, 8300, 2075, 0),
    ),
    "Faults.wrong_direction_flag, direction": (
        {"faults": {"wrong_direction_flag": True}},
        (lambda r: str(r.info.direction), "rise", "dip", 0),
    ),
    "Faults.unknown_full_scale, full scale": (
        {"faults": {"unknown_full_scale": True}},
        (lambda r: r.info.full_scale, 100.0, None, 0),
    ),
    "Scenario.controller, notes": (
        {"controller": {"scan_ms": 20}},
        (lambda r: "Controller scan 20 ms" in r.info.notes, False, True, 0),
    ),
}


# Off is the scenario without the key, or:
OFF = {"Object.transmission": 1.0, "Transparent.edge_transmission": 1.0, "Transparent.middle_transmission": 1.0}
# without the table that holds it, which is nothing without it
HELD = {"Flutter.depth": "flutter", "Flutter.tilt_deg": "flutter", "FrontEnd.time_constant_us": "front_end"}


def titled(name):
    """Return the "Model.key" of a case."""
    return name.split(",")[0].split(" of ")[0]


def holders(tables, key):
    """Yield every table that holds the key, at any depth."""
    if isinstance(tables, dict) and key in tables:
        yield tables
    for inner in tables.values() if isinstance(tables, dict) else tables if isinstance(tables, list) else ():
        yield from holders(inner, key)


def switched(tables, title):
    out = copy.deepcopy(tables)
    key = HELD.get(title, title.split(".")[1])
    (table,) = holders(out, key)
    if title in OFF:
        table[key] = OFF[title]
    else:
        del table[key]
    return out


@pytest.mark.parametrize("name", CASES)
def test_switching_a_key_off_changes_its_statistic(line, light, name):
    tables, (statistic, without, with_it, loose) = CASES[name]
    gone = statistic(Run(line(**switched(tables, titled(name))), light))
    there = statistic(Run(line(**tables), light))
    if isinstance(with_it, (bool, str, type(None))):
        assert (gone, there) == (without, with_it)
        return
    # two steps of the 16 bits, or what chance leaves of the larger of both
    slack = 0.004 + loose * max(abs(without), abs(with_it))
    assert gone == pytest.approx(without, abs=slack)
    assert there == pytest.approx(with_it, abs=slack)
    assert abs(without - with_it) > 2 * slack or loose > 0.3


# keys that are off by default and are no effect by themselves, with the reason
NO_EFFECT = {
    "plant alias difficulty notes": "words",
    "direction": "a flag",
    "floor ceiling": "limits of a spread, tested with it",
    "first_s first_mm onset_s start_day": "where an effect begins",
    "second_phase_deg": "phase of a harmonic, tested with its noise",
    "crossings": "overrides what the sensing principle says",
    "level_percent reflectance distance_mm transparent": "ways to give a level, of which there is always one",
    "suppression reference": "scales that objects given by distance need",
    "expect": "tested with the truth",
    "filter_ms": "told with the scan",
    "zone_swap": "tested by its keys",
    "device on_delay off_delay evaluation_phase lag jitter noise missing_share spurious_share": "test_device_output.py",
}


def test_no_key_that_is_off_by_default_is_forgotten():
    here = Path(__file__).parent
    all_models = runpy.run_path(str(here / "test_scenario_page.py"))["all_models"]
    with_tables = runpy.run_path(str(here / "test_switched_off.py"))["CASES"]
    named = set(map(titled, CASES))
    tables = {str(path[-1]) for path, *_ in with_tables.values()}
    excused = {key for keys in NO_EFFECT for key in keys.split()}
    forgotten = []
    for model in all_models(Scenario, []):
        for key, field in model.model_fields.items():
            title = "Line" if model.__name__ == "LineSpeedAndGaps" else model.__name__
            off = not field.is_required() and field.default in (None, 0, 0.0, (), False)
            if off and key not in excused and f"{title}.{key}" not in named and key not in tables:
                forgotten.append(f"{title}.{key}")
    # rho and the terms of the noise have tests of their own beside the tables
    assert (
        set(forgotten)
        - {"ReceiverNoise.rho", "ReceiverNoise.thermal_percent", "ReceiverNoise.shot_kappa", "ReceiverNoise.rin"}
        == set()
    )
