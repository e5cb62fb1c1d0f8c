"""Counting 200 draws of every strategy against one replay and score, on 10⁷ samples. Teaching is not in the ratio.

Run: ``python benchmarks/speed/draws.py [--samples 10000000] [--draws 200] [--scenario NAME] [--repeats 3]``. The
line is that of ``replay.py``, or a synthetic one of about as many samples. All is CPU time in one run, and every
ratio is of two figures taken in turn; the least, the median and the largest of the repeats are printed.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from pathlib import Path
from runpy import run_path

import numpy as np

from teachlab.data.split import split
from teachlab.errors import Abstained
from teachlab.model.following_and_window import FollowingSetting, WindowSetting
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count_settings import bare, count_settings
from teachlab.scoring import score
from teachlab.switching import replay
from teachlab.synthetic import generate, load_scenario
from teachlab.teaching import TeachBlock, resolve, teach_once
from teachlab.teaching.registry import BUILT_IN

BESIDE = run_path(str(Path(__file__).with_name("replay.py")))
SHARE = 0.3


def cpu(work: Callable[[], object]) -> float:
    """Return the CPU time of one run, in seconds."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


def line(samples: int, scenario: str | None) -> tuple[Recording, Truth]:
    """Return a recording of about so many samples, and its passes."""
    if scenario is None:
        light = BESIDE["busy"](samples)[: -BESIDE["PERIOD"]]
        return Recording.from_array(light, BESIDE["INFO"]), BESIDE["truth_for"](samples)
    few, _ = generate(load_scenario(scenario), 100, 1)
    return generate(load_scenario(scenario), 100 * samples // few.samples, 2)


def taught(recording: Recording, truth: Truth, draws: int) -> list[Setting]:
    """Return what every strategy teaches in every draw, without abstentions."""
    block = TeachBlock(recording, truth, stop_sample=split(truth, recording.samples, teach_share=SHARE).teach_end)
    found = []
    for name in BUILT_IN:
        strategy = resolve(name)
        for draw in range(draws):
            try:
                found.append(teach_once(strategy, block, 0, draw))
            except Abstained:
                continue
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=10_000_000)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--scenario")
    parser.add_argument("--repeats", type=int, default=3)
    asked = parser.parse_args()
    recording, truth = line(asked.samples, asked.scenario)
    settings = taught(recording, truth, asked.draws)
    one = next(s for s in settings if type(s) is Setting)
    kinds = {
        "fixed levels": [s for s in settings if type(s) is Setting],
        "two thresholds": [s for s in settings if isinstance(s, WindowSetting)],
        "following": [s for s in settings if isinstance(s, FollowingSetting)],
        "all": settings,
    }
    print(
        f"{recording.samples:,} samples, {truth.passes:,} passes, {len(settings)} draws of {len(BUILT_IN)} strategies"
    )
    ratios: dict[str, list[float]] = {kind: [] for kind in kinds}
    for _ in range(asked.repeats):
        for kind, some in kinds.items():
            once = min(cpu(lambda: score(replay(recording, one), truth)) for _ in range(3))
            ratios[kind].append(cpu(lambda some=some: count_settings(recording, truth, some)) / once)
    for kind, found in ratios.items():
        distinct = len({bare(s) for s in kinds[kind]})
        least, middle, most = np.quantile(found, [0, 0.5, 1])
        print(f"{kind:15} {distinct:5} distinct: {least:.1f} … {middle:.1f} … {most:.1f} times one replay and score")


if __name__ == "__main__":
    main()
