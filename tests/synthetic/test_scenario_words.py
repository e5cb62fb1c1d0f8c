"""A scenario in words: every number that is told of its tables, worked by hand from what is set."""

import pytest
from synthetic.plain_line import line

from teachlab.synthetic.words import explain

SPREAD = {"shape": "uniform", "low": 2, "high": 5}
OBJECT = {"label": "box", "length_mm": 100}
EFFECTS = {
    "glints": {"per_object": 1.5, "sd_mm": 1,
               "amplitude_percent": {"shape": "pareto", "minimum": 3, "alpha": 1.2, "ceiling": 90}},
    "zone_swap": {"per_object": 0.7, "edge_share": 0.04, "sd_mm": 1},
    "print": {"blocks": 3, "cover": 0.45, "factor": {"shape": "lognormal", "median": 0.5, "cv": 0.12}},
    "tumbling": {"width_mm": 70},
    "flutter": {"depth": 0.25, "frequency_hz": 12},
    "wrap": {"leak_percent": 6, "length_mm": 30},
    "texture": {"sd_percent": 4, "length_mm": 9},
}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        (
            {"wander": {"share": 0.02, "period_s": 40}, "touching_share": 0.03, "lot_passes": 25, "lot_level_cv": 0.08,
             "stops": {"every_s": 90, "duration_s": {"shape": "exponential", "mean": 12, "floor": 1}},
             "halts": [{"at_pass": 7, "place": 0.35, "duration_s": 20}]},
            ["3 % of the products touch", "lots of 25 passes, level 8 % different from lot to lot",
             "speed wanders by 2 % over 40 s",
             "the line stops every 90 s of running for 12 s on average (exponential, at least 1)",
             "the line stands for 20 s with 35 % of product 7 past the beam"],
        ),
        ({"stops": {"every_s": 80, "duration_s": 4, "pace": 0.3}},
         ["the line runs at 30 % of its speed every 80 s of running for 4 s"]),
    ],
)  # fmt: skip
def test_of_the_line(changes: dict, told: list[str]) -> None:
    lines = explain(line(line=changes)).splitlines()
    assert "Line: 500 mm/s (0.5 mm per sample), gaps 100 mm" in lines
    assert lines[lines.index("Line: 500 mm/s (0.5 mm per sample), gaps 100 mm") + 1 : -3] == [
        f"Line: {t}" for t in told
    ]


@pytest.mark.parametrize(
    ("table", "changes", "told"),
    [
        ("interference",
         {"ambient": {"residual_percent": 4, "shot_percent": 30, "compression": 0.5},
          "lamp": {"mains_hz": 60, "first_percent": 3, "second_percent": 1.5, "shot_percent": 20, "modulation": 0.3},
          "ripple": {"amplitude_percent": 2, "frequency_hz": 40_000},
          "neighbour": {"amplitude_percent": 8, "beat_hz": 1500},
          "gated_neighbour": {"amplitude_percent": 5, "own_period_us": 200, "neighbour_period_us": 160,
                              "own_gate_us": 5, "neighbour_pulse_us": 3},
          "steps": {"every_s": 60, "duration_s": SPREAD, "amplitude_percent": SPREAD},
          "passers": {"every_s": 45, "duration_s": SPREAD, "amplitude_percent": SPREAD},
          "strobe": {"frequency_hz": 3, "pulse_ms": 7, "amplitude_percent": 25},
          "spikes": {"per_second": 0.2, "amplitude_percent": SPREAD}},
         ["ambient light leaves 4 % of full scale, adds the shot noise of 30 % and compresses the signal to 0.8",
          "lamps flicker by 3 % of full scale at 120 Hz and 1.5 % at 240 Hz, and add the shot noise of 20 %, modulated "
          "by 30 %",
          "ripple of 2 % of full scale at 40000 Hz, aliased",
          "a neighbour's emitter beats at 1500 Hz with 8 % of full scale",
          "a pulsed neighbour hits 5 % of the pulses",
          "sun steps of 2 to 5 % of full scale, every 60 s for 2 to 5 s",
          "somebody passes every 45 s: a bump of 2 to 5 % of full scale for 2 to 5 s",
          "a strobe of 7 ms at 3 Hz, 25 % high",
          "0.2 spikes per second of 2 to 5 % of full scale"]),
        ("drift",
         {"dirt": {"loss_per_day": 0.012}, "splashes": {"every_day": 3, "loss": {**SPREAD, "low": 0.1, "high": 0.4}},
          "ageing": {"loss_per_kilohour": 0.015},
          "temperature": {"coefficient_per_k": -0.004, "daily_swing_k": 12, "warm_up_k": 8},
          "misalignment": {"creep_mm_per_day": 0.2, "field_radius_mm": 9, "knock_mm": 1.5},
          "condensation": {"onset_s": 30, "duration_s": 50, "loss": 0.4, "pedestal_percent": 6},
          "bend": {"loss": 0.22, "onset_s": 15, "period_s": 70},
          "daylight": {"residual_percent": 7, "shot_percent": 35}},
         ["dirt takes 1.2 % per window and day", "a splash every 3 days costs 0.1 to 0.4 of the light",
          "the emitter loses 1.5 % per thousand hours",
          "emitter output changes by -0.4 % per kelvin; daily swing 12 K, warm-up 8 K",
          "misalignment creeps by 0.2 mm per day, a knock adds 1.5 mm",
          "condensation from 30 s on for 50 s: 40 % of the light lost, 6 % of full scale scattered back",
          "a bent fibre costs 22 % of the light from 15 s on, repeated every 70 s",
          "daylight adds up to 7 % of full scale and the shot noise of 35 % in the course of the day"]),
        ("faults",
         {"dropouts": {"share": 0.03, "longest": 17}, "duplicates_per_million": 40, "swapped_per_million": 60,
          "jitter_share": 0.07, "clock_drift_ppm": 80, "logger_every": 4, "logger_bits": 9,
          "logger_ceiling_percent": 75, "wrong_direction_flag": True, "unknown_full_scale": True},
         ["3 % of the samples missing, in runs of up to 17", "40 rows per million written twice",
          "60 pairs of rows per million in the wrong order, in a raw log",
          "time stamps jitter by 7 % of the sample period", "the logger's clock is 80 ppm fast",
          "logged is one evaluation of 4", "logged with 9 bits only", "the logger clips at 75 % of full scale",
          "the stored direction is wrong", "no full scale is stored"]),
    ],
)  # fmt: skip
def test_of_troubles(table: str, changes: dict, told: list[str]) -> None:
    word = {"interference": "Interference", "drift": "Drift", "faults": "Recording fault"}[table]
    said = [t.partition(": ")[2] for t in explain(line(**{table: changes})).splitlines() if t.startswith(f"{word}: ")]
    assert said == told


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"beam": {"shape": "circular", "diameter_mm": 10}, "noise": {"thermal_percent": 0.3, "rin": 0.004, "rho": 0.2},
          "front_end": {"time_constant_us": 900}},
         ["Optics: circular aperture of 10 mm (edge 10-90 % over 6.87 mm)",
          "Receiver: the front end responds with a time constant of 900 microseconds",
          "Receiver: noise: thermal 0.3 % of full scale, shot 0 per percent, source 0.4 % of the light, correlated by "
          "0.2 from sample to sample"]),
        ({"beam": {"shape": "slit", "slit_mm": 10},
          "reference": {"reflectance": 0.8, "distance_mm": 250, "level_percent": 60, "peak_mm": 2}},
         ["Optics: slit of 10 mm (edge 10-90 % over 8 mm)",
          "Optics: a card of reflectance 0.8 at 250 mm shows 60 % of full scale, brightest at 2 mm"]),
        ({"sensing": "background-suppressed", "reference": None,
          "suppression": {"cutoff_mm": 150, "gain_percent": 300, "white_black_share": 0.06}},
         ["Optics: background suppression, a white card is cut off at 150 mm, a black one 6 % nearer"]),
    ],
)  # fmt: skip
def test_of_the_sensor(changes: dict, told: list[str]) -> None:
    lines = explain(line(sensor=changes)).splitlines()
    assert [one for one in lines if one in told] == told, lines


@pytest.mark.parametrize(
    ("sensing", "kinds", "told"),
    [
        ("background-suppressed",
         [{**OBJECT, "level_percent": {"shape": "normal", "mean": 40, "sd": 3, "floor": 20, "ceiling": 60},
           "across_mm": 8, "expect": "ignore", **EFFECTS}],
         ["Object: box: 100 mm long and 8 mm across the belt, level 40 % of full scale (normal, sd 3, at least 20, at "
          "most 60); 1.5 glints per object, height at least 3 % of full scale with a heavy tail (Pareto, exponent 1.2, "
          "at most 90); glossy places (0.7 per object) and 4 % of the edges swap the receiver zones; 3 printed blocks "
          "over 45 % of it, 0.5 of its level (lognormal, 12 % spread); tumbling, 70 mm wide; flutters by 25 % at 12 "
          "Hz; wrapped in stretched film that leaks up to 6 % past the analyser; along-object texture of sd 4 % of "
          "full scale, correlated over 9 mm; must not switch the sensor"]),
        ("diffuse",
         [{**OBJECT, "share": 3, "transmission": 0.2},
          {**OBJECT, "label": "lid", "transparent": {"edge_transmission": 0.6, "edge_sd_mm": 2, "edge_inset_mm": 1,
                                                     "middle_transmission": 0.95}},
          {**OBJECT, "label": "tin", "share": 4, "level_percent": 30,
           "flutter": {"shape": "random", "tilt_deg": 5, "gloss": 9, "frequency_hz": 6}}],
         ["Object (37.5 % of them): box: 100 mm long, lets 0.2 of the light through",
          "Object (12.5 % of them): lid: 100 mm long, transparent: edge dips to 0.6 of the clear light, middle 0.95 "
          "of it",
          "Object (50 % of them): tin: 100 mm long, level 30 % of full scale; flutters by 5 degrees, gloss 9, at "
          "random, mostly below 6 Hz"]),
    ],
)  # fmt: skip
def test_of_objects(sensing: str, kinds: list[dict], told: list[str]) -> None:
    made = line(sensor={"sensing": sensing}, object=kinds)
    assert [one for one in explain(made).splitlines() if one.startswith("Object")] == told


def test_of_an_object_given_by_its_distance_before_a_belt_with_a_seam() -> None:
    near = {**OBJECT, "reflectance": 0.5, "distance_mm": {**SPREAD, "low": 200, "high": 220},
            "tilt_deg": {"shape": "normal", "mean": 0, "sd": 4}}  # fmt: skip
    seam = {"every_mm": 900, "amplitude_percent": 6, "size_mm": 12}
    lines = explain(
        line(
            sensor={"reference": {"distance_mm": 250, "level_percent": 60}},
            object=[near],
            background={"marks": [seam, {**seam, "shape": "block", "amplitude_percent": -4, "as_pass": True}]},
            controller={"scan_ms": 8, "filter_ms": 3},
        )
    ).splitlines()
    assert "Object: box: 100 mm long, reflectance 0.5 at 200 to 220 mm, tilted by 0 degrees (normal, sd 4)" in lines
    assert (
        "Background: background 10 % of full scale; a seam every 900 mm, +6 % of full scale, a bump of sd 12 mm; a "
        "seam every 900 mm, -4 % of full scale, 12 mm long, a pass to be ignored in gaps"
    ) in lines
    # 500 mm/s over 8 + 3 ms.
    assert lines[-1] == "Controller scan 8 ms, input filter 3 ms: sure of products and gaps from 5.5 mm on only"
