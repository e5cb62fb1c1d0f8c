"""The chain as a whole: where edges lie, what is drawn, and that nothing depends on how it is asked for."""

import json
from pathlib import Path

import numpy as np
import pytest
from loading import script

from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import read_truth
from teachlab.errors import ParameterError, ScenarioError
from teachlab.model.recording import Direction, Origin
from teachlab.model.truth import TruthSource
from teachlab.synthetic import (
    LineStress,
    Recipe,
    blocks,
    continue_recording,
    generate,
    load_scenario,
    plan,
    scenario_names,
    write,
    write_log,
)
from teachlab.synthetic.sensor.electronics import FrontEnd, LowPass
from teachlab.synthetic.shared.streams import CHUNK

EVERYTHING = script(Path(__file__).with_name("test_switched_off.py")).WHOLE


def test_the_border_of_a_pass_is_the_half_level_of_its_edge(line, light):
    scenario = line()
    truth = plan(Recipe(scenario=scenario, passes=20)).truth
    x = light(scenario, int(truth.end[-1]) + 50)
    half = 25.0
    assert np.all(x[truth.start] >= half - 0.01)
    assert np.all(x[truth.start - 1] < half)
    assert np.all(x[truth.end] <= half + 0.01)
    assert np.all(x[truth.end - 1] >= half - 0.01)
    # 1.5 · 4 mm / (0.5 mm per sample) + 2
    assert truth.uncertainty_samples == 14
    assert truth.source is TruthSource.GENERATOR


def test_away_from_edges_a_line_without_effects_is_flat(line, light):
    scenario = line()
    truth = plan(Recipe(scenario=scenario, passes=5)).truth
    x = light(scenario, int(truth.end[-1]))
    step = 100 / 2**16
    assert x[: truth.start[0] - 40] == pytest.approx(np.full(truth.start[0] - 40, 10.0), abs=step)
    for a, b in zip(truth.start, truth.end, strict=True):
        assert np.ptp(x[a + 40 : b - 40]) <= step
        assert x[(a + b) // 2] == pytest.approx(40.0, abs=step)


def test_lots_labels_and_expectations_reach_the_truth(line):
    scenario = line(
        line={"lot_passes": 10},
        object=[
            {"label": "box", "length_mm": 100, "level_percent": 40},
            {"label": "hand", "length_mm": 80, "level_percent": 60, "expect": "ignore"},
        ],
    )
    truth = plan(Recipe(scenario=scenario, passes=400)).truth
    assert truth.lot[:11].tolist() == ["lot 1"] * 10 + ["lot 2"]
    assert set(truth.label) == {"box", "hand"}
    assert np.array_equal(truth.detect, truth.label == "box")
    for k in range(0, 400, 10):
        assert len(set(truth.label[k : k + 10])) == 1


def test_a_mark_as_pass_lies_in_gaps_only(line):
    mark = {"label": "seam", "every_mm": 310, "amplitude_percent": 5, "size_mm": 20, "shape": "block", "as_pass": True}
    truth = plan(Recipe(scenario=line(background={"marks": [mark]}), passes=100)).truth
    seam = truth.label == "seam"
    assert 0 < seam.sum() < 100
    assert not truth.detect[seam].any()
    assert np.all(truth.end[seam] - truth.start[seam] == 40)
    # 100 mm of gap hold a mark of 20 mm with a share of (100 − 20)/200 of all positions
    assert seam.sum() == pytest.approx(100 * 200 / 310 * 80 / 200, abs=8)


def test_more_passes_only_append(line):
    scenario = line(**EVERYTHING)
    short, _ = generate(scenario, 300, seed=3)
    long, truth = generate(scenario, 500, seed=3)
    assert CHUNK < short.samples < long.samples
    assert np.array_equal(
        short.read(0, short.samples).as_float(), long.read(0, short.samples).as_float(), equal_nan=True
    )
    truth.check_inside(long.samples)


def test_any_chunk_can_be_generated_by_itself(line):
    recipe = Recipe(scenario=line(**EVERYTHING), passes=1, seed=9)
    whole = np.concatenate([b.as_float() for b in blocks(recipe, samples=5 * CHUNK)])
    rows = [b.light.size for b in blocks(recipe, samples=5 * CHUNK)]
    late = np.concatenate([b.as_float() for b in blocks(recipe, samples=5 * CHUNK, first=3 * CHUNK)])
    assert np.array_equal(whole[sum(rows[:3]) :], late, equal_nan=True)


def test_seed_and_scenario_decide_the_samples(line):
    scenario = line(sensor={"noise": {"thermal_percent": 0.5}})
    first, again, other = (generate(scenario, 20, seed=s)[0].light[0:5000] for s in (1, 1, 2))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_an_effect_does_not_move_the_random_numbers_of_another(line, light):
    noisy = {"noise": {"thermal_percent": 0.5}}
    plain = light(line(sensor=noisy), CHUNK)
    with_lamp = light(line(sensor=noisy, interference={"lamp": {"first_percent": 2}}), CHUNK)
    t = np.arange(CHUNK) / 1000
    difference = with_lamp - plain
    fit = np.column_stack([np.cos(2 * np.pi * 100 * t), np.sin(2 * np.pi * 100 * t)])
    residual = difference - fit @ np.linalg.lstsq(fit, difference, rcond=None)[0]
    assert np.abs(residual).max() < 0.01


def test_a_file_holds_what_memory_holds(line, tmp_path):
    scenario = line(**EVERYTHING)
    recipe = Recipe(scenario=scenario, passes=200, seed=4)
    written = write(recipe, tmp_path / "a.parquet")
    held, truth = generate(scenario, 200, seed=4)
    stored = read_recording(tmp_path / "a.parquet")
    assert stored.samples == held.samples == written.rows
    assert np.array_equal(
        stored.read(0, stored.samples).as_float(), held.read(0, held.samples).as_float(), equal_nan=True
    )
    assert stored.info == held.info
    assert stored.info.origin is Origin.SYNTHETIC
    again = read_truth(tmp_path / "a.passes.parquet", samples=stored.samples)
    assert np.array_equal(again.start, truth.start)
    assert np.array_equal(again.lot, truth.lot)


@pytest.mark.parametrize(("unit", "every"), [("percent", 1), ("counts", 1), ("counts", 3)])
def test_a_continued_recording_equals_one_written_in_one_go(line, tmp_path, unit, every):
    faults = EVERYTHING["faults"] | {"logger_every": every}
    scenario = line(**{**EVERYTHING, "sensor": {**EVERYTHING["sensor"], "unit": unit}, "faults": faults})
    write(Recipe(scenario=scenario, passes=150, seed=5), tmp_path / "a.parquet")
    continue_recording(tmp_path / "a.parquet", 50)
    continue_recording(tmp_path / "a.parquet", 200)
    write(Recipe(scenario=scenario, passes=400, seed=5), tmp_path / "b.parquet")
    for ending in (".parquet", ".passes.parquet", ".synth.json"):
        assert (tmp_path / f"a{ending}").read_bytes() == (tmp_path / f"b{ending}").read_bytes()


@pytest.mark.parametrize("every", [2, 3, 7])
def test_a_slow_logger_keeps_some_of_the_evaluations(line, every):
    noise = {"noise": {"thermal_percent": 0.3}}
    fast, borders = generate(line(sensor=noise), 700, seed=4)
    slow, truth = generate(line(sensor=noise, faults={"logger_every": every}), 700, seed=4)
    assert slow.info.sample_rate_hz == pytest.approx(1000 / every)
    # more than one chunk, which no odd number divides
    assert fast.samples > 2 * CHUNK
    assert np.array_equal(fast.light[0 : fast.samples][::every], slow.light[0 : slow.samples])
    assert np.array_equal(truth.start, -(-borders.start // every))
    assert np.array_equal(truth.end, -(-borders.end // every))
    assert truth.uncertainty_samples == int(np.ceil(12 / every)) + 2


def test_an_object_between_two_logged_samples_still_owns_one(line):
    kind = {"label": "pin", "length_mm": 1.0, "level_percent": 40}
    scenario = line(object=[kind], line={"gap_mm": 6.3}, faults={"logger_every": 5, "duplicates_per_million": 9000})
    recording, truth = generate(scenario, 500, seed=4)
    assert truth.passes == 500
    assert np.all(truth.end > truth.start)
    assert np.all(truth.start[1:] >= truth.end[:-1])
    truth.check_inside(recording.samples)


def test_a_slow_log_has_its_own_periods(line, tmp_path):
    scenario = line(faults={"logger_every": 3, "jitter_share": 0.02, "duplicates_per_million": 3000})
    planned = write_log(Recipe(scenario=scenario, passes=500, seed=2), tmp_path / "log.csv")
    table = np.genfromtxt(tmp_path / "log.csv", delimiter=",", skip_header=1)
    held, _ = generate(scenario, 500, seed=2)
    assert table.shape == (planned.rows, 2)
    assert table[:, 1] == pytest.approx(held.light[0 : held.samples], abs=1e-4)
    periods = np.diff(table[:, 0])
    apart = periods[periods != 0]
    assert np.count_nonzero(periods == 0) == planned.rows - -(-planned.samples // 3)
    assert apart.mean() == pytest.approx(3e-3, rel=1e-3)
    # jitter is a share of the period of the log
    assert apart.std() == pytest.approx(0.02 * 3e-3 * 2**0.5, rel=0.03)


def test_a_changed_recording_is_not_continued(line, tmp_path):
    path = tmp_path / "a.parquet"
    write(Recipe(scenario=line(), passes=10, seed=5), path)
    recipe = json.loads((tmp_path / "a.synth.json").read_text())
    recipe["seed"] = 6
    (tmp_path / "a.synth.json").write_text(json.dumps(recipe))
    with pytest.raises(ScenarioError, match="digest"):
        continue_recording(path, 5)
    (tmp_path / "a.synth.json").unlink()
    with pytest.raises(ScenarioError, match="recipe"):
        continue_recording(path, 5)
    # a recording of other samples under the right recipe
    write(Recipe(scenario=line(background={"level_percent": 11}), passes=10, seed=5), tmp_path / "b.parquet")
    write(Recipe(scenario=line(), passes=10, seed=5), path)
    (tmp_path / "b.parquet").replace(path)
    with pytest.raises(ScenarioError, match="last samples"):
        continue_recording(path, 5)


def test_stress_acts_where_the_contract_says(line, light):
    scenario = line()
    plain, stressed = (
        light(scenario, 4000),
        light(scenario, 4000, gain=0.6, ambient_percent=4.0, pedestal_percent=5.0),
    )
    assert stressed == pytest.approx(0.6 * plain + 4 + 5 * 0.4, abs=2 * 100 / 2**16)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"passes": 0}, "passes"),
        ({"seed": -1}, "seed"),
        ({"stress": LineStress(gain=-0.1)}, "gain"),
        ({"stress": LineStress(pedestal_percent=200)}, "pedestal"),
    ],
)
def test_a_recipe_out_of_range_is_refused(line, change, what):
    with pytest.raises(ParameterError, match=what):
        Recipe(**{"scenario": line(), "passes": 1, **change})


def test_the_recording_says_what_it_is(line):
    recording, _ = generate(line(sensor={"unit": "counts", "bits": 12}), 3, seed=7)
    assert recording.dtype == np.uint16
    assert recording.info.full_scale == 4095
    assert recording.info.direction is Direction.RISE
    assert recording.info.line_speed_m_s == 0.5
    assert "seed 7" in recording.info.notes
    percent, _ = generate(line(), 3)
    assert percent.dtype == np.float32
    assert percent.info.unit == "percent of full scale"


@pytest.mark.parametrize("name", scenario_names())
def test_every_shipped_scenario_runs(name):
    scenario = load_scenario(name)
    recording, truth = generate(scenario, 30, seed=1)
    assert truth.passes == 30
    truth.check_inside(recording.samples)
    x = recording.read(0, recording.samples).as_float()
    assert np.isfinite(x).all()
    inside = np.concatenate([x[a:b] for a, b in zip(truth.start, truth.end, strict=True)]).mean()
    assert (inside > x[: truth.start[0]].mean()) == (scenario.sensor.direction == "rise")


def test_a_raw_log_has_the_loggers_time(line, tmp_path):
    scenario = line(faults={"jitter_share": 0.1, "clock_drift_ppm": 50, "duplicates_per_million": 500})
    planned = write_log(Recipe(scenario=scenario, passes=150, seed=2), tmp_path / "log.csv")
    table = np.genfromtxt(tmp_path / "log.csv", delimiter=",", skip_header=1)
    assert table.shape == (planned.rows, 2)
    samples = planned.samples
    assert planned.rows > samples
    once = np.concatenate([[True], np.diff(table[:, 0]) != 0])
    stamps = table[once, 0]
    assert stamps.size == samples
    ideal = np.arange(samples) / 1000
    assert np.std(stamps - ideal * (1 + 50e-6)) == pytest.approx(1e-4, rel=0.03)
    assert np.polyfit(ideal, stamps - ideal, 1)[0] == pytest.approx(50e-6, abs=3e-6)


def test_a_slow_receiver_needs_the_chunk_before_wherever_reading_begins():
    slow, quick = (LowPass(FrontEnd(time_constant_us=tau), 1000.0) for tau in (2000, 0))
    assert [slow.needs(index) for index in range(4)] == [False, True, True, True]
    assert not any(quick.needs(index) for index in range(4))
    slow.apply(1, np.ones(8, np.float32))
    assert [slow.needs(index) for index in range(4)] == [False, True, False, True]


@pytest.mark.parametrize(
    ("beam", "doubt"),
    [
        # ceil(1.5 · radius / 1 mm) + 2, with half the width of a slit and of a circle.
        ({"shape": "gaussian", "radius_mm": 5}, 10),
        ({"shape": "circular", "diameter_mm": 12}, 11),
        ({"shape": "slit", "slit_mm": 6}, 7),
    ],
)
def test_borders_are_in_doubt_by_the_width_of_any_beam(line, beam, doubt):
    scenario = line(sensor={"beam": beam, "sample_rate_hz": 1000}, line={"speed_mm_s": 1000})
    assert scenario.uncertainty_samples == doubt
