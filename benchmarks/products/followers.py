"""Fixed levels, levels that follow the background and turning points, under light that changes: what errs where.

    python benchmarks/products/followers.py    about 2 min of CPU; writes `results/followers.{json,md}`

**Lines.** The twelve difficult products: taught on 400 passes of one seed as they are (200 are shown), scored on 400 of
another under each condition. What keeps the delays of a base setting gets those of the suite; what designs them does.
**Bars.** Dark bars 3 to 12 samples wide at irregular distances, under light that falls 2 to 4 times along the line and
ripples: taught on the first third of 150 bars, scored on the rest. Seeds were chosen before the strategy was written.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from cases import Logged
from designed import SCENARIOS, SEEDS

from teachlab.data.split import split
from teachlab.errors import Abstained
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay
from teachlab.synthetic import generate, load_scenario
from teachlab.teaching import resolve, teach_once
from teachlab.teaching.block import TeachBlock

RESULTS = Path(__file__).parents[1] / "results"
BASES: dict[str, dict[str, float]] = {
    "A01": {"off_delay_ms": 140}, "A07": {"off_delay_ms": 400}, "A08": {"consecutive": 3}, "A12": {"on_delay_ms": 6},
}  # fmt: skip
STRATEGIES = {
    "guard-or-window": resolve("guard-or-window"),
    "designed": resolve("designed"),
    "background, offset": resolve("background-follower"),
    "background, gain": resolve("background-follower", {"follow": "gain"}),
    "turning point, offset": resolve("turning-point-follower", {"form": "offset"}),
    "turning point, gain": resolve("turning-point-follower", {"form": "gain"}),
}
BARS = range(600, 620)
CONDITIONS = ("clean", "gain 0.9", "falls to 0.6", "falls to 0.3", "ambient rises by 10 %", "sways by 20 %")


def under(recording: Recording, condition: str) -> Recording:
    """The recording under other light."""
    info = recording.info
    light = np.asarray(recording.light[0 : recording.samples], np.float64) - info.dark_level
    along = np.linspace(0, 1, light.size)
    full = info.full_scale or float(light.max())
    light = (
        info.dark_level
        + {
            "clean": lambda: light,
            "gain 0.9": lambda: 0.9 * light,
            "falls to 0.6": lambda: light * (1 - 0.4 * along),
            "falls to 0.3": lambda: light * (1 - 0.7 * along),
            "ambient rises by 10 %": lambda: np.minimum(light + 0.1 * full * along, full),
            "sways by 20 %": lambda: light * (1 + 0.2 * np.sin(12 * np.pi * along)),
        }[condition]()
    )
    return Recording.from_array(light.astype(np.float32), info, name=recording.name)


def errors(recording: Recording, truth: Truth, setting: Setting, rules: Rules | None = None) -> int:
    """Lost passes, false, extra and ignore trips."""
    n = score(replay(recording, setting), truth, rules=rules or Rules(), tables=False).counts
    return n.lost + n.extra + n.false_trips + n.ignore_false_trips


def bars(seed: int) -> Logged:
    """Dark bars under light that falls along the line."""
    rng = np.random.default_rng(seed)
    widths, gaps = rng.integers(3, 13, 150), rng.integers(3, 13, 151)
    start = 40 + np.cumsum(widths + gaps[:-1]) - widths
    size = int(start[-1]) + 60
    reflected = np.ones(size)
    for a, w in zip(start.tolist(), widths.tolist(), strict=True):
        reflected[a : a + w] = rng.uniform(0.3, 0.5)
    blurred = np.convolve(reflected, [0.25, 0.5, 0.25], "same")
    blurred[[0, -1]] = 1.0
    along = np.linspace(0, 1, size)
    light = 1 / (1 + (rng.uniform(2, 4) - 1) * along) * (1 + 0.1 * np.sin(2 * np.pi * rng.uniform(1, 4) * along))
    noisy = 800 * light * blurred + 4 * rng.standard_normal(size)
    info = RecordingInfo(sample_rate_hz=5000.0, unit="counts", direction=Direction.DIP)
    return Recording.from_array(noisy.astype(np.float32), info, name="bars"), Truth.from_arrays(start, start + widths)


def cells() -> Iterator[dict[str, Any]]:
    """One row a line, pair of seeds, strategy and condition."""
    for alias, name in SCENARIOS.items():
        scenario = load_scenario(name)
        for taught_seed, scored_seed in SEEDS:
            shown, lessons = generate(scenario, 400, taught_seed)
            base = Setting(unit=shown.info.unit, on_level=0.0, off_level=0.0, **BASES.get(alias, {}))
            block = TeachBlock(shown, lessons, base=base)
            recording, truth = generate(scenario, 400, scored_seed)
            lines = {condition: under(recording, condition) for condition in CONDITIONS}
            for who, strategy in STRATEGIES.items():
                cell = {"line": f"{alias} {name}", "seeds": [taught_seed, scored_seed], "strategy": who}
                try:
                    setting = teach_once(strategy, block, 0, 0)
                except Abstained as refusal:
                    yield from (cell | {"condition": c, "errors": None, "abstained": refusal.reason} for c in lines)
                    continue
                for condition, line in lines.items():
                    yield cell | {"condition": condition, "errors": errors(line, truth, setting)}
    for seed in BARS:
        recording, truth = bars(seed)
        cut = split(truth, recording.samples)
        block = TeachBlock(recording, truth, stop_sample=cut.teach_end)
        for who, strategy in STRATEGIES.items():
            cell = {"line": "bars", "seeds": [seed], "strategy": who, "condition": "falling light"}
            try:
                setting = teach_once(strategy, block, 0, 0)
            except Abstained as refusal:
                yield cell | {"errors": None, "abstained": refusal.reason}
                continue
            yield cell | {"errors": errors(recording, truth, setting, Rules(first_pass=cut.first_scored))}


def page(rows: list[dict[str, Any]]) -> str:
    """The tables in Markdown."""

    def of(**wanted: str) -> list[int | None]:
        return [r["errors"] for r in rows if all(r[k] == v for k, v in wanted.items())]

    head = ["| line | condition | " + " | ".join(STRATEGIES) + " |", "|---" * (2 + len(STRATEGIES)) + "|"]
    text = [
        "# Fixed levels, levels that follow the background, and turning points", "",
        "Errors in 400 passes at the pairs of seeds 200/201, 300/301, 400/401, taught on light as it is; – abstains. "
        "Written by `python benchmarks/products/followers.py`, which says how; all cells in `followers.json`.", "",
    ]  # fmt: skip
    best = {"fixed levels": 0, "background": 0, "turning points": 0}
    table = [*head]
    for line in dict.fromkeys(r["line"] for r in rows if r["line"] != "bars"):
        for condition in CONDITIONS:
            found = {who: of(line=line, condition=condition, strategy=who) for who in STRATEGIES}
            told = [" ".join("–" if e is None else str(e) for e in f) for f in found.values()]
            table.append(f"| {line} | {condition} | {' | '.join(told)} |")
            sums = [np.inf if None in f else sum(e for e in f if e is not None) for f in found.values()]
            kinds = dict(zip(best, (min(sums[:2]), min(sums[2:4]), min(sums[4:])), strict=True))
            first, second = sorted(kinds.values())[:2]
            if first < second:
                best[min(kinds, key=lambda kind: kinds[kind])] += 1
    text += [
        "## Which kind errs least alone",
        "",
        "| kind | lines and conditions with strictly fewest errors |",
        "|---|---|",
    ]
    text += [f"| {kind} | {count} |" for kind, count in best.items()]
    solved = {who: of(line="bars", strategy=who) for who in STRATEGIES}
    text += [
        "",
        "## Bars under falling light",
        "",
        f"| strategy | of {len(BARS)} lines without an error | median errors |",
    ]
    text += ["|---|---|---|"]
    for who, found in solved.items():
        median = np.median([np.inf if e is None else e for e in found])
        text.append(f"| {who} | {sum(e == 0 for e in found)} | {median:g} |")
    text += ["", "## All lines", "", *table, ""]
    text += ["At gain 0.9 no fixed level serves clear jars: `designed.md`."]
    return "\n".join(text) + "\n"


def main() -> None:
    """Run everything and store it."""
    rows = list(cells())
    (RESULTS / "followers.json").write_text(json.dumps({"cells": rows}, ensure_ascii=False, indent=0) + "\n")
    (RESULTS / "followers.md").write_text(page(rows))
    print(page(rows))


if __name__ == "__main__":
    main()
