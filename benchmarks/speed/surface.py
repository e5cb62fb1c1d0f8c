"""Speed of the operating surface against looping over its pairs, of counting many settings at once, and of reserves.

Run: ``python benchmarks/speed/surface.py [--samples 10000000] [--pairs 12] [--repeats 5]``. All is CPU time in one
run, and every ratio is of two figures taken in turn; the least, the median and the largest of the repeats are
printed. On a busy machine only ratios can be trusted, and the least one most.

*One pass over memory* is ``light.max()`` of the same array: the fastest reduction that NumPy has for it.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from runpy import run_path

import numpy as np

from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.questions.stress.map import stress_map
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.given_settings.pairs import score_pairs
from teachlab.scoring import score
from teachlab.switching import replay

BESIDE = run_path(str(Path(__file__).with_name("replay.py")))
INFO, SETTING = BESIDE["INFO"], BESIDE["SETTING"]
LEVELS, STRATEGIES, DRAWS = 1000, 17, 200


def cpu(work: Callable[[], object], runs: int = 1) -> float:
    """Return the mean CPU time of some runs, in seconds."""
    begin = time.process_time()
    for _ in range(runs):
        work()
    return (time.process_time() - begin) / runs


def spread(values: list[float]) -> str:
    low, middle, high = np.quantile(values, (0, 0.5, 1))
    return f"{middle:.0f} ({low:.0f} … {high:.0f})"


def draws() -> list[Setting]:
    """200 draws of 17 strategies, from just above the background's noise to just below the objects."""
    rng = np.random.default_rng(0)
    found = []
    for k, middle in enumerate(np.linspace(12.5, 57, STRATEGIES)):
        levels = rng.normal(middle, (0.3, 1, 3)[k % 3], DRAWS)
        hysteresis = (0.02 * middle, 0.9, 3, 4.5)[k % 4] * rng.uniform(0.8, 1.2, DRAWS)
        pairs = zip(levels.tolist(), (levels - hysteresis).tolist(), strict=True)
        found += [Setting(unit="counts", on_level=on, off_level=off) for on, off in pairs]
    return found


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--samples", type=int, default=10_000_000)
    arguments.add_argument("--pairs", type=int, default=12)
    arguments.add_argument("--repeats", type=int, default=5)
    given = arguments.parse_args()
    truth = BESIDE["truth_for"](given.samples)
    light = BESIDE["busy"](given.samples)[: -BESIDE["PERIOD"]]  # every object in it is a pass
    recording = Recording.from_array(light, INFO)
    levels = np.linspace(float(light.min()), float(light.max()), LEVELS)
    pairs = LEVELS * (LEVELS + 1) // 2
    rng = np.random.default_rng(0)
    picked = [np.sort(rng.choice(levels, 2)).tolist() for _ in range(given.pairs)]
    loop = [Setting(unit="counts", on_level=on, off_level=off) for off, on in picked]
    many = draws()
    held = [replace(s, consecutive=3, on_delay_ms=15.0, off_delay_ms=25.0) for s in many]
    fast = find_spec("numba") is not None
    if fast:
        surface(recording, truth, SETTING, levels=levels, fast=True)  # compiled before it is timed
    gains, ratios, shares, held_shares, reserves = [], [], [], [], []
    for _ in range(given.repeats):
        each = float(np.mean([cpu(lambda one=one: replay(recording, one)) for one in loop]))
        gains.append(each * pairs / cpu(lambda: surface(recording, truth, SETTING, levels=levels, fast=False)))
        if fast:
            floor = cpu(light.max, 5)
            ratios.append(cpu(lambda: surface(recording, truth, SETTING, levels=levels, fast=True)) / floor)
        once = cpu(lambda: score(replay(recording, SETTING), truth), 3)
        shares.append(cpu(lambda: score_pairs(recording, truth, many)) / once)
        held_shares.append(cpu(lambda: score_pairs(recording, truth, held)) / once)
        reserves.append(cpu(lambda: stress_map(recording, truth, SETTING, rules=Rules(tolerance_ms=3.0))) / once)
    print(f"{light.size} samples, {truth.passes} passes, {pairs} pairs of {LEVELS} levels, {given.repeats} repeats")
    print(f"  NumPy only: looping over all pairs / surface = {spread(gains)}  (wanted: at least 4000)")
    if fast:
        print(f"  compiled: surface / one pass over memory = {spread(ratios)}  (wanted: at most 60)")
    print(f"  {len(many)} settings / one replay and score = {spread(shares)}  (wanted: at most 100)")
    print(f"  as many with filter and delays / one replay and score = {spread(held_shares)}")
    print(f"  stress map with both reserves / one replay and score = {spread(reserves)}")


if __name__ == "__main__":
    main()
