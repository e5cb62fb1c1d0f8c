"""The recommended strategies against the classic four, cell by cell: one line, passes taught on, one pair of seeds.

A cell is taught on one recording and scored on 3,000 passes of another. A strategy's cost is the median over 30 draws:
passes lost, plus false and extra trips, per pass; an abstention costs without limit.

**Seeds.** The pairs of `DESIGN` were looked at while the strategies were made: they show what was aimed at, and prove
nothing. Those of `FRESH` were drawn up afterwards and nothing was changed after them; they are counted apart. Whoever
changes a strategy after a look at them has used them up: move them to `DESIGN` and add others.

**Lines.** Fifteen have workable delays. The sixteenth, wrapped bars with an off-delay of 3 ms, is the exception: that
delay outlasts the shortest gaps (common practice, no source: an off-delay must end within the shortest gap), but only
this benchmark calls it unworkable, and there the recommended strategies are *not* at or below the best classic one.

**Rows.** `results/strategies.jsonl` keeps one row per cell, with hashes (`fingerprints`) of the code that made it:
`teach` for the strategies and all that they import, `line` for the generator and the scenario, `cell` for the function
below. What counts trips is left out: other tests hold it to count exactly as replay does. A row of other code is
missing: it is run again, and until then reported as older.
"""

from __future__ import annotations

import inspect
import json
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from cases import scenario_of, scored_recording
from figures import RESULTS, Case, number
from fingerprints import bare, code_hash

from teachlab.errors import Abstained
from teachlab.model.draws import Costs
from teachlab.model.setting import Setting
from teachlab.questions.surface.given_settings.pairs import score_pairs
from teachlab.synthetic import generate, scenario_text
from teachlab.teaching import TeachBlock, resolve, teach_once
from teachlab.teaching.registry import BUILT_IN

CLASSIC = ("single-sample", "background-referenced", "sweep-minmax", "two-sample-midpoint")
BETTER = ("guard-or-window", "balanced-guard", "quantile-guard")
DRAWS, SCORED, ALLOWED = 30, 3000, 5e-4


@dataclass(frozen=True, slots=True)
class Group:
    """Pairs of seeds that are counted together: for teaching and for scoring."""

    title: str
    pairs: tuple[tuple[int, int], ...]
    passes: tuple[int, ...]


DESIGN = Group(
    "Seeds used in the design",
    ((7001, 7002), (7101, 7102), (7201, 7202)),
    (120, 300, 600, 1200),
)
FRESH = Group(
    "Fresh seeds, not used in the design",
    ((9301, 9302), (9401, 9402)),
    (120, 300, 400, 600, 1000, 1200, 2000),
)
GROUPS = (DESIGN, FRESH)
WORKABLE = (
    Case(id="A01", scenario="clear-jars", what="off-delay 140 ms", base={"off_delay_ms": 140}),
    Case(id="A02", scenario="black-trays", what="as it is"),
    Case(id="A02", scenario="black-trays", what="on-delay 20 ms", base={"on_delay_ms": 20}),
    Case(id="A03", scenario="glossy-cartons", what="as it is"),
    Case(id="A04", scenario="wrapped-bars", what="no delay"),
    Case(id="A05", scenario="dusty-sacks", what="clean"),
    Case(id="A06", scenario="roof-light", what="as it is"),
    Case(id="A07", scenario="wrapped-pallets", what="off-delay 400 ms", base={"off_delay_ms": 400}),
    Case(
        id="A08", scenario="tumbling-rivets", what="2 kHz, three in a row",
        base={"evaluation_rate_hz": 2000, "consecutive": 3},
    ),
    Case(id="A08", scenario="tumbling-rivets", what="10 kHz, three in a row", base={"consecutive": 3}),
    Case(id="A09", scenario="three-colours", what="as it is"),
    Case(id="A10", scenario="belt-seam", what="as it is"),
    Case(id="A11", scenario="neighbour-emitter", what="as it is"),
    Case(id="A12", scenario="flickering-lamps", what="as it is"),
    Case(id="A12", scenario="flickering-lamps", what="on-delay 6 ms", base={"on_delay_ms": 6}),
)  # fmt: skip
EXCEPTION = Case(id="A04", scenario="wrapped-bars", what="off-delay 3 ms", base={"off_delay_ms": 3})
CASES = (*WORKABLE, EXCEPTION)

Key = tuple[str, str, int, int]
Row = dict[str, Any]

REMARKS: dict[Key, str] = {
    ("A09", "as it is", 120, 9401): (
        "the 120 passes are 100 white ones and 20 dark ones at the end, and 23 of the 30 draws show one lot of white "
        "only: the level lies at 30, and the dark ones, at 17, are lost. The classic one that looks at the background "
        "alone, 30 % above it, does not mind. In all three pairs of the design the first lot happens to be dark, so "
        "this had not been met; a kind that is not shown is not foreseen."
    ),
}
"""Why the recommended strategy is beyond what is allowed, where delays are workable."""


def cell(case: Case, passes: int, seeds: tuple[int, int]) -> dict[str, float]:
    """Median cost of every strategy, per pass; infinite if it abstains in half of the draws."""
    learning, lessons = generate(scenario_of(case), passes, seeds[0])
    recording, truth = scored_recording(case.scenario, SCORED, seeds[1], 1.0, 0.0)
    base = Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0, **case.base)
    block = TeachBlock(learning, lessons, base=base)
    taught: dict[str, list[Setting | None]] = {}
    for name in CLASSIC + BETTER:
        strategy = resolve(name)
        taught[name] = []
        for draw in range(DRAWS):
            try:
                taught[name].append(replace(teach_once(strategy, block, 0, draw), taught=None))
            except Abstained:
                taught[name].append(None)
    distinct = list(dict.fromkeys(s for group in taught.values() for s in group if s is not None))
    counted = zip(distinct, score_pairs(recording, truth, distinct), strict=True)
    costs: dict[Setting | None, float] = {None: float("inf")} | {s: n.cost(Costs()) for s, n in counted}
    return {name: float(np.median([costs[s] for s in group])) for name, group in taught.items()}


@cache
def code_of(scenario: str) -> dict[str, str]:
    """Hashes of the code that teaches, of what draws a line, and of how a cell is made."""
    strategies = [BUILT_IN[name].split(":")[0] for name in CLASSIC + BETTER]
    return {
        "teach": code_hash([*strategies, "teachlab.teaching.block", "teachlab.teaching.once"]),
        "line": code_hash(["teachlab.synthetic.produce"], scenario_text(scenario)[0]),
        "cell": code_hash([], bare(inspect.getsource(cell)), repr((CLASSIC, BETTER, DRAWS, SCORED))),
    }


def cells() -> Iterator[tuple[Key, Case, int, tuple[int, int]]]:
    """All cells; those that score the same recording follow each other."""
    for group in GROUPS:
        for seeds in group.pairs:
            for case in CASES:
                for passes in group.passes:
                    yield (case.id, case.what, passes, seeds[0]), case, passes, seeds


def key_of(row: Row) -> Key:
    """Which cell a row belongs to."""
    id_, what, passes, seed = row["cell"]
    return id_, what, passes, seed


def one_per_cell(rows: Iterable[Row]) -> list[Row]:
    """Return the newest row of every cell of the grid, in the order of the grid.

    Raises
    ------
    ValueError
        If the same code made two different rows of one cell.
    """
    newest: dict[Key, Row] = {}
    for row in rows:
        before = newest.get(key_of(row))
        if before and before.get("code") == row.get("code") and before["cost"] != row["cost"]:
            raise ValueError(f"the same code gave cell {row['cell']} two costs: {before['cost']} and {row['cost']}.")
        newest[key_of(row)] = row
    return [newest[key] for key, *_ in cells() if key in newest]


def is_current(row: Row) -> bool:
    """Whether the code beside the results is that which made the row."""
    (scenario,) = (case.scenario for case in CASES if (case.id, case.what) == key_of(row)[:2])
    return bool(row.get("code") == code_of(scenario))


def read(kept: Path) -> list[Row]:
    """Return the rows that are kept, one per cell."""
    lines = kept.read_text(encoding="utf-8").splitlines() if kept.is_file() else []
    return one_per_cell(json.loads(line) for line in lines)


def grid(kept: Path, part: int, parts: int) -> int:
    """Run the cells of a part that no row of today's code is kept for, and write the table of all rows.

    A part only appends, since another may be running: the run over all parts, last, writes the file anew.
    """
    current = {key_of(row) for row in read(kept) if is_current(row)}
    for k, (key, case, passes, seeds) in enumerate(cells()):
        if k % parts != part or key in current:
            continue
        row = {"cell": key, "cost": cell(case, passes, seeds), "code": code_of(case.scenario)}
        print(key, file=sys.stderr, flush=True)
        with kept.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
    if parts > 1:
        return 0
    return fold(kept)


def fold(kept: Path) -> int:
    """Write the rows anew, one per cell, and their table; run nothing."""
    rows = read(kept)
    write_aside(kept, "".join(json.dumps(row) + "\n" for row in rows))
    text = grid_text(rows)
    print(text)
    write_aside(RESULTS / "strategies.md", text + "\n")
    return report_older(rows)


def report_older(rows: Sequence[Row]) -> int:
    """Name cells that are missing or of other code; 1 if there are any."""
    missing = {key for key, *_ in cells()} - {key_of(row) for row in rows}
    older = [row["cell"] for row in rows if not is_current(row)]
    print(f"{len(rows)} cells kept, {len(missing)} missing, {len(older)} of other code than today's.", file=sys.stderr)
    return 1 if missing or older else 0


def write_aside(path: Path, text: str) -> None:
    """Write a file beside its place, then move it there."""
    aside = path.with_name(f"{path.name}.{os.getpid()}")
    aside.write_text(text, encoding="utf-8")
    aside.replace(path)


def over(row: Row, name: str) -> float:
    """By how much a strategy costs more than the best classic one."""
    return float(row["cost"][name]) - best_classic(row)


def best_classic(row: Row) -> float:
    """Least cost of a classic strategy."""
    return float(min(row["cost"][c] for c in CLASSIC))


def beyond(rows: Sequence[Row], name: str) -> str:
    """In how many rows a strategy costs more than the best classic, and by how much at most."""
    worse = [over(row, name) for row in rows if over(row, name) > 0]
    many = sum(excess > ALLOWED for excess in worse)
    if not worse:
        return f"0 of {len(rows)}"
    return f"{many} of {len(rows)} (above at all in {len(worse)}, by at most {number(100 * max(worse))})"


def of_group(rows: Iterable[Row], group: Group) -> list[Row]:
    """Return the rows of a group's seeds."""
    return [row for row in rows if key_of(row)[3] in {pair[0] for pair in group.pairs}]


def is_exception(row: Row) -> bool:
    """Whether a row belongs to the line whose delay outlasts some gaps."""
    return key_of(row)[:2] == (EXCEPTION.id, EXCEPTION.what)


HEAD = f"""# The recommended strategies against the classic four

Synthetic lines: no evidence about a real one. Median cost over {DRAWS} draws in percent of the {SCORED:,} passes
scored: lost, and extra and false trips per pass; what an abstention costs is infinite. One trip in a recording is
0.033. Written by `python benchmarks/products/strategies.py --grid`; what a cell is, and which seeds are fresh, stands
at the head of `grid.py`.

## More than 0.05 points above the best classic strategy

Workable delays: {len(WORKABLE)} lines. The exception, {EXCEPTION.id} with {EXCEPTION.what}, stands apart: the delay
outlasts the shortest gaps, but it is this benchmark that calls it unworkable (8 ms is beyond doubt), and **there the
recommended strategies are above the best classic one**. What is lost there is merged: light must stay below the
release for longer than the delay, which in a short gap it does the longer, the higher the release. `sweep-minmax`
happens to put it highest without losing objects; the guards look at how dark a gap becomes, not for how long.
"""


def summary(rows: Sequence[Row]) -> list[str]:
    """Table of how often a strategy is beyond what is allowed, by seeds and lines."""
    lines = ["| seeds | lines | " + " | ".join(BETTER) + " |", "|---|---|" + "---|" * len(BETTER)]
    for group in GROUPS:
        mine = of_group(rows, group)
        for title, part in (
            ("workable delays", [row for row in mine if not is_exception(row)]),
            (f"{EXCEPTION.id} {EXCEPTION.what}", [row for row in mine if is_exception(row)]),
        ):
            lines.append(f"| {group.title} | {title} | {' | '.join(beyond(part, name) for name in BETTER)} |")
    return lines


def grid_text(rows: Sequence[Row]) -> str:
    """The whole page: the summary, every cell by groups of seeds, and the code that made them."""
    lines = [HEAD, *summary(rows), "", f"Beyond with workable delays, {BETTER[0]}:", ""]
    for row in sorted(rows, key=key_of):
        if over(row, BETTER[0]) > ALLOWED and not is_exception(row):
            id_, what, passes, seed = key_of(row)
            least, lost = (number(100 * c) for c in (best_classic(row), row["cost"][BETTER[0]]))
            why = REMARKS.get(key_of(row), "not explained.")
            lines.append(f"- {id_}, {what}, taught on {passes} passes, seed {seed}: {lost} against {least}: {why}")
    lines += ["", "The others:", ""]
    for name in BETTER[1:]:
        where = sorted({f"{row['cell'][0]} {row['cell'][1]}" for row in rows if over(row, name) > ALLOWED} - {
            f"{EXCEPTION.id} {EXCEPTION.what}"
        })  # fmt: skip
        lines.append(f"- {name}: {', '.join(where) or 'nowhere'}")
    for group in GROUPS:
        lines += ["", f"## {group.title}", "", "Bold: more than 0.05 points above the best classic one.", ""]
        lines += cell_table(of_group(rows, group))
    made: dict[str, int] = {}
    for row in rows:
        code = row.get("code")
        name = f"teach {code['teach']}, cell {code['cell']}" if code else "not recorded"
        made[name] = made.get(name, 0) + 1
    lines += ["", "## Code that made the rows", "", *(f"- {name}: {count} cells" for name, count in made.items())]
    if len(made) > 1:
        lines += ["", "More than one code: all but the newest are older than the newest rows beside them."]
    return "\n".join(lines)


def cell_table(rows: Iterable[Row]) -> list[str]:
    """Every cell of a group."""
    lines = [
        f"| case | condition | passes taught on | seed | best classic | {' | '.join(BETTER)} |",
        "|---|---|---|---|---|" + "---|" * len(BETTER),
    ]
    for row in sorted(rows, key=key_of):
        costs = [
            f"**{number(100 * row['cost'][n])}**" if over(row, n) > ALLOWED else number(100 * row["cost"][n])
            for n in BETTER
        ]
        lines.append(
            f"| {' | '.join(map(str, row['cell']))} | {number(100 * best_classic(row))} | {' | '.join(costs)} |"
        )
    return lines
