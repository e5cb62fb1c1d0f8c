"""Speed and memory of generating a plain diffuse line, against drawing as many normal deviates with NumPy.

Run: ``python benchmarks/speed/synthesis.py [--samples 20000000]``. Prints ratios of CPU time taken in one run; on a
busy machine only those can be trusted.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from teachlab.synthetic import Recipe, blocks, load_scenario, write
from teachlab.synthetic.shared.streams import CHUNK

SCENARIO = "roof-light"
SAMPLES_PER_PASS = 1000


def seconds(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return time.process_time() - begin


def normals(samples: int) -> None:
    rng = np.random.default_rng(0)
    for _ in range(samples // CHUNK):
        rng.standard_normal(CHUNK)


def generated(samples: int) -> None:
    for _ in blocks(Recipe(scenario=load_scenario(SCENARIO), passes=1), samples=samples):
        pass


def time_generating(samples: int, runs: int = 5) -> tuple[float, float]:
    """Return seconds for the generator and for the deviates, best of interleaved runs."""
    pairs = [(seconds(lambda: generated(samples)), seconds(lambda: normals(samples))) for _ in range(runs)]
    return min(a for a, _ in pairs), min(b for _, b in pairs)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--samples", type=int, default=20_000_000)
    samples = parser.parse_args().samples
    generated(CHUNK)
    mine, theirs = time_generating(50 * CHUNK)
    print(f"generating: {mine / 50 / CHUNK * 1e9:.1f} ns per sample, {mine / theirs:.2f} times the normal deviates")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "line.parquet"
        for size in (samples // 10, samples):
            recipe = Recipe(scenario=load_scenario(SCENARIO), passes=size // SAMPLES_PER_PASS)
            spent = seconds(lambda recipe=recipe: write(recipe, path))
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"writing {size}: {spent / size * 1e9:.1f} ns per sample, peak so far {peak:.0f} MB")


if __name__ == "__main__":
    main()
