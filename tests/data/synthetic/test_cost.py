"""What generating costs: time against NumPy's normal deviates, and memory that does not grow with the length."""

import time
import tracemalloc

import numpy as np

from teachlab.data.recordings import read_recording
from teachlab.data.shipped import datasets_root
from teachlab.data.synthetic import Recipe, blocks, generate, load_scenario, read_recipe
from teachlab.data.synthetic.streams import CHUNK


def run(samples):
    for _ in blocks(Recipe(scenario=load_scenario("roof-light"), passes=1), samples=samples):
        pass


def deviates(samples):
    rng = np.random.default_rng(0)
    for _ in range(samples // CHUNK):
        rng.standard_normal(CHUNK)


def cpu(work):
    begin = time.process_time()
    work()
    return time.process_time() - begin


def test_generating_costs_at_most_six_times_the_normal_deviates():
    run(CHUNK)
    size = 20 * CHUNK
    pairs = [(cpu(lambda: run(size)), cpu(lambda: deviates(size))) for _ in range(5)]
    assert min(a for a, _ in pairs) <= 6 * min(b for _, b in pairs)


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
