"""All strategies on the difficult products: is the recommended one at or below every classic, and do the others fail?

    python benchmarks/products/strategies.py                 the predictions of `predictions.toml`
    python benchmarks/products/strategies.py --grid          the recommended against the classic four, cell by cell
    python benchmarks/products/strategies.py --grid --part 1/2    every second cell; then once without
    python benchmarks/products/strategies.py --table    the table of the stored cells, and how many are missing or older

What a cell is, which seeds are fresh and how a row tells the code that made it stands at the head of `grid.py`. With
workable delays the answer is yes but for the cells that the page explains; with an off-delay longer than some gaps, no.
Writes `results/strategies.{jsonl,md}` and `results/predictions.{md,json}`.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
from cases import judge, rows_of, run_case, store, table, teach
from figures import HERE, RESULTS, Case, Suite, Teachings, Verdict, load, number
from grid import fold, grid
from numpy.typing import NDArray

from teachlab.synthetic import generate, load_scenario
from teachlab.teaching import TeachBlock

Values = NDArray[np.float64]
Order = tuple[str, str, bool]
KEPT = RESULTS / "strategies.jsonl"


def over_teachings(suite: Suite, case: Teachings) -> dict[str, Values]:
    """How far the levels of strategies lie apart, taught once on each of several recordings: ``WHO.measure``."""
    wanted = {f.of for f in (*case.figure, *case.absent)} | {n.split(".")[0] for c in case.ascending for n in c}
    levels: dict[str, list[float]] = {who: [] for who in suite.rule if who in wanted}
    for seed in case.seeds:
        learning, lessons = generate(load_scenario(case.scenario), case.teach_passes, seed)
        block = TeachBlock(learning, lessons)
        for who in levels:
            settings = teach(suite.rule[who], block, 1, learning.info.direction)
            levels[who] += [s.off_level if str(s.polarity) == "dark-on" else s.on_level for s in settings]
    measured = {}
    for who, found in levels.items():
        low, middle, high = np.quantile(found, [0, 0.5, 1])
        of_who = {"median": middle, "low": low, "high": high, "range": high - low}
        measured |= {f"{who}.level_{name}": np.array([value]) for name, value in of_who.items()}
    return measured


def kind_of(verdict: Verdict) -> str:
    """Whether a figure is judged as printed, or by a calculation of ours."""
    figure = verdict.figure
    return "by calculation" if figure.because and (figure.recomputed is not None or figure.limits) else "as printed"


def counted(verdicts: list[Verdict], absent: list[Verdict], orders: list[Order]) -> str:
    """Say in one paragraph how many come true, each kind apart."""
    parts = []
    for kind in ("as printed", "by calculation"):
        mine = [v for v in verdicts if kind_of(v) == kind]
        parts.append(f"{sum(v.accepted for v in mine)} of {len(mine)} figures judged {kind} come true")
    stays_away = sum(v.accepted for v in absent)
    return (
        f"{'; '.join(parts)}; {sum(holds for *_, holds in orders)} of {len(orders)} orderings hold. {len(absent)} "
        f"predicted failures do not appear here; what is expected in their place comes in {stays_away}."
    )


def page(verdicts: list[Verdict], absent: list[Verdict], orders: list[Order], other_seeds: str) -> str:
    """The tables in Markdown."""
    head = (
        "# What the other strategies do and fail at\n\nSynthetic lines, one pair of seeds. Medians and ranges as in "
        "`difficult_products.md`; abstained in percent of the draws. *As printed*: by the rule of `figures.py`. *By "
        "calculation*: the figure or its limits are ours, the calculation stands below. Written by "
        "`python benchmarks/products/strategies.py`."
    )
    rows = [
        f"| {v.case.id} | {v.case.what} | {v.figure.of} | {v.figure.measure} | {number(v.figure.value)} | "
        f"{number(v.median)} [{number(v.p05)}, {number(v.p95)}] | "
        f"{' to '.join(map(number, v.figure.accepted_range))} | {'yes' if v.accepted else '**no**'} |"
        for v in absent
    ]
    away = [
        "## Predicted failures that do not appear here",
        "",
        "| case | condition | setting | measure | predicted | measured | expected in its place | comes |",
        "|---|---|---|---|---|---|---|---|",
        *rows,
        "",
        *(f"- {v.case.id}, {v.figure.of}, {v.figure.measure}: {v.figure.because}" for v in absent),
    ]
    other = [
        f"- {v.case.id} {v.case.what}, {v.figure.of}, {v.figure.measure}: {v.figure.across_seeds}"
        for v in (*verdicts, *absent)
        if v.figure.across_seeds
    ]
    away += ["", "## At other seeds", "", other_seeds, "", *other]
    return "\n\n".join([head, counted(verdicts, absent, orders), table(verdicts, orders), "\n".join(away)])


def predictions(draws: int | None) -> int:
    """Judge what the strategies are expected to do; 1 if something does not come true."""
    suite = load(HERE / "predictions.toml")
    verdicts, absent, orders = [], [], []
    for case in (*suite.case, *suite.teachings):
        print(f"{case.id} {case.what}", file=sys.stderr, flush=True)
        measured = run_case(suite, case, draws=draws) if isinstance(case, Case) else over_teachings(suite, case)
        mine, chains = judge(case, measured)
        verdicts += mine
        absent += judge(case.model_copy(update={"figure": case.absent, "ascending": ()}), measured)[0]
        orders += [(case.id, *chain) for chain in chains]
    text = page(verdicts, absent, orders, suite.other_seeds)
    print(text)
    if draws is None:
        chains = [{"case": c, "order": o, "holds": h} for c, o, h in orders]
        document = {"figures": rows_of(verdicts), "absent": rows_of(absent), "orders": chains}
        store("predictions", text, document)
    print(counted(verdicts, absent, orders), file=sys.stderr)
    return 0 if all(v.accepted for v in verdicts + absent) and all(holds for *_, holds in orders) else 1


def main(arguments: list[str]) -> int:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--grid", action="store_true", help="the recommended strategies against the classic four")
    parser.add_argument("--table", action="store_true", help="the table of the stored cells; nothing is run")
    parser.add_argument("--part", default="1/1", help="with --grid: part K/N of the cells")
    parser.add_argument("--draws", type=int, default=None, help="fewer teach draws for the predictions")
    chosen = parser.parse_args(arguments)
    if chosen.table:
        return fold(KEPT)
    if not chosen.grid:
        return predictions(chosen.draws)
    part, parts = map(int, chosen.part.split("/"))
    return grid(KEPT, part - 1, parts)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
