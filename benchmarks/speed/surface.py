"""Speed of the operating surface against looping over its pairs, and of counting many settings at once.

Run: ``python benchmarks/speed/surface.py [--samples 10000000] [--pairs 12]``. Prints ratios of CPU time in one
run; on a busy machine only those can be trusted.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path
from runpy import run_path

import numpy as np

from teachlab.explore.surface import score_pairs, surface
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.replay import replay
from teachlab.score import score

BESIDE = run_path(str(Path(__file__).with_name("replay.py")))
INFO, SETTING = BESIDE["INFO"], BESIDE["SETTING"]
LEVELS = 1000


def cpu(work: Callable[[], object], runs: int = 3) -> float:
    times = []
    for _ in range(runs):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times)


def draws(middle: float, spread: float, hysteresis: float, count: int = 200, seed: int = 0) -> list[Setting]:
    rng = np.random.default_rng(seed)
    levels = rng.normal(middle, spread, count).tolist()
    return [Setting(unit="counts", on_level=level, off_level=level - hysteresis) for level in levels]


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--samples", type=int, default=10_000_000)
    arguments.add_argument("--pairs", type=int, default=12)
    given = arguments.parse_args()
    light = BESIDE["busy"](given.samples)
    truth = BESIDE["truth_for"](given.samples)
    recording = Recording.from_array(light, INFO)
    levels = np.linspace(float(light.min()), float(light.max()), LEVELS)
    pairs = LEVELS * (LEVELS + 1) // 2
    plain = cpu(lambda: surface(recording, truth, SETTING, levels=levels, fast=False))
    rng = np.random.default_rng(0)
    loop = []
    for _ in range(given.pairs):
        off, on = np.sort(rng.choice(levels, 2)).tolist()
        one = Setting(unit="counts", on_level=on, off_level=off)
        loop.append(cpu(lambda one=one: replay(recording, one), 1))
    each = float(np.mean(loop))
    print(f"{given.samples} samples, {truth.passes} passes, {pairs} pairs of {LEVELS} levels")
    print(f"  NumPy: {plain:.2f} s; a replay of one pair {1000 * each:.1f} ms on average of {given.pairs} pairs")
    print(f"  looping over all pairs / surface = {each * pairs / plain:.0f}  (wanted: at least 4000)")
    floor = cpu(lambda: light.max(), 9)
    if find_spec("numba") is not None:
        surface(recording, truth, SETTING, levels=levels, fast=True)
        fast = cpu(lambda: surface(recording, truth, SETTING, levels=levels, fast=True), 5)
        print(
            f"  compiled: {fast:.3f} s; one pass over memory {1000 * floor:.2f} ms; ratio {fast / floor:.0f}"
            "  (wanted: at most 60)"
        )
    families = [draws(35, 2, 3), draws(45, 1, 0.9, seed=1), draws(14, 0.5, 0.3, seed=2), draws(36, 1, 5, seed=3)]
    once = cpu(lambda: score(replay(recording, SETTING), truth), 5)
    together = cpu(lambda: [score_pairs(recording, truth, family, fast=False) for family in families], 2)
    print(
        f"  200 draws of 4 strategies: {together:.2f} s; {together / once:.0f} times one replay and score"
        "  (wanted: at most 100)"
    )


if __name__ == "__main__":
    main()
