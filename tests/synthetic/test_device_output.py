"""The output of the simulated sensor beside the light, by hand, and as `synth` writes it."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from teachlab.data.recording_files import read_recording
from teachlab.device.logged_edges import LoggedEdges, logged_edges
from teachlab.errors import ScenarioError
from teachlab.synthetic import Recipe, continue_recording, generate, load_scenario, parse, write
from teachlab.synthetic.sensor.logged_output import SimulatedSensor

LIGHT = np.array([0] * 10 + [50] * 10 + [0] * 10, np.uint16)
PLAIN = SimulatedSensor(on_level=40, off_level=30)


@pytest.mark.parametrize(
    ("changed", "active", "inactive"),
    [
        ({}, 10, 20),
        ({"consecutive": 3}, 12, 22),
        ({"on_delay": 2}, 12, 20),
        ({"off_delay": 4}, 10, 24),
        ({"lag": 5}, 15, 25),
        ({"ratio": 4}, 12, 20),
        ({"ratio": 4, "phase": 3}, 11, 23),
        ({"light_on": False}, 20, 10),
        ({"light_on": False, "on_delay": 2, "off_delay": 4}, 22, 14),
        ({"light_on": False, "on_delay": 2, "off_delay": 4, "delays_on_light": True}, 24, 12),
    ],
)
def test_every_key_moves_the_edges_as_it_says(changed: dict[str, object], active: int, inactive: int) -> None:
    edges = LoggedEdges.of(replace(PLAIN, **changed).output(LIGHT, np.random.default_rng(0)))
    assert (edges.active.tolist(), edges.inactive.tolist()) == ([active], [inactive])


def test_jitter_noise_and_faults_are_as_large_as_they_say() -> None:
    light = np.tile(LIGHT, 2000)
    rng = np.random.default_rng(1)
    clean = LoggedEdges.of(PLAIN.output(light, rng)).active
    moved = LoggedEdges.of(replace(PLAIN, jitter=2).output(light, rng)).active - clean
    assert np.bincount(moved + 2) == pytest.approx([400] * 5, abs=5 * 400**0.5)
    lost = LoggedEdges.of(replace(PLAIN, missing=0.1).output(light, rng)).active.size
    assert lost == pytest.approx(1800, abs=5 * 180**0.5)
    more = LoggedEdges.of(replace(PLAIN, spurious=0.1).output(light, rng)).active.size
    # A made-up pulse inside a pulse is a gap, which is one active edge more as well; some touch an edge.
    assert more == pytest.approx(2200, abs=5 * 200**0.5)
    trips = LoggedEdges.of(replace(PLAIN, noise=20.0).output(light, rng)).active.size
    assert trips > 2 * clean.size


@pytest.mark.parametrize("seed", range(20))
def test_light_in_blocks_gives_the_same_output(seed: int) -> None:
    rng = np.random.default_rng(seed)
    light = np.repeat(rng.integers(0, 60, 80), 7) + rng.normal(0, 4, 560)
    light[rng.random(560) < 0.02] = np.nan
    ratio = int(rng.integers(1, 5))
    sensor = SimulatedSensor(
        on_level=40, off_level=30, light_on=bool(rng.integers(2)), consecutive=2, on_delay=1, off_delay=9, ratio=ratio,
        phase=int(rng.integers(ratio)), lag=3, jitter=1, noise=3.0, missing=0.1, spurious=0.1,
    )  # fmt: skip
    whole = sensor.output(light, np.random.default_rng(seed))
    cut = np.sort(rng.integers(0, 560, 6))
    logged = sensor.logged(np.split(light, cut), np.random.default_rng(seed))
    pieces = [logged.dense(b - a, a) for a, b in pairwise([0, *cut.tolist(), 560])]
    assert np.array_equal(np.concatenate(pieces), whole)


def test_an_edge_that_jitter_moves_before_the_log_turns_the_state_in_which_it_begins() -> None:
    light = np.array([0] + [50] * 9 + [0] * 10, np.uint16)
    sensor = replace(PLAIN, jitter=1)
    outputs = [sensor.output(light, np.random.default_rng(seed)) for seed in range(20)]
    assert {bool(output[0]) for output in outputs} == {False, True}
    assert all(output[5] and not output[15] for output in outputs)


def test_the_light_of_a_device_is_not_held(tmp_path: Path) -> None:
    scenario = load_scenario("sensed-tubs")
    recipe = Recipe(scenario=scenario, passes=2500, seed=3)
    write(recipe, tmp_path / "first.parquet")
    shares: list[float] = []
    tracemalloc.start()
    planned = write(recipe, tmp_path / "s.parquet", progress=lambda done, of: shares.append(done / of))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert planned.rows > 1_000_000
    assert peak < 8 * planned.rows
    assert shares == sorted(shares)
    assert shares[0] < 0.2
    assert shares[-1] == 1


def test_synth_writes_the_output_and_leaves_the_light_as_it_is(tmp_path: Path) -> None:
    scenario = load_scenario("sensed-tubs")
    path = tmp_path / "s.parquet"
    write(Recipe(scenario=scenario, passes=8, seed=3), path)
    stored = read_recording(path)
    bare, _ = generate(scenario.model_copy(update={"device": None}), 8, 3)
    assert np.array_equal(stored.light[0 : stored.samples], bare.light[0 : bare.samples])
    assert logged_edges(stored).active.size in range(7, 10)
    with pytest.raises(ScenarioError, match="not continued"):
        continue_recording(path, 2)


def test_a_device_that_cannot_be_is_refused() -> None:
    page = Path(__file__).parents[2] / "datasets" / "scenarios" / "sensed-tubs.toml"
    with pytest.raises(ScenarioError, match="off_level must not exceed"):
        parse(page.read_text().replace("off_level = 820", "off_level = 920"), source="x")
