"""What generating costs: memory that does not grow with the length (its speed is a benchmark)."""

import tracemalloc

import numpy as np

from teachlab.data.recording_files import read_recording
from teachlab.data.shipped import datasets_root
from teachlab.synthetic import Recipe, blocks, generate, load_scenario, read_recipe
from teachlab.synthetic.shared.streams import CHUNK


def run(samples):
    for _ in blocks(Recipe(scenario=load_scenario("roof-light"), passes=1), samples=samples):
        pass


def test_memory_does_not_grow_with_the_length():
    run(CHUNK)
    peaks = []
    for size in (60 * CHUNK, 180 * CHUNK):
        tracemalloc.start()
        run(size)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # the samples themselves would need 15.7 and 47.2 MB; a second chunk of 4,096 passes comes into sight at times
    assert peaks[1] < 6e6
    assert peaks[1] - peaks[0] < 1e6


def test_the_demo_that_ships_is_what_its_recipe_makes():
    path = datasets_root() / "demo_tubs.parquet"
    recipe = read_recipe(path)
    assert recipe.scenario == load_scenario("demo")
    made, _ = generate(recipe.scenario, recipe.passes, recipe.seed)
    stored = read_recording(path)
    assert np.array_equal(stored.light[0 : stored.samples], made.light[0 : made.samples])
